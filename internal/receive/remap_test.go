package receive_test

import (
	"bytes"
	"context"
	"errors"
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
			done, err := w.Remap(t.Context(), receive.Pace{})
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
	whole, err := world().Remap(t.Context(), receive.Pace{})
	require.NoError(t, err)
	require.Equal(t, 3, whole.Patients)
	w := world()
	cut := errors.New("cut off")
	for range 2 {
		_, err := w.Remap(t.Context(), receive.Pace{Patients: 1, Pause: func(context.Context) error { return cut }})
		require.ErrorIs(t, err, cut)
	}
	assert.True(t, outdated(t, w), "not all is done")
	seq := w.Seq()
	done, err := w.Remap(t.Context(), receive.Pace{})
	require.NoError(t, err)
	assert.Equal(t, whole, done, "the sum of all three")
	assert.Greater(t, w.Seq(), seq)
	assert.False(t, outdated(t, w))
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
