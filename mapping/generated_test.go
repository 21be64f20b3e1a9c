package mapping_test

import (
	"encoding/json"
	"hash/fnv"
	"maps"
	"math/rand/v2"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"
	_ "time/tzdata"

	"github.com/stretchr/testify/require"

	"nailbridge/internal/generate"
	"nailbridge/internal/generate/generatetest"
	"nailbridge/mapping"
	"nailbridge/mapping/record"
	"nailbridge/mapping/resource"
)

// worldSeed is the seed of the generated cases; another finds other cases.
const worldSeed = 20240331

// worldSettings are the settings of the invented clinic of the generator.
var worldSettings = generatetest.Settings

// world is every patient of the generated cases with all deliveries of every
// record id that ever named the patient.
type world []mapping.PatientFold

var wholeWorld = sync.OnceValue(func() world {
	n := sampled
	if testing.Short() {
		n = min(n, 40)
	}
	return newWorld(generate.Cases(worldSeed, n, generate.Options{Zone: worldSettings().Clinic.Zone}))
})

func newWorld(cases [][]*record.Record) world {
	out := world(mapping.Join(worldSettings(), generatetest.ByPatient(cases, deliver)))
	var staff []mapping.StaffStatement
	for _, f := range out {
		staff = append(staff, mapping.StaffPublished(worldSettings(), f)...)
	}
	for i := range out {
		out[i].Staff = named(staff, slices.Concat(out[i].Deliveries, out[i].Merges))
	}
	slices.SortFunc(out, func(a, b mapping.PatientFold) int { return strings.Compare(a.Patient.Key(), b.Patient.Key()) })
	return out
}

// named are the statements about the persons that the deliveries name.
func named(staff []mapping.StaffStatement, ds []mapping.Delivery) []mapping.StaffStatement {
	keys := map[string]bool{}
	for _, d := range ds {
		for _, key := range mapping.StaffNamed(d.Record) {
			keys[key] = true
		}
	}
	return slices.DeleteFunc(slices.Clone(staff), func(s mapping.StaffStatement) bool { return !keys[s.Person.Key()] })
}

// deliver sends a record through the door: bytes, reading, checking, hash. It
// arrives minutes after it was saved; one in thirty comes from a clock that
// runs ahead.
func deliver(r *record.Record) mapping.Delivery {
	b, err := record.Encode(r)
	if err != nil {
		panic(err)
	}
	return deliverBytes(b)
}

func deliverBytes(b []byte) mapping.Delivery {
	zone := worldSettings().Clinic.Zone
	d := record.Read(b, zone)
	received := time.Date(2025, 6, 1, 9, 0, 0, 0, time.UTC)
	if s := d.Record.SavedAt; s != nil {
		received, _ = s.In(zone)
	}
	h := fnv.New64()
	h.Write(b)
	r := rand.New(rand.NewPCG(h.Sum64(), 1))
	received = received.Add(time.Duration(1+r.IntN(90)) * time.Minute)
	if r.IntN(30) == 0 {
		received = received.Add(-3 * time.Hour)
	}
	return mapping.Delivery{Record: d.Record, Findings: d.Findings, Hash: d.Hash, Received: received, Refused: d.Refused()}
}

// fold folds a patient and fails the test on an error.
func fold(t testing.TB, in mapping.PatientFold) mapping.Result {
	t.Helper()
	res, err := mapping.FoldPatient(worldSettings(), in)
	require.NoError(t, err)
	return res
}

// picture is all of a fold's own output in a form to compare: what D1.4 does
// not compare is left out.
func picture(t testing.TB, res mapping.Result) map[string]string {
	t.Helper()
	out := map[string]string{}
	for _, r := range res.Resources {
		out[r.Ref().String()] = string(r.JSON()) + " of case " + res.CaseOf[r.Ref()]
	}
	put := func(name string, v any) {
		b, err := json.Marshal(v)
		require.NoError(t, err)
		out[name] = string(b)
	}
	put("flags", res.Flags)
	put("figures", res.Figures)
	put("cases", res.Cases)
	put("sources", res.Sources)
	put("waiting", slices.Sorted(slices.Values(res.Waiting)))
	put("moved", slices.Sorted(slices.Values(res.Moved)))
	put("shared", []any{res.Shared, res.SharingBasis})
	return out
}

// differences lists what two pictures do not share, briefly.
func differences(a, b map[string]string) []string {
	var out []string
	for _, k := range slices.Sorted(maps.Keys(a)) {
		switch v, ok := b[k]; {
		case !ok:
			out = append(out, "only in the first: "+k)
		case v != a[k]:
			out = append(out, k+":\n  "+around(a[k], v)+"\n  "+around(v, a[k]))
		}
	}
	for _, k := range slices.Sorted(maps.Keys(b)) {
		if _, ok := a[k]; !ok {
			out = append(out, "only in the second: "+k)
		}
	}
	return out
}

// around is the part of a in which it begins to differ from b.
func around(a, b string) string {
	i := 0
	for i < len(a) && i < len(b) && a[i] == b[i] {
		i++
	}
	return a[max(0, i-120):min(len(a), i+160)]
}

// folded is a patient with its fold, made once for all properties.
type folded struct {
	in  mapping.PatientFold
	res func() (mapping.Result, error)
}

// result is the fold of the patient. Its resources are made anew each time, so
// that the trees which a check reads are not kept for all patients.
func (f *folded) result(t testing.TB) mapping.Result {
	t.Helper()
	res, err := f.res()
	require.NoError(t, err)
	anew := make([]resource.Resource, len(res.Resources))
	for i, r := range res.Resources {
		anew[i], err = resource.FromJSON(r.JSON())
		require.NoError(t, err)
	}
	res.Resources = anew
	return res
}

var foldedWorld = sync.OnceValue(func() []*folded {
	var out []*folded
	for _, in := range wholeWorld() {
		out = append(out, &folded{in, sync.OnceValues(func() (mapping.Result, error) {
			return mapping.FoldPatient(worldSettings(), in)
		})})
	}
	return out
})

// eachPatient runs a check on every nth patient of the world, in parts at a
// time.
func eachPatient(t *testing.T, nth int, check func(t *testing.T, p *folded)) {
	t.Helper()
	all := foldedWorld()
	const parts = 4
	for part := range parts {
		t.Run("part", func(t *testing.T) {
			t.Parallel()
			for i := part * nth; i < len(all); i += parts * nth {
				if check(t, all[i]); t.Failed() {
					t.Logf("patient %s", all[i].in.Patient.Value)
					return
				}
			}
		})
	}
}
