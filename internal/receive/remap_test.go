package receive_test

import (
	"bytes"
	"os"
	"path/filepath"
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
			written := 0
			for ref, r := range w.Published() {
				if was, ok := before[ref]; !ok || was.VersionID != r.VersionID {
					written++
				}
			}
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
