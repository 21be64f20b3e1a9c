package mapping

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/mapping/record"
	"nailbridge/mapping/safety/safetytest"
)

// surgeryOf is a quiet surgery of the checked patient as the decoder gives it.
func surgeryOf(t *testing.T, id string, edit func(*record.Record)) Delivery {
	t.Helper()
	in := caseRecords(t, safetytest.Case{})
	r := in.Surgery.Record
	r.Record = id
	edit(r)
	return *readBack(t, r).Delivery
}

func TestD1_3_NoneKnownBesideAnAllergyIsFlagged(t *testing.T) {
	present := surgeryOf(t, "S-1", func(r *record.Record) {
		r.Surgery.Allergies = &record.Allergies{Status: "present", Items: []record.Allergy{{Substance: "latex"}}}
	})
	none := surgeryOf(t, "S-2", func(r *record.Record) {
		r.Surgery.Allergies = &record.Allergies{Status: "none-known"}
	})
	fold := func(ds ...Delivery) []string {
		res, err := FoldPatient(checkSettings(nil), PatientFold{Patient: checked, Deliveries: ds})
		require.NoError(t, err)
		var out []string
		for _, f := range res.Flags {
			if f.Case == "" {
				out = append(out, f.Code+" "+string(f.Level)+" "+issueSeverity(t, res.Resources, f.ID))
			}
		}
		return out
	}
	assert.Equal(t, []string{"contradiction warning moderate"}, fold(present, none))
	assert.Empty(t, fold(present))
	assert.Empty(t, fold(none))
}

func TestD1_3_EachDetailOfThePatientIsTheLatestStated(t *testing.T) {
	named := surgeryOf(t, "S-1", func(r *record.Record) {
		r.SavedAt = safetytest.When("2026-03-01T10:00:00Z")
		r.Patient.Name = &record.Name{Family: "Marsh"}
		r.Patient.Phone = "1"
	})
	bare := surgeryOf(t, "S-2", func(r *record.Record) {
		r.SavedAt = safetytest.When("2026-03-02T10:00:00Z")
		r.Patient.Phone = "2"
	})
	v := newPatientView(checkSettings(nil), PatientFold{Patient: checked, Deliveries: []Delivery{bare, named}})
	p := v.demographics()
	assert.Equal(t, "Marsh", p.Name.Family)
	assert.Equal(t, "2", p.Phone)
}
