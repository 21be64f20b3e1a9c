package main

import (
	"bytes"
	"encoding/json"
	"maps"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/events"
	"nailbridge/internal/searchparam"
	"nailbridge/internal/store"
)

// D3.1 as a story, at every door out: declined at first, agreed, declined,
// agreed again. After a decline nothing that is served or announced names an id
// of the patient's resources, not by links given before it either, but one
// DELETE entry for each in the history. Another patient is there throughout.
func TestD3_1_TheStoryOfSharing(t *testing.T) {
	b := newBench(t, t.TempDir(), "2025-03-20T09:00:00Z")
	serveNATS(t, b, natsFlags{Listen: "127.0.0.1:0", KeepRecords: time.Hour, KeepAnswers: time.Hour, KeepChanges: time.Hour})
	changes := hear(t, b)
	b.send("01-both-borders")
	others := b.allIDs()
	require.NotEmpty(t, others)
	s := &sharingStory{bench: b, others: others, changes: changes}
	require.NotEmpty(t, s.heard())

	s.say("declined", 1)
	assert.Equal(t, others, b.allIDs(), "it never left")
	assert.Empty(t, s.heard())

	s.say("agreed", 2)
	ids := b.allIDs()
	maps.DeleteFunc(ids, s.ofNobody)
	for _, typ := range []string{"Patient", "Procedure", "Observation", "CarePlan", "Goal", "Composition", "Consent", "Specimen", "Media", "MedicationAdministration", "Provenance"} {
		assert.True(t, slices.ContainsFunc(slices.Collect(maps.Keys(ids)), func(ref string) bool { return strings.HasPrefix(ref, typ+"/") }), "a %s is shared", typ)
	}
	require.NotEmpty(t, s.heard(), "announced")
	links := b.someLinks()
	require.Greater(t, len(links), 20, "links to further pages")

	s.say("declined", 3)
	s.gone(ids, links)

	s.say("agreed", 4)
	again := b.allIDs()
	for ref, version := range ids {
		if !strings.HasPrefix(ref, "Provenance/") {
			assert.NotEmpty(t, again[ref], "%s is back under its id", ref)
			assert.NotEqual(t, version, again[ref], "%s has a higher version", ref)
		}
	}
	s.heard()
	links = append(links, b.someLinks()...)

	s.say("declined", 5)
	maps.DeleteFunc(again, s.ofNobody)
	s.gone(again, links)
	for ref := range ids { // a Provenance of before is not told of again
		assert.Equal(t, http.StatusGone, b.get("/fhir/"+ref).Code, ref)
	}
}

type sharingStory struct {
	*bench
	others  map[string]string
	changes *nats.Subscription
	seq     int64  // of the last event heard
	sent    []byte // what was said last, as lines
}

// ofNobody reports what is no resource of the patient: another's, or of the
// clinic, which folds its staff from what is shared alone.
func (s *sharingStory) ofNobody(ref, _ string) bool {
	typ, _, _ := strings.Cut(ref, "/")
	return s.others[ref] != "" || slices.Contains([]string{"Practitioner", "PractitionerRole", "Organization", "Device"}, typ)
}

// say sends the maximal record, its review and its contact with a word on
// sharing, as a revision.
func (s *sharingStory) say(sharing string, revision int) {
	s.t.Helper()
	lines, err := os.ReadFile("../mapping/testdata/coverage/1-everything.ndjson")
	require.NoError(s.t, err)
	s.sent = nil
	for _, line := range bytes.Split(bytes.TrimSpace(lines), []byte("\n")) {
		d := json.NewDecoder(bytes.NewReader(line))
		d.UseNumber()
		var tree map[string]any
		require.NoError(s.t, d.Decode(&tree))
		tree["clinic"], tree["sharing"], tree["revision"] = "brindlemere", sharing, revision
		tree["savedAt"] = time.Date(2025, 3, 19, 9, revision, 0, 0, time.UTC).Format(time.RFC3339)
		body, err := json.Marshal(tree)
		require.NoError(s.t, err)
		w := s.post(body)
		require.Less(s.t, w.Code, 300, w.Body)
		s.sent = append(append(s.sent, body...), '\n')
	}
}

// hear listens to what is announced.
func hear(t *testing.T, b *bench) *nats.Subscription {
	var conn *nats.Conn
	require.Eventually(t, func() (ok bool) {
		s := b.app.events.Load()
		if s == nil || s.Health() != nil {
			return false
		}
		var err error
		conn, err = nats.Connect(s.ClientURL())
		return err == nil
	}, time.Minute, 20*time.Millisecond)
	t.Cleanup(conn.Close)
	sub, err := conn.SubscribeSync("nailbridge.changes.brindlemere")
	require.NoError(t, err)
	require.NoError(t, conn.Flush())
	return sub
}

// heard is what was announced since the last call: the whole outbox is waited for.
func (s *sharingStory) heard() string {
	s.t.Helper()
	var last int64
	require.NoError(s.t, s.app.store.View(s.t.Context(), func(r store.Reader) error {
		es, err := r.Outbox("brindlemere", 0, 1<<20)
		if len(es) > 0 {
			last = es[len(es)-1].Seq
		}
		return err
	}))
	var all strings.Builder
	for s.seq < last {
		m, err := s.changes.NextMsg(5 * time.Minute)
		require.NoError(s.t, err)
		all.Write(m.Data)
		s.seq, err = strconv.ParseInt(m.Header.Get(events.SequenceHeader), 10, 64)
		require.NoError(s.t, err)
	}
	return all.String()
}

// allIDs reads every resource of care: its version by its reference.
func (b *bench) allIDs() map[string]string {
	b.t.Helper()
	out := map[string]string{}
	for _, typ := range searchparam.CareTypes() {
		for path := "/fhir/" + typ + "?_count=200"; path != ""; {
			w := b.get(path)
			require.Equal(b.t, http.StatusOK, w.Code, path)
			var page struct {
				Entry []struct {
					Resource struct {
						ResourceType, ID string
						Meta             struct{ VersionID string }
					}
				}
			}
			require.NoError(b.t, json.Unmarshal(w.Body.Bytes(), &page))
			for _, e := range page.Entry {
				out[e.Resource.ResourceType+"/"+e.Resource.ID] = e.Resource.Meta.VersionID
			}
			path = nextPage(b.t, w.Body.Bytes())
		}
	}
	return out
}

// someLinks are the links to second pages of every type's search and history.
func (b *bench) someLinks() (out []string) {
	b.t.Helper()
	for _, typ := range searchparam.CareTypes() {
		for _, path := range []string{"/fhir/" + typ + "?_count=1", "/fhir/" + typ + "/_history?_count=1"} {
			w := b.get(path)
			require.Equal(b.t, http.StatusOK, w.Code, path)
			if next := nextPage(b.t, w.Body.Bytes()); next != "" {
				out = append(out, next)
			}
		}
	}
	return out
}

// gone checks that no door out names an id, given with its versions, but in one
// DELETE entry each, which is announced once too.
func (s *sharingStory) gone(ids map[string]string, links []string) {
	s.t.Helper()
	told := s.heard()
	deleted := map[string]int{}
	for ref, version := range ids {
		_, id, _ := strings.Cut(ref, "/")
		assert.Equal(s.t, 1, strings.Count(told, id), "%s is announced as gone", ref)
		assert.NotContains(s.t, told, id+"/_history/"+version, "%s is announced as it was", ref)
		for _, path := range []string{ref, ref + "/_history/" + version} {
			w := s.get("/fhir/" + path)
			assert.Equal(s.t, http.StatusGone, w.Code, path)
		}
	}
	names := func(body string) (found []string) {
		for ref := range ids {
			if _, id, _ := strings.Cut(ref, "/"); strings.Contains(body, id) {
				found = append(found, ref)
			}
		}
		return found
	}
	for _, typ := range searchparam.CareTypes() {
		for _, query := range []string{"", "?_summary=count", "?_elements=id", "?_lastUpdated=ge2000"} {
			assert.Empty(s.t, names(s.get("/fhir/"+typ+query).Body.String()), typ+query)
		}
		s.deletions("/fhir/"+typ+"/_history?_count=50", names, deleted)
	}
	for _, link := range links {
		again := map[string]int{}
		s.deletions(link, names, again)
	}
	for ref := range ids {
		assert.Equal(s.t, 1, deleted[ref], "DELETE entries of %s", ref)
	}
	assert.Empty(s.t, names(s.files()), "files")
}

// entryURL is the request of a history entry.
var entryURL = regexp.MustCompile(`^[A-Za-z]+/[^/]+$`)

// deletions walks a history or search, and counts the DELETE entries; nothing
// else of it names an id.
func (s *sharingStory) deletions(path string, names func(string) []string, deleted map[string]int) {
	s.t.Helper()
	for path != "" {
		w := s.get(path)
		if w.Code == http.StatusGone {
			return
		}
		require.Equal(s.t, http.StatusOK, w.Code, path)
		var page struct {
			Entry []struct {
				Resource json.RawMessage
				Request  struct{ Method, URL string }
			}
		}
		require.NoError(s.t, json.Unmarshal(w.Body.Bytes(), &page))
		for _, e := range page.Entry {
			if e.Request.Method == http.MethodDelete {
				require.Regexp(s.t, entryURL, e.Request.URL)
				deleted[e.Request.URL]++
				assert.Empty(s.t, e.Resource)
				continue
			}
			assert.Empty(s.t, names(string(e.Resource)+e.Request.URL), path)
		}
		path = nextPage(s.t, w.Body.Bytes())
	}
}

// files is what the commands make of the records said last.
func (s *sharingStory) files() string {
	s.t.Helper()
	file := filepath.Join(s.t.TempDir(), "records.ndjson")
	require.NoError(s.t, os.WriteFile(file, s.sent, 0o600))
	var out []byte
	for _, args := range [][]string{{"to-fhir", "--demo-ids"}, {"to-fhir", "--demo-ids", "--ndjson"}, {"letter"}} {
		out = append(out, command(s.t, 0, append(args, "--config", "../testdata/settings.json", "--as-of", "2025-03-20", file)...)...)
	}
	return string(out)
}
