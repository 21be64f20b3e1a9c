package mapping_test

import (
	"encoding/json"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/validate"
	"nailbridge/mapping"
	"nailbridge/mapping/record"
	"nailbridge/mapping/resource"
	"nailbridge/mapping/safety"
)

// overLimit are the flags that more dose or more time can only raise.
var overLimit = []string{safety.DoseOverLimit, safety.MixtureOverLimit, safety.DoseOver24h, safety.AdrenalineOverDental, safety.AdrenalineOverLimit, safety.TourniquetOverTime, safety.ContactLong}

// increase makes one amount of a surgery greater; false where it has none.
type increase struct {
	what  string
	apply func(s *record.Surgery) bool
}

var increases = []increase{
	{"a greater volume", func(s *record.Surgery) bool {
		for _, t := range s.Toes {
			if t.Block != nil && len(t.Block.Agents) > 0 && t.Block.Agents[0].ML != nil {
				t.Block.Agents[0].ML = more(t.Block.Agents[0].ML, "7.5")
				return true
			}
		}
		return false
	}},
	{"a greater strength", func(s *record.Surgery) bool {
		for _, t := range s.Toes {
			if t.Block != nil && len(t.Block.Agents) > 0 && t.Block.Agents[0].Percent != nil {
				t.Block.Agents[0].Percent = more(t.Block.Agents[0].Percent, "1.5")
				return true
			}
		}
		return false
	}},
	{"one more injection", func(s *record.Surgery) bool {
		for _, t := range s.Toes {
			if t.Block != nil && len(t.Block.Agents) > 0 {
				again := t.Block.Agents[0]
				again.Key = "one-more"
				t.Block.Agents = append(t.Block.Agents, again)
				return true
			}
		}
		return false
	}},
	{"a later release", func(s *record.Surgery) bool {
		for _, t := range s.Toes {
			if n := len(t.Tourniquets); n > 0 && t.Tourniquets[n-1].Off != nil && t.Tourniquets[n-1].Off.HasTime() {
				zone := worldSettings().Clinic.Zone
				off, _ := t.Tourniquets[n-1].Off.In(zone)
				w, _ := record.ParseWhen(off.Add(11 * time.Minute).Format(time.RFC3339))
				t.Tourniquets[n-1].Off = &w
				return true
			}
		}
		return false
	}},
	{"a longer contact", func(s *record.Surgery) bool {
		for _, t := range s.Toes {
			for _, b := range t.Borders {
				if b.Matrix != nil && len(b.Matrix.Applications) > 0 && b.Matrix.Applications[0].Seconds != nil {
					b.Matrix.Applications[0].Seconds = more(b.Matrix.Applications[0].Seconds, "100")
					return true
				}
			}
		}
		return false
	}},
}

func more(d *record.Decimal, by string) *record.Decimal {
	sum := d.Rat()
	sum.Add(sum, record.MustDecimal(by).Rat())
	n, _ := sum.FloatPrec()
	out := record.MustDecimal(sum.FloatString(n))
	return &out
}

// More dose or time never clears or lowers a flag of a limit passed.
func TestMoreNeverClearsAnOverLimitFlag(t *testing.T) {
	var mu sync.Mutex
	raised := map[string]int{}
	t.Run("all", func(t *testing.T) {
		eachPatient(t, 1, func(t *testing.T, p *folded) {
			var before []mapping.Flag
			for _, f := range p.result(t).Flags {
				if slices.Contains(overLimit, f.Code) {
					before = append(before, f)
					mu.Lock()
					raised[f.Code]++
					mu.Unlock()
				}
			}
			inc := increases[seeded(p.in.Patient.Value).IntN(len(increases))]
			if len(before) == 0 {
				return
			}
			after, ok := increased(t, p.in, inc)
			for _, f := range before {
				kept := slices.ContainsFunc(after.Flags, func(g mapping.Flag) bool { return g.ID == f.ID && g.Level == f.Level })
				assert.True(t, kept || !ok, "%s clears or lowers %s at %s of %s", inc.what, f.Code, f.Place, f.Case)
			}
		})
	})
	if !testing.Short() && sampled >= 500 {
		for _, code := range overLimit {
			// No set of the product has a ceiling of adrenaline that was read (D2.4),
			// and the set of this world none in 24 h; mapping/safety holds those flags
			// to the same with other sets.
			if code != safety.AdrenalineOverLimit && code != safety.DoseOver24h {
				assert.NotZero(t, raised[code], "no generated case raises %s", code)
			}
		}
	}
}

// increased folds a patient with one amount greater in every content of every
// surgery.
func increased(t *testing.T, in mapping.PatientFold, inc increase) (mapping.Result, bool) {
	out := in
	out.Deliveries = nil
	changed := false
	for _, d := range in.Deliveries {
		r := copyOf(t, d.Record)
		if r.Surgery != nil && inc.apply(r.Surgery) {
			changed = true
		}
		d.Record = r
		out.Deliveries = append(out.Deliveries, d)
	}
	if !changed {
		return mapping.Result{}, false
	}
	return fold(t, out), true
}

func copyOf(t testing.TB, r *record.Record) *record.Record {
	t.Helper()
	b, err := record.Encode(r)
	require.NoError(t, err)
	return record.Decode(b).Record
}

// D1.5: an amendment that names another patient moves the case: nothing of it
// is left with the old patient, visits that still name the old one wait with a
// critical flag, and no clinical id is shared.
func TestD1_5_ACaseMovesWithItsPatient(t *testing.T) {
	moves := 0
	for _, p := range foldedWorld() {
		res := p.result(t)
		for _, surgery := range res.Moved {
			moves++
			for _, f := range res.Flags {
				if slices.Contains(res.Waiting, f.Record) && f.Case == surgery && f.Code == "review-of-other-patient" {
					assert.Equal(t, mapping.Critical, f.Level)
				}
			}
			for _, w := range res.Waiting {
				if caseOf(p.in, w) == surgery {
					assert.True(t, slices.ContainsFunc(res.Flags, func(f mapping.Flag) bool {
						return f.Record == w && f.Code == "review-of-other-patient" && f.Level == mapping.Critical
					}), "%s waits without a flag", w)
				}
			}
			for _, c := range res.Cases {
				assert.NotEqual(t, surgery, c.Surgery)
			}
			for _, s := range res.Sources {
				assert.NotEqual(t, surgery, s.Record)
			}
			for ref, c := range res.CaseOf {
				if c == surgery {
					assert.NotContains(t, []string{"Procedure", "MedicationAdministration", "CarePlan", "Goal", "Consent"}, ref.Type)
				}
			}
		}
	}
	if !testing.Short() && sampled >= 500 {
		assert.NotZero(t, moves, "no generated case moves")
	}
	sharesNothing(t)
}

// sharesNothing holds that the folds of two patients share only what is folded
// per clinic.
func sharesNothing(t *testing.T) {
	owner := map[resource.Ref]string{}
	for _, p := range foldedWorld() {
		for _, r := range p.result(t).Resources {
			if mapping.FoldedPerClinic(r.Type()) {
				continue
			}
			if was := owner[r.Ref()]; was != "" {
				assert.Fail(t, "an id of two patients", "%s of %s and %s", r.Ref(), was, p.in.Patient.Value)
			}
			owner[r.Ref()] = p.in.Patient.Value
		}
	}
}

// caseOf is the surgery that a record of a patient names.
func caseOf(in mapping.PatientFold, id string) string {
	for _, d := range in.Deliveries {
		if d.Record.Record == id && d.Record.Review != nil {
			return d.Record.Review.Surgery
		}
		if d.Record.Record == id && d.Record.Contact != nil {
			return d.Record.Contact.Surgery
		}
	}
	return ""
}

// D6, D1.5: whatever the fold makes can be withdrawn, masked or not, and still
// passes the check; masked, it holds nothing the records say.
func TestD6_WhatIsMadeCanBeWithdrawn(t *testing.T) {
	s := worldSettings()
	stored := func(resource.Ref) bool { return true }
	eachPatient(t, 15, func(t *testing.T, p *folded) {
		for _, r := range p.result(t).Resources {
			for _, masked := range []bool{false, true} {
				out, changed, err := mapping.EnterInError(s, r, masked)
				require.NoError(t, err)
				if !changed {
					continue
				}
				_, issues := validate.Check([]resource.Resource{out}, stored, s.Terms, s.Codes)
				for _, i := range issues {
					assert.Fail(t, "what was withdrawn does not pass", "%s (masked %v): %s at %s: %s", i.Ref, masked, i.Key, i.Path, i.Text)
				}
				again, changed, err := mapping.EnterInError(s, out, masked)
				require.NoError(t, err)
				assert.False(t, changed, "withdrawn twice: %s", again.Ref())
			}
		}
	})
}

// What is made is JSON without nulls.
func TestFoldOutputIsJSON(t *testing.T) {
	eachPatient(t, 40, func(t *testing.T, p *folded) {
		for _, r := range p.result(t).Resources {
			assert.True(t, json.Valid(r.JSON()))
			assert.False(t, strings.Contains(string(r.JSON()), "null"), "%s holds null", r.Ref())
		}
	})
}
