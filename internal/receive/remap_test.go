package receive_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/receive"
	rt "nailbridge/internal/receive/receivetest"
	"nailbridge/mapping"
	"nailbridge/mapping/safety"
	"nailbridge/mapping/terms"
)

const confirmedBlock = `{"codes":[{"code":"26402001","display":"Nerve block anesthesia","edition":"an invented edition","date":"2026-02-01",
	"confirmedBy":"A. Quill","list":"block-technique","local":"digital-block","equivalence":"wider"}]}`

// D7.2 and the re-map: the count of each change is written here beforehand, for
// two patients with one digital block and one plan each; the dry run tells it,
// the store then has that many new versions, and every other resource keeps its own.
func TestD7_2_RemapCountsWhatItWrites(t *testing.T) {
	for name, c := range map[string]struct {
		edit func(*mapping.Settings)
		path string
		want int
	}{
		"a changed display": {func(s *mapping.Settings) { s.Terms = anotherDisplay(t) }, "Procedure.code.coding.display", 2},
		"a confirmed code": {func(s *mapping.Settings) {
			var err error
			s.Terms, err = s.Terms.Confirm("/somewhere/own.json", []byte(confirmedBlock))
			require.NoError(t, err)
		}, "Procedure.code.coding.code", 2},
		"a formulary": {func(s *mapping.Settings) {
			var err error
			s.Clinic.Formulary, err = safety.Load("us-label")
			require.NoError(t, err)
		}, "Device.property.valueCode.text", 1},
		"a window": {func(s *mapping.Settings) { s.Protocols = laterWeek(t) }, "CarePlan.activity.detail.scheduledPeriod.end", 2},
	} {
		t.Run(name, func(t *testing.T) {
			w := rt.New(t, func(s *mapping.Settings) { s.Codes.SnomedCT = terms.Licensed })
			require.False(t, outdated(t, w))
			w.Send(rt.Surgery())
			w.Send(rt.Surgery(rt.Record("S-2"), rt.Patient("P-2")))
			set(w, c.edit)
			before, seq := w.Published(), w.Seq()
			dry, err := w.DryRemap(t.Context())
			require.NoError(t, err)
			assert.Equal(t, seq, w.Seq(), "a dry run writes nothing")
			assert.Contains(t, dry.Elements, receive.RemappedElements{Path: c.path, Versions: c.want})
			done, err := w.Remap(t.Context(), nil)
			require.NoError(t, err)
			assert.Len(t, done.Causes, 1, "one part changed")
			written, changed := 0, 0
			for ref, r := range w.Published() {
				was, ok := before[ref]
				if ok && was.VersionID == r.VersionID {
					continue
				}
				written++
				if typ, path, _ := strings.Cut(c.path, "."); ok && strings.HasPrefix(ref, typ+"/") && !reflect.DeepEqual(leaves(was.Tree, path), leaves(r.Tree, path)) {
					changed++
				}
			}
			assert.Equal(t, c.want, changed, "versions of the store in which the element is another")
			for _, x := range done.Types {
				if x.Type == "Provenance" {
					written += x.Created
				}
			}
			assert.Equal(t, done.Versions, written, "versions of the store")
			done.DryRun = true
			assert.Equal(t, dry, done)
			assert.False(t, outdated(t, w), "a start finds nothing left to do")
		})
	}
}

// leaves are the values at a path of a resource, through every list.
func leaves(tree map[string]any, path string) []any {
	at := []any{tree}
	for _, name := range strings.Split(path, ".") {
		var next []any
		for _, v := range at {
			m, _ := v.(map[string]any)
			switch x := m[name].(type) {
			case nil:
			case []any:
				next = append(next, x...)
			default:
				next = append(next, x)
			}
		}
		at = next
	}
	return at
}

// A re-map that is cut off goes on where it was, and counts the same in the end.
func TestD7_2_ARemapGoesOnWhereItWas(t *testing.T) {
	world := func() *rt.World {
		w := rt.New(t, func(s *mapping.Settings) { s.Codes.SnomedCT = terms.Licensed })
		require.False(t, outdated(t, w))
		w.Send(rt.Surgery())
		w.Send(rt.Surgery(rt.Record("S-2"), rt.Patient("P-2")))
		w.Send(rt.Surgery(rt.Record("S-3"), rt.Patient("P-3")))
		set(w, func(s *mapping.Settings) { s.Terms = anotherDisplay(t) })
		return w
	}
	whole, err := world().Remap(t.Context(), nil)
	require.NoError(t, err)
	require.Equal(t, 3, whole.Patients)
	w := world()
	cut := errors.New("cut off")
	for _, after := range []int{1, 4, 1} { // in what is said of the staff, after one fold, after one more
		pauses := 0
		_, err := w.Remap(t.Context(), &receive.Pace{Patients: 1, Pause: func(context.Context) error {
			if pauses++; pauses == after {
				return cut
			}
			return nil
		}})
		require.ErrorIs(t, err, cut)
	}
	assert.True(t, outdated(t, w), "not all is done")
	assert.Equal(t, 2, blocksAgain(w), "two of three are folded")
	seq := w.Seq()
	done, err := w.Remap(t.Context(), nil)
	require.NoError(t, err)
	assert.Equal(t, whole, done, "the sum of all three")
	assert.Greater(t, w.Seq(), seq)
	assert.False(t, outdated(t, w))
}

// blocksAgain are how many Procedures have a second version: the block of each
// patient who was folded again.
func blocksAgain(w *rt.World) (n int) {
	for _, r := range w.Live("Procedure") {
		if r.Number == 2 {
			n++
		}
	}
	return n
}

// The pace is that of a run over all its clinics, by a pause that the test gives:
// of three patients and two, each is done twice, for what it says of the staff
// and for its fold, so that four at a time make two pauses.
func TestD7_2_OnePaceIsForAllClinicsOfARun(t *testing.T) {
	north := rt.New(t)
	south := *north.Receiver
	south.Settings.Clinic.ID, south.Settings.Clinic.IdentifierBase = "south", "https://south.example/id"
	for _, v := range []*receive.Receiver{north.Receiver, &south} {
		_, err := v.Outdated(t.Context())
		require.NoError(t, err)
		for i := range map[string]int{"north": 3, "south": 2}[v.Settings.Clinic.ID] {
			a, err := v.Receive(t.Context(), rt.Surgery(rt.Set("/clinic", v.Settings.Clinic.ID), rt.Record(fmt.Sprint("S-", i)), rt.Patient(fmt.Sprint("P-", i))), false)
			require.NoError(t, err)
			require.Equal(t, receive.Stored, a.Answer)
		}
	}
	folds := []int{0} // between pauses
	fold := func(s mapping.Settings, in mapping.PatientFold) (mapping.Result, error) {
		folds[len(folds)-1]++
		return mapping.FoldPatient(s, in)
	}
	pace := &receive.Pace{Patients: 4, Pause: func(context.Context) error { folds = append(folds, 0); return nil }}
	for _, v := range []*receive.Receiver{north.Receiver, &south} {
		v.Fold, v.Settings.Codes.HCPCS = fold, !v.Settings.Codes.HCPCS
		done, err := v.Remap(t.Context(), pace)
		require.NoError(t, err)
		assert.Positive(t, done.Versions)
	}
	assert.Equal(t, []int{1, 2, 2}, folds, "each patient is folded once")
}

// A dry run counts the versions of people whom several patients' records name, as
// they will be: once, and by what is still said of them (D1.3, D3.1).
func TestD7_2_ADryRunCountsTheStaff(t *testing.T) {
	person := func(family, role string) rt.Edit {
		return rt.Set("/author", map[string]any{"registration": map[string]any{"system": "https://register.example/podiatry", "value": "R-1"}, "name": map[string]any{"family": family}, "role": role})
	}
	w := rt.New(t, basis)
	require.False(t, outdated(t, w))
	w.Send(rt.Surgery(person("Quill", "podiatrist")))
	w.Send(silent(rt.Record("S-2"), rt.Patient("P-2"), rt.Saved("2026-03-02T11:40:00Z"), person("Sedge", "nurse")))
	before := staffVersions(w)
	require.Contains(t, before.named, "Sedge", "the later word")
	set(w, noBasis)
	dry, err := w.DryRemap(t.Context())
	require.NoError(t, err)
	done, err := w.Remap(t.Context(), nil)
	require.NoError(t, err)
	after := staffVersions(w)
	assert.NotContains(t, after.named, "Sedge", "who said so is not shared")
	assert.Contains(t, after.named, "Quill")
	for _, typ := range []string{"Practitioner", "PractitionerRole"} {
		n := 0
		for _, x := range dry.Types {
			if x.Type == typ {
				n = x.Created + x.Updated + x.EnteredInError + x.Removed
			}
		}
		assert.Positive(t, n, typ)
		assert.Equal(t, after.versions[typ]-before.versions[typ], n, "%s: versions of the store", typ)
	}
	done.DryRun = true
	assert.Equal(t, dry, done)
}

// staffState is what is published of the staff: all text, and by type how many
// versions there are.
type staffState struct {
	named    string
	versions map[string]int
}

func staffVersions(w *rt.World) staffState {
	out := staffState{versions: map[string]int{}}
	for _, r := range w.Published() {
		if typ := r.Ref.Type; typ == "Practitioner" || typ == "PractitionerRole" {
			out.named += string(r.Body)
			out.versions[typ] += int(r.Number)
		}
	}
	return out
}

// anotherDisplay are the code maps with another display of one local code.
func anotherDisplay(t *testing.T) *terms.Terms {
	dir := t.TempDir()
	require.NoError(t, os.CopyFS(filepath.Join(dir, "data"), os.DirFS("../../mapping/terms/data")))
	for _, f := range []string{"codesystem", "conceptmap"} {
		rewrite(t, filepath.Join(dir, "data", f, "block-technique.json"))
	}
	out, err := terms.LoadFrom(os.DirFS(dir))
	require.NoError(t, err)
	return out
}

func rewrite(t *testing.T, path string) {
	b, err := os.ReadFile(path)
	require.NoError(t, err)
	require.Contains(t, string(b), `"Digital block"`)
	require.NoError(t, os.WriteFile(path, bytes.ReplaceAll(b, []byte(`"Digital block"`), []byte(`"Digital nerve block"`)), 0o600))
}
