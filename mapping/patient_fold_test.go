package mapping

import (
	"slices"
	"testing"
	"time"

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

func (d Delivery) at(received time.Time) Delivery {
	d.Received = received
	return d
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

// D3.1, D1.1: a decline without saved-at ranks below every dated agreement, and
// is told of where it came after that was stated; one that was restated since,
// or that counts, is not.
func TestD3_1_ADeclineWithoutADate(t *testing.T) {
	came := func(at time.Time, saved, word, id string) Delivery {
		return surgeryOf(t, id, func(r *record.Record) {
			if r.Sharing, r.SavedAt = record.Code(word), nil; saved != "" {
				r.SavedAt = safetytest.When(saved)
			}
		}).at(at)
	}
	hour := func(h int) time.Time { return time.Date(2026, 3, 2, h, 0, 0, 0, time.UTC) }
	agreed := came(hour(10), "2026-03-02T10:00:00Z", "agreed", "S-1")
	for _, c := range []struct {
		name    string
		other   Delivery
		shared  bool
		flagged []string
	}{
		{"came later", came(hour(11), "", "declined", "S-2"), true, []string{"sharing-undated"}},
		{"came before it", came(hour(9), "", "declined", "S-2"), true, nil},
		{"dated", came(hour(11), "2026-03-02T11:00:00Z", "declined", "S-2"), false, nil},
		{"agrees", came(hour(11), "", "agreed", "S-2"), true, nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := decideSharing([]Delivery{c.other, agreed}, checked, checkSettings(nil).Clinic)
			assert.Equal(t, c.shared, s.Shared)
			assert.Equal(t, s, decideSharing([]Delivery{agreed, c.other}, checked, checkSettings(nil).Clinic))
			var codes []string
			for _, x := range sharingSignals(s) {
				codes = append(codes, x.Code)
				assert.Equal(t, Critical, x.Level)
			}
			assert.Equal(t, c.flagged, codes)
		})
	}
	both := []Delivery{came(hour(9), "", "agreed", "S-3"), came(hour(11), "", "declined", "S-2")}
	s := decideSharing(both, checked, checkSettings(nil).Clinic)
	assert.True(t, s.Shared, "of two without a date the greater record id counts")
	assert.Len(t, sharingSignals(s), 1)
}

// D3.1 and D2.1: the word that counts is the latest by (saved-at, record,
// revision, hash), one that cannot be read among them, in any order of arrival.
func TestD3_1_AnUnreadableWordIsAWord(t *testing.T) {
	said := func(at, word string) Delivery {
		text := `{"clinic":"clinic","record":"S-1","savedAt":"` + at + `","kind":"surgery","status":"final","sharing":` + word + `,
		  "author":{"staffKey":"a"},"patient":{"identifier":{"system":"` + checked.System + `","value":"` + checked.Value + `"}},"surgery":{}}`
		d := record.Read([]byte(text), safetytest.Zone)
		return Delivery{Record: d.Record, Findings: d.Findings, Hash: d.Hash, Received: time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC), Refused: d.Refused()}
	}
	first, second := "2025-01-01T10:00:00Z", "2025-01-02T10:00:00Z"
	for _, c := range []struct {
		name   string
		ds     []Delivery
		shared bool
	}{
		{"misspelt", []Delivery{said(first, `"agred"`)}, false},
		{"of another type", []Delivery{said(first, `true`)}, false},
		{"empty is absent", []Delivery{said(first, `""`)}, true},
		{"null is absent", []Delivery{said(first, `null`)}, true},
		{"agreed after it", []Delivery{said(first, `"nein"`), said(second, `"agreed"`)}, true},
		{"agreed before it", []Delivery{said(first, `"agreed"`), said(second, `"nein"`)}, false},
		{"absent after it", []Delivery{said(first, `"nein"`), said(second, `""`)}, false},
		{"under a name of another case", []Delivery{said(first, `"","Sharing":"declined"`)}, false},
		{"declined in what says twice what it is", []Delivery{said(first, `"declined","status":"draft"`)}, false},
		{"twice in a refused content", []Delivery{said(first, `"agreed","sharing":"agreed"`)}, false},
	} {
		s := checkSettings(nil).Clinic
		s.ShareUnstated = "a basis"
		assert.Equal(t, c.shared, decideSharing(c.ds, checked, s).Shared, c.name)
		slices.Reverse(c.ds)
		assert.Equal(t, c.shared, decideSharing(c.ds, checked, s).Shared, "%s, the other way round", c.name)
	}
}
