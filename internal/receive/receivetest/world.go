// Package receivetest is a test aid: an intake over a real store in a
// temporary folder with a clock that stands still, and the records of an
// invented clinic.
package receivetest

import (
	"bytes"
	"context"
	"log/slog"
	"path/filepath"
	"slices"
	"sync"
	"testing"
	"time"
	_ "time/tzdata"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/receive"
	"nailbridge/internal/searchparam"
	"nailbridge/internal/store"
	"nailbridge/internal/store/sqlite"
	"nailbridge/internal/validate/jsontree"
	"nailbridge/mapping"
	"nailbridge/mapping/record"
	"nailbridge/mapping/resource"
	"nailbridge/mapping/safety"
	"nailbridge/mapping/terms"
)

// Base is the public base URL of the clinic's FHIR.
const Base = "https://bridge.example/fhir"

// World is one clinic's intake.
type World struct {
	testing.TB
	*receive.Receiver
	DB    *sqlite.DB
	Path  string // of the data file
	Now   time.Time
	Meter *Counts
	Log   *bytes.Buffer
	// Fault, if set, may fail an operation of the store by its name.
	Fault func(op string) error
}

// Settings are those of the clinic "north": zone Europe/London, ids in a fixed
// namespace, the free set of SNOMED CT, one regulator's limits, and no sharing
// unless it was stated.
func Settings(t testing.TB) mapping.Settings {
	zone, err := time.LoadLocation("Europe/London")
	require.NoError(t, err)
	limits, err := safety.Load("ie-smpc")
	require.NoError(t, err)
	return mapping.Settings{
		Namespace: uuid.MustParse("6f1c1f5e-4a6b-4d36-9a44-3a8f0b1c2d3e"),
		Terms:     terms.MustLoad(),
		Codes:     terms.Setting{HCPCS: true},
		Clinic: mapping.ClinicSettings{
			ID: "north", Name: "North Foot Clinic", Zone: zone, IdentifierBase: "https://north.example/id", Formulary: limits,
		},
	}
}

// New opens a world at noon of 2 March 2026, the day of the surgery of
// Surgery.
func New(t testing.TB, edits ...func(*mapping.Settings)) *World {
	t.Helper()
	return In(t, t.TempDir(), edits...)
}

// In is New over the data of a folder.
func In(t testing.TB, dir string, edits ...func(*mapping.Settings)) *World {
	t.Helper()
	w := &World{TB: t, Now: time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC), Meter: &Counts{}, Log: &bytes.Buffer{}}
	s := Settings(t)
	for _, e := range edits {
		e(&s)
	}
	w.Path = filepath.Join(dir, sqlite.File)
	var err error
	w.DB, err = sqlite.Open(t.Context(), sqlite.Options{
		Dir: dir, Busy: 50 * time.Millisecond, NewEpoch: func() string { return "e1" },
		Fault: func(op string) error {
			if w.Fault != nil {
				return w.Fault(op)
			}
			return nil
		},
	})
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, w.DB.Close()) })
	w.Receiver = &receive.Receiver{
		Store: w.DB, Settings: s, Index: searchparam.Index{Base: Base, Zone: s.Clinic.Zone},
		Clock: func() time.Time { return w.Now }, Meter: w.Meter,
		Log: slog.New(slog.NewTextHandler(w.Log, nil)),
	}
	return w
}

// Send receives one record, a second after the last and not before it was
// saved.
func (w *World) Send(body []byte) receive.Answer {
	w.Helper()
	w.Now = w.Now.Add(time.Second)
	if r := record.Read(body, w.Settings.Clinic.Zone).Record; r.SavedAt != nil {
		if at, _ := r.SavedAt.In(w.Settings.Clinic.Zone); at.After(w.Now) {
			w.Now = at
		}
	}
	a, err := w.Receive(w.Context(), body, false)
	require.NoError(w, err)
	return a
}

// At moves the clock.
func (w *World) At(rfc3339 string) {
	w.Helper()
	var err error
	w.Now, err = time.Parse(time.RFC3339, rfc3339)
	require.NoError(w, err)
}

// View runs fn on a snapshot.
func (w *World) View(fn func(r store.Reader) error) {
	w.Helper()
	require.NoError(w, w.DB.View(context.WithoutCancel(w.Context()), fn))
}

// Seq is the place of the last commit that a hub can see.
func (w *World) Seq() (n int64) {
	w.Helper()
	w.View(func(r store.Reader) error { n = r.Head().Seq; return nil })
	return n
}

// Resource is one published resource as a hub reads it.
type Resource struct {
	store.Version
	Tree map[string]any
}

// All gives every resource of a type that a hub finds, entered in error ones
// too, by id.
func (w *World) All(typ string) []Resource {
	w.Helper()
	var out []Resource
	w.View(func(r store.Reader) error {
		p, err := r.Search(store.Query{Type: typ, Count: 10000, Ascending: true})
		for _, v := range p.Versions {
			out = append(out, w.resource(v))
		}
		return err
	})
	return out
}

func (w *World) resource(v store.Version) Resource {
	w.Helper()
	x, err := resource.FromJSON(v.Body)
	require.NoError(w, err)
	return Resource{v, x.Tree()}
}

// Live gives those of All that are neither entered in error nor inactive.
func (w *World) Live(typ string) []Resource {
	w.Helper()
	var out []Resource
	for _, r := range w.All(typ) {
		if !r.InError() {
			out = append(out, r)
		}
	}
	return out
}

// One is the only live resource of a type.
func (w *World) One(typ string) Resource {
	w.Helper()
	rs := w.Live(typ)
	require.Len(w, rs, 1, typ)
	return rs[0]
}

// Published lists "Type/id" of every live resource but Provenance.
func (w *World) Published() map[string]Resource {
	w.Helper()
	out := map[string]Resource{}
	for _, typ := range searchparam.CareTypes() {
		if typ == "Provenance" {
			continue
		}
		for _, r := range w.Live(typ) {
			out[r.Ref.String()] = r
		}
	}
	return out
}

// Care lists "Type/id" of every live resource of patients but Provenance,
// sorted.
func (w *World) Care() []string {
	w.Helper()
	out := []string{}
	for ref, r := range w.Published() {
		if !mapping.FoldedPerClinic(r.Ref.Type) {
			out = append(out, ref)
		}
	}
	slices.Sort(out)
	return out
}

// InError reports a resource that is entered in error or inactive (D6). A Patient
// that another replaces is neither (D1.5).
func (r Resource) InError() bool {
	for _, name := range []string{"status", "lifecycleStatus"} {
		if r.Tree[name] == "entered-in-error" {
			return true
		}
	}
	return r.Tree["active"] == false && r.Ref.Type != "Patient" || Coded(r.Tree["verificationStatus"], "entered-in-error")
}

// Coded reports whether a Coding, a CodeableConcept or a list of them has the
// code.
func Coded(v any, code string) bool {
	switch v := v.(type) {
	case []any:
		for _, e := range v {
			if Coded(e, code) {
				return true
			}
		}
	case map[string]any:
		return v["code"] == code || Coded(v["coding"], code)
	}
	return false
}

// At follows names and indexes into a tree; nil where there is nothing.
func At(v any, path ...any) any { return jsontree.At(v, path...) }

// Issues gives the live DetectedIssues that have the flag code.
func (w *World) Issues(code string) []Resource {
	w.Helper()
	var out []Resource
	for _, r := range w.Live("DetectedIssue") {
		if Coded(At(r.Tree, "evidence", 0, "code"), code) {
			out = append(out, r)
		}
	}
	return out
}

// Open reports an issue tagged as open (D5.11).
func (r Resource) Open() bool { return Coded(At(r.Tree, "meta", "tag"), "open") }

// History gives every version of one resource that a hub can see, newest
// first.
func (w *World) History(ref resource.Ref) []store.Version {
	w.Helper()
	var out []store.Version
	w.View(func(r store.Reader) error {
		p, err := r.History(store.HistoryQuery{Type: ref.Type, ID: ref.ID, Count: 1000})
		out = p.Versions
		return err
	})
	return out
}

// Read reads one resource as a hub does.
func (w *World) Read(ref resource.Ref) (v store.Version, err error) {
	w.View(func(r store.Reader) error { v, err = r.Read(ref); return nil })
	return v, err
}

// VRead reads one version as a hub does.
func (w *World) VRead(ref resource.Ref, versionID string) (v store.Version, err error) {
	w.View(func(r store.Reader) error { v, err = r.VRead(ref, versionID); return nil })
	return v, err
}

// Counts is a receive.Meter that remembers.
type Counts struct {
	mu                             sync.Mutex
	Answers                        map[receive.Kind]int
	Held, HeldRed, Refused, RefRed int
	UnavailableN, FailedFolds      int
}

// Answered counts an answer.
func (c *Counts) Answered(k receive.Kind) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.Answers == nil {
		c.Answers = map[receive.Kind]int{}
	}
	c.Answers[k]++
}

// HeldRecord counts a held record.
func (c *Counts) HeldRecord(red bool) { c.add(&c.Held, &c.HeldRed, red) }

// RefusedRecord counts a refused record.
func (c *Counts) RefusedRecord(red bool) { c.add(&c.Refused, &c.RefRed, red) }

// Unavailable counts a delivery that could not be stored.
func (c *Counts) Unavailable() { c.add(&c.UnavailableN, nil, false) }

// FailedFold counts a fold that no arrival caused and that did not pass.
func (c *Counts) FailedFold() { c.add(&c.FailedFolds, nil, false) }

func (c *Counts) add(all, withRed *int, red bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	*all++
	if red {
		*withRed++
	}
}
