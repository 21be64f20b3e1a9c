package crash_test

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/conformance/running"
	"nailbridge/internal/searchparam"
)

// stored is what is read of a resource.
type stored struct {
	ResourceType, ID string
	Status           string
	Meta             struct{ VersionID, LastUpdated string }
	Target           []struct{ Reference string }
	body             []byte
}

func (s stored) ref() string { return s.ResourceType + "/" + s.ID }

// number is the version's number; before it stands the epoch of the store.
func (s stored) number() string {
	_, n, _ := strings.Cut(s.Meta.VersionID, "-")
	return n
}

func readPage(ctx context.Context, url string) (next string, out []stored, err error) {
	p, err := running.ReadPage(ctx, url)
	for _, body := range p.Resources {
		s := stored{body: body}
		err = errors.Join(err, json.Unmarshal(body, &s))
		out = append(out, s)
	}
	return p.Next, out, err
}

// poller is a hub that asks, type by type, for what was updated since the last
// that it saw, three resources a page.
type poller struct {
	base   string
	since  map[string]string   // by type
	seen   map[string][]string // versions by reference
	pages  int
	broken int   // pages that did not come
	failed error // an answer that a hub must never get
}

func newPoller(base string) *poller {
	return &poller{base: base, since: map[string]string{}, seen: map[string][]string{}}
}

// poll polls until its context ends.
func (p *poller) poll(ctx context.Context) {
	for ctx.Err() == nil {
		for _, typ := range searchparam.CareTypes() {
			p.walk(ctx, typ)
		}
		time.Sleep(pause)
	}
}

// pause lies between two polls of all types.
const pause = 50 * time.Millisecond

// walk reads what is new of a type, and says how much was not seen before.
func (p *poller) walk(ctx context.Context, typ string) (fresh int) {
	q := url.Values{"_count": {"3"}, "_sort": {"_lastUpdated"}}
	if s := p.since[typ]; s != "" {
		q.Set("_lastUpdated", "ge"+s)
	}
	for next := p.base + "/fhir/" + typ + "?" + q.Encode(); next != "" && ctx.Err() == nil; {
		following, resources, err := readPage(ctx, next)
		if err != nil {
			var status *running.StatusError
			if p.broken++; ctx.Err() == nil && errors.As(err, &status) && status.Status != http.StatusServiceUnavailable {
				p.failed = errors.Join(p.failed, err)
			}
			time.Sleep(time.Millisecond)
			return fresh
		}
		p.pages++
		for _, r := range resources {
			if !slices.Contains(p.seen[r.ref()], r.Meta.VersionID) {
				p.seen[r.ref()] = append(p.seen[r.ref()], r.Meta.VersionID)
				fresh++
			}
			p.since[typ] = r.Meta.LastUpdated
		}
		next = following
	}
	return fresh
}

// everything is all that a bridge publishes, by reference.
func everything(t *testing.T, b *running.Bridge) map[string]stored {
	out := map[string]stored{}
	for _, typ := range searchparam.CareTypes() {
		for next := b.Base + "/fhir/" + typ + "?_count=200"; next != ""; {
			following, resources, err := readPage(t.Context(), next)
			require.NoError(t, err)
			for _, r := range resources {
				require.NotContains(t, out, r.ref(), "twice in one search")
				out[r.ref()] = r
			}
			next = following
		}
	}
	return out
}

// content is a resource without what a commit adds to it. Of what was entered in
// error and could be otherwise by when the clock ticked (a letter keeps the alerts
// and the plan that it told of last), it is the status.
func (s stored) content(t *testing.T) string {
	if s.body == nil {
		return "nothing"
	}
	if s.Status == "entered-in-error" && slices.Contains(ofOrder, s.ResourceType) {
		return s.Status
	}
	var tree map[string]any
	d := json.NewDecoder(bytes.NewReader(s.body))
	d.UseNumber()
	require.NoError(t, d.Decode(&tree))
	meta, _ := tree["meta"].(map[string]any)
	delete(meta, "versionId")
	delete(meta, "lastUpdated")
	b, err := json.Marshal(tree)
	require.NoError(t, err)
	return string(b)
}

// ofOrder are the types of which there may be more or fewer versions: by when
// the clock ticked between two records, which the letter tells of too, and of the
// clinic's staff and device by whose record came first.
var ofOrder = []string{"CarePlan", "Composition", "DetectedIssue", "Provenance", "Practitioner", "PractitionerRole", "Organization", "Device"}

// compare compares what two bridges hold after the same records.
func compare(t *testing.T, broken, unbroken *running.Bridge, senders []*sender) {
	is, want := everything(t, broken), everything(t, unbroken)
	// The last windows that ended are noticed within a minute.
	for until := time.Now().Add(time.Minute); len(differences(t, is, want)) > 0 && time.Now().Before(until); {
		time.Sleep(3 * time.Second)
		is, want = everything(t, broken), everything(t, unbroken)
	}
	require.NotEmpty(t, is)
	for _, ref := range differences(t, is, want) {
		assert.Equal(t, want[ref].content(t), is[ref].content(t), ref)
	}
	for ref, r := range is {
		if !slices.Contains(ofOrder, r.ResourceType) {
			assert.Equal(t, want[ref].number(), r.number(), ref)
		}
	}
	whole(t, broken, is)
	for _, s := range senders {
		for _, e := range s.ledger {
			for _, v := range e.answer.Resources {
				status, _, err := running.Get(t.Context(), broken.Base+"/fhir/"+v.Reference+"/_history/"+v.VersionID)
				require.NoError(t, err)
				assert.Contains(t, []int{http.StatusOK, http.StatusGone}, status, "%s, answered for", v.Reference)
			}
		}
	}
}

// differences are the references whose resource two bridges do not hold alike.
// A Provenance tells of a commit, and an issue that was entered in error of when
// the clock ticked between two records: these are not compared (D1.4).
func differences(t *testing.T, a, b map[string]stored) (out []string) {
	for ref := range a {
		if a[ref].compared() && a[ref].content(t) != b[ref].content(t) {
			out = append(out, ref)
		}
	}
	for ref := range b {
		if _, ok := a[ref]; !ok && b[ref].compared() {
			out = append(out, ref)
		}
	}
	slices.Sort(out)
	return out
}

func (s stored) compared() bool {
	return s.ResourceType != "Provenance" && (s.ResourceType != "DetectedIssue" || s.Status != "entered-in-error")
}

// whole asserts that no commit is there by half: each version that is current
// was written down by exactly one Provenance, and each target of one is there.
// Of the clinic's own resources the Provenance goes with the patient whose
// record it tells of.
func whole(t *testing.T, b *running.Bridge, all map[string]stored) {
	told := map[string]int{}
	for _, p := range all {
		if p.ResourceType != "Provenance" {
			continue
		}
		for _, target := range p.Target {
			told[target.Reference]++
			status, _, err := running.Get(t.Context(), b.Base+"/fhir/"+target.Reference)
			require.NoError(t, err)
			assert.Contains(t, []int{http.StatusOK, http.StatusGone}, status, "%s of %s", target.Reference, p.ref())
		}
	}
	for ref, r := range all {
		if !slices.Contains([]string{"Provenance", "Practitioner", "PractitionerRole", "Organization", "Device"}, r.ResourceType) {
			assert.Equal(t, 1, told[ref+"/_history/"+r.Meta.VersionID], "%s version %s", ref, r.Meta.VersionID)
		}
	}
}

// catchUp polls until nothing is new. Nobody else polls.
func (p *poller) catchUp(t *testing.T) {
	for fresh := 1; fresh > 0; {
		fresh = 0
		for _, typ := range searchparam.CareTypes() {
			fresh += p.walk(t.Context(), typ)
		}
	}
	require.NoError(t, p.failed)
}

// compareSeen asserts that a poller saw each resource in its final state, and
// nothing that came of no record: what it saw and is gone is gone, or was never
// anything but gone, at both bridges alike.
func compareSeen(t *testing.T, p *poller, broken, unbroken *running.Bridge) {
	final := everything(t, broken)
	for ref, r := range final {
		versions := p.seen[ref]
		if assert.NotEmpty(t, versions, "%s was never seen", ref) {
			assert.Equal(t, r.Meta.VersionID, versions[len(versions)-1], ref)
		}
	}
	for ref := range p.seen {
		if _, ok := final[ref]; ok || strings.HasPrefix(ref, "Provenance/") {
			continue
		}
		status, _, err := running.Get(t.Context(), broken.Base+"/fhir/"+ref)
		require.NoError(t, err)
		assert.Equal(t, http.StatusGone, status, "%s was seen", ref)
		status, _, err = running.Get(t.Context(), unbroken.Base+"/fhir/"+ref)
		require.NoError(t, err)
		if status == http.StatusNotFound && strings.HasPrefix(ref, "DetectedIssue/") {
			continue // the clock did not tick there between the two records
		}
		assert.Equal(t, http.StatusGone, status, "%s was seen", ref)
	}
}
