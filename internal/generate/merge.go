package generate

import (
	"fmt"
	"slices"

	"nailbridge/mapping/record"
)

// mergeRecords are those by which the practice system joins the patient's number
// to another: that of the case before, or one of which nothing else is sent. Some
// say it the other way round too, which only one of the two can be right in. They
// come last, and are drawn last, so that the case is what it is without them.
func (m *maker) mergeRecords(after []saved) []saved {
	if !m.chance(0.06) || m.scenario.historical {
		return nil
	}
	if len(after) > 0 {
		m.at = after[len(after)-1].at
	}
	other := m.number(m.o.Number - 1)
	if m.o.Number < 2 || *other == *m.patient.Identifier || m.chance(0.3) {
		other = m.number(m.o.Number + 700000)
	}
	by, old := m.patient.Identifier, other
	if m.chance(0.5) {
		by, old = old, by
	}
	out := m.history(m.mergeRecord(by, old))
	if m.chance(0.2) {
		out = append(out, m.history(m.mergeRecord(old, by))...)
	}
	slices.SortStableFunc(out, func(a, b saved) int { return a.at.Compare(b.at) })
	return out
}

func (m *maker) mergeRecord(by, old *record.Identifier) *record.Record {
	r := m.newRecord("merge")
	r.Sharing = ""
	if *by != *m.patient.Identifier {
		r.Patient = &record.Patient{}
	}
	who := *by
	r.Patient.Identifier = &who
	r.Merge = &record.Merge{Replaces: []record.Identifier{*old}}
	return r
}

// number is a patient's number at the clinic.
func (m *maker) number(n int) *record.Identifier {
	return &record.Identifier{System: "https://" + m.o.Clinic + ".example/id/patient", Value: fmt.Sprintf("P-%05d", n)}
}
