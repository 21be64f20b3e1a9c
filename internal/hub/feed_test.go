package hub

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"nailbridge/internal/searchparam"
	"nailbridge/internal/store"
	"nailbridge/internal/store/sqlite"
	"nailbridge/internal/store/storetest"
	"nailbridge/mapping/resource"
)

const (
	feedWriters = 8
	feedPollers = 4
	// feedRuns bounds what rapid does: its hundred runs would take minutes, since
	// each commit is synced.
	feedRuns = 20
)

var errFeed = errors.New("a transaction that gives up")

// feedCommit is what one transaction does.
type feedCommit struct {
	Changes []feedChange
	Clock   int // ms after t0, which may be long past
	Pause   int // begins after so many more requests were answered
	Hold    int // and stays open for so many
	GivesUp bool
}

// feedChange puts a content, or deletes or masks what is there.
type feedChange struct {
	Kind    string
	Ref     resource.Ref
	Content string
}

// feedPoller is one hub: what it polls, by pages of how many.
type feedPoller struct {
	Path  string // /_history, or a type with _history or a search
	Count int
	Twice bool // it reads each page once more by its link
	// Afresh: it begins each walk anew, without an instant.
	Afresh bool
}

func (p feedPoller) history() bool { return strings.HasSuffix(p.Path, "_history") }

var feedChanges = rapid.Custom(func(t *rapid.T) feedChange {
	c := feedChange{Kind: rapid.SampledFrom([]string{"put", "put", "put", "put", "delete", "mask"}).Draw(t, "kind")}
	c.Ref = resource.Ref{
		Type: rapid.SampledFrom([]string{"CarePlan", "CarePlan", "Patient"}).Draw(t, "type"),
		ID:   rapid.SampledFrom([]string{"a", "b", "c", "d", "e"}).Draw(t, "id"),
	}
	n := rapid.IntRange(0, 2).Draw(t, "content")
	c.Content = plan(c.Ref.ID, "p", []string{"active", "completed", "on-hold"}[n])
	if c.Ref.Type == "Patient" {
		c.Content = patient(c.Ref.ID, "A", fmt.Sprint(1950+n))
	}
	return c
})

var feedCommits = rapid.Custom(func(t *rapid.T) feedCommit {
	return feedCommit{
		Changes: rapid.SliceOfN(feedChanges, 2, 4).Draw(t, "changes"),
		Clock:   rapid.IntRange(-5, 5).Draw(t, "clock"),
		Pause:   rapid.IntRange(0, 4).Draw(t, "pause"),
		Hold:    rapid.IntRange(0, 2).Draw(t, "hold"),
		GivesUp: rapid.IntRange(0, 5).Draw(t, "gives up") == 0,
	}
})

var feedPolling = rapid.Custom(func(t *rapid.T) feedPoller {
	return feedPoller{
		Path:  rapid.SampledFrom([]string{"/_history", "/CarePlan/_history", "/CarePlan", "/CarePlan?status=active"}).Draw(t, "path"),
		Count: rapid.IntRange(1, 3).Draw(t, "count"), Twice: rapid.Bool().Draw(t, "twice"), Afresh: rapid.Bool().Draw(t, "afresh"),
	}
})

// R-PAGE-07, R-HIST-06, R-HIST-11, R-HIST-12, R-SP-02: eight writers and four
// hubs at once, each hub by what README says of going on. No walk repeats or
// leaves out, every commit is told whole, nothing is told that was not
// committed, lastUpdated rises with the order of commits, and at the end each
// hub knows everything.
func TestR_HIST_12_R_SP_02_FeedUnderManyWriters(t *testing.T) {
	runs := 0
	rapid.Check(t, func(rt *rapid.T) {
		if runs++; runs > feedRuns {
			return
		}
		writers := rapid.SliceOfN(rapid.SliceOfN(feedCommits, 2, 3), feedWriters, feedWriters).Draw(rt, "writers")
		pollers := rapid.SliceOfN(feedPolling, feedPollers, feedPollers).Draw(rt, "pollers")
		f := newFeed(t)
		defer f.close()
		told := f.run(writers, pollers)
		for _, err := range f.errs {
			t.Log(err) // a race is not played again by rapid
		}
		require.Empty(rt, f.errs)
		f.settle(rt)
		for _, p := range told {
			f.judge(rt, p)
		}
	})
}

// feed is one store with its hub, and what was committed.
type feed struct {
	t        *testing.T
	store    *sqlite.DB
	handler  http.Handler
	index    searchparam.Index
	answered atomic.Int64 // requests
	failed   atomic.Bool

	mu      sync.Mutex
	commits []committed
	errs    []error

	byTime map[string]committed // by lastUpdated as served
	final  map[string]bool      // versions that are still shown at the end
	latest []store.Version      // care plans as a search gives them at the end
}

// committed is one commit and the versions that it made.
type committed struct {
	store.Stamp
	versions map[resource.Ref]store.Version
}

func newFeed(t *testing.T) *feed {
	dir, err := os.MkdirTemp(t.TempDir(), "")
	require.NoError(t, err)
	f := &feed{t: t, index: searchparam.Index{Base: base}}
	f.store, err = sqlite.Open(t.Context(), sqlite.Options{Dir: dir})
	require.NoError(t, err)
	f.handler, err = New(Options{Store: f.store, BaseURL: base, Secret: secret})
	require.NoError(t, err)
	return f
}

func (f *feed) close() { require.NoError(f.t, f.store.Close()) }

func (f *feed) fail(err error) {
	f.failed.Store(true)
	f.mu.Lock()
	defer f.mu.Unlock()
	f.errs = append(f.errs, err)
}

// run lets all write and poll at once, and the pollers go on until nothing is
// new.
func (f *feed) run(writers [][]feedCommit, pollers []feedPoller) []*polled {
	for _, cs := range writers { // checked before the race, which is not about that
		for _, c := range cs {
			for _, x := range c.Changes {
				storetest.Checked(f.t, x.Content)
			}
		}
	}
	var writing, polling sync.WaitGroup
	var over atomic.Bool
	told := make([]*polled, len(pollers))
	for i, p := range pollers {
		told[i] = &polled{feedPoller: p, seen: map[string]bool{}}
		polling.Go(func() {
			for last := false; !last && !f.failed.Load(); {
				last = over.Load()
				if err := f.poll(told[i]); err != nil {
					f.fail(fmt.Errorf("poller of %s: %w", p.Path, err))
				}
			}
		})
	}
	for _, cs := range writers {
		writing.Go(func() {
			for _, c := range cs {
				if err := f.commit(c); err != nil {
					f.fail(err)
				}
			}
		})
	}
	writing.Wait()
	over.Store(true)
	polling.Wait()
	return told
}

// commit makes one transaction and notes what it made once it is committed.
func (f *feed) commit(c feedCommit) error {
	f.await(c.Pause)
	made := committed{versions: map[resource.Ref]store.Version{}}
	err := f.store.Update(f.t.Context(), func(w store.Writer) (err error) {
		if made.Stamp, err = w.Stamp(t0.Add(time.Duration(c.Clock) * time.Millisecond)); err != nil {
			return err
		}
		for _, x := range c.Changes {
			v, err := f.change(w, x)
			if err != nil && !errors.Is(err, store.ErrNotFound) {
				return err
			}
			if err == nil && v.Seq == made.Seq {
				made.versions[x.Ref] = v
			}
		}
		f.await(c.Hold)
		if c.GivesUp {
			return errFeed
		}
		return nil
	})
	if c.GivesUp && errors.Is(err, errFeed) {
		return nil
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	f.commits = append(f.commits, made)
	return err
}

// await waits until so many more requests were answered.
func (f *feed) await(requests int) {
	for until := f.answered.Load() + int64(requests); f.answered.Load() < until && !f.failed.Load(); {
		time.Sleep(50 * time.Microsecond)
	}
}

func (f *feed) change(w store.Writer, x feedChange) (store.Version, error) {
	switch x.Kind {
	case "delete":
		return w.Delete(owner, x.Ref)
	case "mask":
		return store.Version{}, w.Mask(x.Ref)
	}
	c := storetest.Checked(f.t, x.Content)
	rows, err := f.index.Rows(c.Resource())
	if err != nil {
		return store.Version{}, err
	}
	return w.Put(owner, "case", c, rows)
}

// polled is what one hub was told, by what came over the wire alone.
type polled struct {
	feedPoller
	token string // the instant that it goes on from
	walks [][]toldEntry
	seen  map[string]bool
}

// toldEntry is one entry of a page: which version, when.
type toldEntry struct{ version, at string }

// poll makes one whole walk from the token, and moves the token when it ended.
func (f *feed) poll(p *polled) error {
	path := p.Path + "?"
	if strings.Contains(p.Path, "?") {
		path = p.Path + "&"
	}
	path += fmt.Sprint("_count=", p.Count)
	switch {
	case p.token == "" || p.Afresh:
	case p.history():
		path += "&_since=" + p.token
	default:
		path += "&_lastUpdated=gt" + p.token
	}
	if !p.history() {
		path += "&_sort=_lastUpdated"
	}
	var walk []toldEntry
	for path != "" {
		page, next, err := f.page(path)
		if err != nil {
			return err
		}
		if p.Twice {
			again, _, err := f.page(path)
			if err != nil {
				return err
			}
			// A first page asked for again begins another walk.
			if strings.Contains(path, "_page=") && !isAgain(again, page) {
				return fmt.Errorf("a page asked for again gives %v after %v", again, page)
			}
		}
		if len(page) > p.Count {
			return fmt.Errorf("%d entries on a page of %d", len(page), p.Count)
		}
		walk, path = append(walk, page...), next
	}
	if len(walk) == 0 {
		return nil
	}
	p.token = walk[len(walk)-1].at
	if p.history() {
		p.token = walk[0].at
	}
	for _, e := range walk {
		p.seen[e.version] = true
	}
	p.walks = append(p.walks, walk)
	return nil
}

// isAgain reports whether a page that was asked for again is that page: in its
// order, less what was hidden meanwhile, in place of which later entries move up.
func isAgain(again, told []toldEntry) bool {
	same := 0
	for _, e := range told {
		if same < len(again) && again[same] == e {
			same++
		}
	}
	moved := again[same:]
	return len(moved) <= len(told)-same && !slices.ContainsFunc(moved, func(e toldEntry) bool { return slices.Contains(told, e) })
}

// page asks for one page and gives the path of the next.
func (f *feed) page(path string) (entries []toldEntry, next string, err error) {
	rec := httptest.NewRecorder()
	f.handler.ServeHTTP(rec, httptest.NewRequestWithContext(context.Background(), http.MethodGet, "/fhir"+path, http.NoBody))
	f.answered.Add(1)
	if rec.Code != http.StatusOK {
		return nil, "", fmt.Errorf("%d: %s", rec.Code, rec.Body)
	}
	var b bundleJSON
	if err := json.Unmarshal(rec.Body.Bytes(), &b); err != nil {
		return nil, "", err
	}
	for _, e := range b.Entry {
		var r struct {
			Meta struct{ VersionID, LastUpdated string }
		}
		if e.Resource != nil {
			if err := json.Unmarshal(e.Resource, &r); err != nil {
				return nil, "", err
			}
		}
		one := toldEntry{etag(r.Meta.VersionID), r.Meta.LastUpdated}
		if e.Response != nil {
			one = toldEntry{e.Response.ETag, e.Response.LastModified}
		}
		one.version = strings.TrimPrefix(e.FullURL, base+"/") + " " + one.version
		entries = append(entries, one)
	}
	return entries, strings.TrimPrefix(b.link("next"), base), nil
}

func versionName(v store.Version) string { return v.Ref.String() + " " + etag(v.VersionID) }

// settle reads what is true once all is committed, and looks at the order.
func (f *feed) settle(rt *rapid.T) {
	slices.SortFunc(f.commits, func(a, b committed) int { return cmp.Compare(a.Seq, b.Seq) })
	f.byTime, f.final = map[string]committed{}, map[string]bool{}
	for i, c := range f.commits {
		require.EqualValues(rt, i+1, c.Seq, "one sequence, without a gap")
		if i > 0 {
			require.True(rt, c.LastUpdated.After(f.commits[i-1].LastUpdated), "lastUpdated follows the order")
		}
		f.byTime[instant(c.LastUpdated)] = c
	}
	require.NoError(rt, f.store.View(f.t.Context(), func(r store.Reader) error {
		h, err := r.History(store.HistoryQuery{Count: 100_000})
		for _, v := range h.Versions {
			f.final[versionName(v)] = true
		}
		s, err2 := r.Search(store.Query{Type: "CarePlan", Count: 100_000})
		f.latest = s.Versions
		return errors.Join(err, err2)
	}))
}

// judge holds what a hub was told to what was committed.
func (f *feed) judge(rt *rapid.T, p *polled) {
	since := ""
	for _, walk := range p.walks {
		told := map[string]bool{}
		for i, e := range walk {
			c, ok := f.byTime[e.at]
			require.True(rt, ok && f.made(c, e.version), "%s: told %v, which nobody committed", p.Path, e)
			require.False(rt, told[e.version], "%s: %v twice in one walk", p.Path, e)
			told[e.version] = true
			if ref, _, _ := strings.Cut(e.version, " "); !p.history() {
				require.False(rt, told[ref], "%s: %s twice in one walk", p.Path, ref)
				told[ref] = true
			}
			if i > 0 {
				c := cmp.Compare(walk[i-1].at, e.at)
				require.True(rt, c == 0 || (c > 0) == p.history(), "%s: %v after %v", p.Path, e, walk[i-1])
			}
		}
		f.whole(rt, p, since, walk, told)
		switch {
		case p.Afresh:
		case p.history():
			since = walk[0].at
		default:
			since = walk[len(walk)-1].at
		}
	}
	if p.history() {
		for v := range f.final {
			if p.Path == "/_history" || strings.HasPrefix(v, "CarePlan/") {
				assert.True(rt, p.seen[v], "%s never told %s", p.Path, v)
			}
		}
		return
	}
	for _, v := range f.latest {
		if p.Path == "/CarePlan" || strings.Contains(string(v.Body), `"status":"active"`) {
			assert.True(rt, p.seen[versionName(v)], "%s never told %s", p.Path, versionName(v))
		}
	}
}

func (f *feed) made(c committed, version string) bool {
	for _, v := range c.versions {
		if versionName(v) == version {
			return true
		}
	}
	return false
}

// whole holds one walk to the commits that it spans: of each, all is told but
// what was hidden since, and, by a search, what has a successor or is deleted.
func (f *feed) whole(rt *rapid.T, p *polled, since string, walk []toldEntry, told map[string]bool) {
	if strings.Contains(p.Path, "?") {
		return // which versions meet criteria is not of this test
	}
	newest := max(walk[0].at, walk[len(walk)-1].at)
	for _, c := range f.commits {
		at := instant(c.LastUpdated)
		if at > newest || at < since || at == since && !p.history() {
			continue
		}
		for ref, v := range c.versions {
			switch {
			case told[versionName(v)] || !f.final[versionName(v)]:
			case p.Path != "/_history" && ref.Type != "CarePlan":
			case !p.history() && (v.Deleted || !f.isLatest(v)):
			default:
				require.Fail(rt, "part of a commit", "%s from %q to %q left out %s of commit %d", p.Path, since, newest, versionName(v), c.Seq)
			}
		}
	}
}

func (f *feed) isLatest(v store.Version) bool {
	return slices.ContainsFunc(f.latest, func(x store.Version) bool { return x.Ref == v.Ref && x.Number == v.Number })
}
