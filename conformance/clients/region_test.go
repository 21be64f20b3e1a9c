package clients

import (
	"bytes"
	"context"
	"encoding/json"
	"net/http"
	"net/http/httptest"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"nailbridge/internal/config"
	"nailbridge/internal/convert"
	"nailbridge/internal/generate"
	"nailbridge/internal/hub"
	"nailbridge/internal/searchparam"
	"nailbridge/internal/store"
	"nailbridge/internal/store/sqlite"
	"nailbridge/internal/validate"
	"nailbridge/mapping"
	"nailbridge/mapping/record"
	"nailbridge/mapping/resource"
	"nailbridge/testdata"
)

// The invented cases beside the demo's.
const (
	seed      = 20260420
	generated = 100
)

// batch is how many resources one commit takes, and so how many share one instant of _lastUpdated.
const batch = 80

// region is a hub over a store that holds the demo and the generated cases.
type region struct {
	base  string // of the hub, without a slash at the end
	zone  *time.Location
	store store.Store
}

// newRegion folds the records and puts what comes of them into a store: the demo first as of a month before, so that some
// resources have a version before the current one and some are deleted.
func newRegion(t *testing.T) *region {
	t.Helper()
	now, err := time.Parse(time.RFC3339, testdata.Now)
	require.NoError(t, err)
	server := httptest.NewUnstartedServer(nil)
	r := &region{base: "http://" + server.Listener.Addr().String() + "/fhir"}
	file, err := config.Parse(testdata.Settings())
	require.NoError(t, err)
	settings, err := file.Settings(config.DemoNamespace)
	require.NoError(t, err)
	r.zone = settings[0].Clinic.Zone
	db, err := sqlite.Open(t.Context(), sqlite.Options{Dir: t.TempDir()})
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, db.Close()) })
	r.store = db

	before := r.fold(t, settings, testdata.Records(), now.AddDate(0, -1, 0))
	r.commit(t, settings[0], before, nil, now.AddDate(0, -1, 0))
	after := r.fold(t, settings, append(testdata.Records(), r.invented(t, settings[0].Clinic.ID)), now)
	r.commit(t, settings[0], after, before, now)

	h, err := hub.New(hub.Options{Store: db, BaseURL: r.base, Zone: r.zone, Static: artifacts(t, settings[0]),
		Secret: make([]byte, 32), Released: now, Limits: hub.Limits{}})
	require.NoError(t, err)
	server.Config.Handler = h
	server.Start()
	t.Cleanup(server.Close)
	return r
}

// invented are the records of the generated cases, in one file.
func (r *region) invented(t *testing.T, clinic string) convert.Input {
	var lines bytes.Buffer
	for _, records := range generate.Cases(seed, generated, generate.Options{Clinic: clinic, Zone: r.zone}) {
		for _, rec := range records {
			b, err := record.Encode(rec)
			require.NoError(t, err)
			lines.Write(append(b, '\n'))
		}
	}
	return convert.Input{Name: "generated.ndjson", Data: lines.Bytes()}
}

func (r *region) fold(t *testing.T, settings []mapping.Settings, files []convert.Input, asOf time.Time) []resource.Resource {
	res, err := convert.Convert(settings, files, asOf)
	require.NoError(t, err)
	require.Empty(t, res.Issues)
	return res.Resources
}

// commit puts resources, and deletes those of before that are gone, some at a time.
func (r *region) commit(t *testing.T, s mapping.Settings, set, before []resource.Resource, now time.Time) {
	checked, issues := validate.Check(set, func(resource.Ref) bool { return false }, s.Terms, s.Codes)
	require.Empty(t, issues)
	owner := store.Owner{Clinic: s.Clinic.ID, Patient: "all"}
	index := searchparam.Index{Base: r.base, Zone: r.zone}
	current := map[resource.Ref]bool{}
	// Types are mixed, so that a stretch of _lastUpdated holds some of each.
	for part := range (len(checked) + batch - 1) / batch {
		require.NoError(t, r.store.Update(t.Context(), func(w store.Writer) error {
			if _, err := w.Stamp(now); err != nil {
				return err
			}
			for i := part; i < len(checked); i += (len(checked) + batch - 1) / batch {
				c := checked[i]
				rows, err := index.Rows(c.Resource())
				if err != nil {
					return err
				}
				current[c.Resource().Ref()] = true
				if _, err := w.Put(owner, "", c, rows); err != nil {
					return err
				}
			}
			return nil
		}))
	}
	gone := slices.DeleteFunc(slices.Clone(before), func(b resource.Resource) bool { return current[b.Ref()] })
	require.NoError(t, r.store.Update(t.Context(), func(w store.Writer) error {
		_, err := w.Stamp(now)
		for _, b := range gone {
			if err == nil {
				_, err = w.Delete(owner, b.Ref())
			}
		}
		return err
	}))
}

// artifacts are the definitions that resources point to.
func artifacts(t *testing.T, s mapping.Settings) (out []resource.Resource) {
	for _, a := range s.Terms.Artifacts(s.Codes) {
		x, err := resource.FromJSON(a.JSON)
		require.NoError(t, err)
		out = append(out, x)
	}
	return out
}

// stored are the current resources of a store, newest first, by its history.
func stored(ctx context.Context, s store.Store) (out []json.RawMessage, err error) {
	seen := map[resource.Ref]bool{}
	err = s.View(ctx, func(rd store.Reader) error {
		return eachVersion(rd, func(v store.Version) {
			if !seen[v.Ref] && !v.Deleted {
				out = append(out, v.Body)
			}
			seen[v.Ref] = true
		})
	})
	return out, err
}

// eachVersion walks the system history, newest first.
func eachVersion(rd store.Reader, fn func(store.Version)) error {
	for q := (store.HistoryQuery{Count: 500, NoTotal: true}); ; {
		page, err := rd.History(q)
		if err != nil {
			return err
		}
		for _, v := range page.Versions {
			fn(v)
			q.After = &store.Key{Seq: v.Seq, Ref: v.Ref}
		}
		if !page.More {
			return nil
		}
	}
}

// get reads JSON from the hub.
func get(t testing.TB, url string, into any) {
	t.Helper()
	req, err := http.NewRequestWithContext(t.Context(), http.MethodGet, url, nil)
	require.NoError(t, err)
	res, err := http.DefaultClient.Do(req)
	require.NoError(t, err)
	defer func() { require.NoError(t, res.Body.Close()) }()
	require.Equal(t, http.StatusOK, res.StatusCode, url)
	require.NoError(t, json.NewDecoder(res.Body).Decode(into))
}
