package generate

import (
	"reflect"
	"slices"
	"time"

	"nailbridge/mapping/followup"
	"nailbridge/mapping/record"
)

// visitRecords makes the reviews and contacts of a case, each as its first
// final content.
func (m *maker) visitRecords(surgery *record.Record) []*record.Record {
	sitting := m.at
	protocol := followup.Lookup(surgery.Surgery.Protocol)
	if protocol == nil {
		protocol = followup.Lookup("partial-avulsion-chemical-ablation")
	}
	var names []string
	for _, step := range protocol.Steps {
		names = append(names, step.ID)
	}
	var out []*record.Record
	for i := 0; i < len(names) && m.chance(0.72); i++ {
		when := protocol.Steps[i].When
		days := when.Months*30 + when.Days
		if m.chance(0.15) { // after its window
			days += 4 + days/2
		}
		m.at = sitting.AddDate(0, 0, days).Add(time.Duration(m.IntN(180)) * time.Minute)
		r := m.reviewRecord(surgery, names[i], i >= 3)
		out = append(out, r)
		if r.Review.Attendance == "did-not-attend" && m.chance(0.6) {
			m.at = m.at.AddDate(0, 0, 2+m.IntN(5))
			recall := m.reviewRecord(surgery, followup.OpenedID(r.Record, "recall"), i >= 3)
			recall.Review.Attendance = "attended"
			out = append(out, recall)
		}
	}
	for m.chance(0.5) && len(out) < 9 {
		m.at = sitting.Add(time.Duration(1+m.IntN(60)) * day).Add(time.Duration(m.IntN(600)) * time.Minute)
		out = append(out, m.contactRecord(surgery, pick(m, names)))
	}
	if m.chance(0.03) {
		for _, r := range out {
			r.Review, r.Contact = elsewhere(r.Review, r.Contact)
		}
	}
	m.at = sitting
	return out
}

// elsewhere makes the visits of a surgery that nobody knows.
func elsewhere(v *record.Review, k *record.Contact) (*record.Review, *record.Contact) {
	const unknown = "S-unknown"
	if v != nil {
		v.Surgery = unknown
	}
	if k != nil {
		k.Surgery = unknown
	}
	return v, k
}

func (m *maker) reviewRecord(surgery *record.Record, activity string, late bool) *record.Record {
	r := m.newRecord("review")
	v := &record.Review{}
	m.fill(reflect.ValueOf(v).Elem(), "/review")
	r.Review = v
	v.Surgery = surgery.Record
	if v.Attendance != "" && m.chance(0.7) {
		v.Attendance = "attended"
	}
	if m.chance(0.4) {
		v.Activity = m.activity(surgery, activity)
	}
	v.Toes = m.findings(surgery, v.Toes, "/review/toes/*")
	switch v.Attendance {
	case "did-not-attend", "cancelled", "rebooked":
		m.notAttended(v)
	default:
		if late && m.chance(0.7) {
			m.dischargeAll(v.Toes)
		}
	}
	return r
}

// notAttended leaves what a review has that did not take place.
func (m *maker) notAttended(v *record.Review) {
	if !m.chance(0.05) {
		v.Toes = nil
	}
	if m.chance(0.6) {
		v.Reason = m.text(rules["Review.reason"])
	}
	if v.Attendance != "did-not-attend" && m.chance(0.8) {
		v.CancelledBy = pick(m, []record.Code{"patient", "clinic"})
	}
	if v.Attendance == "rebooked" && m.chance(0.8) || m.chance(0.3) {
		v.NextReview = &record.PlannedReview{}
		m.value(reflect.ValueOf(v).Elem().FieldByName("NextReview"), "/review/nextReview", rule{})
	}
}

// activity names a planned review: by its protocol step, by the key under which
// the surgery planned it, or wrongly.
func (m *maker) activity(surgery *record.Record, step string) string {
	planned := surgery.Surgery.PlannedReviews
	switch {
	case len(planned) > 0 && planned[0].Key != "" && m.chance(0.3):
		return followup.OpenedID(surgery.Record, planned[0].Key)
	case m.chance(0.08):
		return "week-99"
	}
	return step
}

// findings puts the toes operated on in place of those drawn, mostly.
func (m *maker) findings(surgery *record.Record, drawn []record.ToeFindings, path string) []record.ToeFindings {
	if len(drawn) == 0 || m.chance(0.08) {
		return drawn
	}
	for i, t := range surgery.Surgery.Toes {
		if i == len(drawn) {
			more := reflect.New(reflect.TypeFor[record.ToeFindings]()).Elem()
			m.value(more, path, rule{})
			drawn = append(drawn, more.Interface().(record.ToeFindings))
		}
		f := &drawn[i]
		f.Side, f.Digit = t.Side, t.Digit
		for j := range f.Borders {
			if j < len(t.Borders) && f.Borders[j].Border != "" && !m.chance(0.05) {
				f.Borders[j].Border = t.Borders[j].Border
				f.Borders[j].Key = keep(f.Borders[j].Key, t.Borders[j].Key)
			}
		}
		if len(t.Borders) > 0 {
			f.Borders = slices.Clip(f.Borders[:min(len(f.Borders), len(t.Borders))])
		}
	}
	return drawn
}

// dischargeAll discharges every border looked at.
func (m *maker) dischargeAll(toes []record.ToeFindings) {
	for i := range toes {
		for j := range toes[i].Borders {
			b := &toes[i].Borders[j]
			if b.Discharge == nil {
				m.value(reflect.ValueOf(b).Elem().FieldByName("Discharge"), "/review/toes/*/borders/*/discharge", rule{})
			}
			if m.chance(0.8) {
				b.WoundStage = record.Code(keep(string(b.WoundStage), "healed"))
			}
		}
	}
}

func (m *maker) contactRecord(surgery *record.Record, activity string) *record.Record {
	r := m.newRecord("contact")
	k := &record.Contact{}
	m.fill(reflect.ValueOf(k).Elem(), "/contact")
	r.Contact = k
	k.Surgery = surgery.Record
	if k.CountsReview && m.chance(0.5) || m.chance(0.05) {
		k.Activity = m.activity(surgery, activity)
	}
	k.Toes = m.findings(surgery, k.Toes, "/contact/toes/*")
	return r
}
