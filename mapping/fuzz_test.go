package mapping_test

import (
	"bytes"
	"maps"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/generate"
	"nailbridge/internal/validate"
	"nailbridge/mapping"
	"nailbridge/mapping/record"
	"nailbridge/mapping/resource"
)

// FuzzFold holds for any lines of records: what can be read is folded without
// a fault, for each patient named, and passes the bridge's own check. What is
// refused is there too, and never folded.
func FuzzFold(f *testing.F) {
	for _, c := range generate.Cases(worldSeed, 10, generate.Options{Zone: worldSettings().Clinic.Zone}) {
		var lines bytes.Buffer
		for _, r := range c[:min(len(c), 4)] {
			b, err := record.Encode(r)
			require.NoError(f, err)
			lines.Write(append(b, '\n'))
		}
		f.Add(lines.Bytes())
	}
	s := worldSettings()
	nothing := func(resource.Ref) bool { return false }
	f.Fuzz(func(t *testing.T, b []byte) {
		folds := map[record.Identifier]*mapping.PatientFold{}
		var all []mapping.Delivery
		for i, line := range bytes.Split(b, []byte("\n")) {
			if d := deliverBytes(line); i < 6 && d.Record.Record != "" {
				all = append(all, d)
			}
		}
		for _, d := range all {
			if p := d.Record.Patient; p != nil && p.Identifier != nil && folds[*p.Identifier] == nil {
				folds[*p.Identifier] = &mapping.PatientFold{Patient: *p.Identifier, Deliveries: all}
			}
		}
		for _, p := range slices.SortedFunc(maps.Keys(folds), func(a, b record.Identifier) int { return bytes.Compare([]byte(a.Key()), []byte(b.Key())) }) {
			in := folds[p]
			res, err := mapping.FoldPatient(s, *in)
			require.NoError(t, err)
			_, issues := validate.Check(res.Resources, nothing, s.Terms, s.Codes)
			for _, i := range issues {
				assert.Fail(t, "the fold's output does not pass", "%s: %s at %s: %s", i.Ref.Type, i.Key, i.Path, i.Text)
			}
		}
	})
}
