package safetytest

import (
	"encoding/json"
	"fmt"
	"slices"
	"time"

	"nailbridge/mapping/record"
	"nailbridge/mapping/safety"
)

// Records are the case as a clinic sends it, for one patient who agreed to
// sharing: the surgery S-1, the other surgeries S-01, S-02 and so on, and the
// review R-1, if there is one.
func (c Case) Records(clinic string, patient record.Identifier) []*record.Record {
	born := (*record.When)(nil)
	surgery := c.Surgery()
	if m := c.AgeMonths(); m != nil {
		at := surgery.Start
		day := time.Date(at.Year, time.Month(at.Month)-time.Month(*m), min(at.Day, 28), 0, 0, 0, 0, time.UTC)
		born = When(day.Format(time.DateOnly))
	}
	head := func(id string, kind record.Code) *record.Record {
		n := int64(1)
		return &record.Record{
			SchemaVersion: record.SchemaVersion, Clinic: clinic, Record: id, Revision: &n, Kind: kind, Status: "final",
			Author:  &record.Person{StaffKey: "pod-1"},
			Patient: &record.Patient{Identifier: &patient, BirthDate: born, Gender: c.Sex}, Sharing: "agreed",
		}
	}
	first := head("S-1", "surgery")
	first.Surgery = surgery
	out := []*record.Record{first}
	for i, o := range c.Others() {
		r := head(fmt.Sprintf("S-0%d", i+1), "surgery")
		r.Surgery = o
		out = append(out, r)
	}
	if c.FirstReview != "" {
		r := head("R-1", "review")
		r.Review = &record.Review{Surgery: "S-1", Attendance: "attended", At: When(c.FirstReview), Mode: "in-person"}
		out = append(out, r)
	}
	return out
}

// FormularyFile is a set as the setting "formulary" takes it: its name, or for a
// set of tests a file of the clinic's own. ok is false for a set that no clinic
// can have: its figures were not all read, or are no decimals.
func FormularyFile(name string) (setting string, file []byte, ok bool) {
	i := slices.IndexFunc(testSets, func(s testSet) bool { return s.name == name })
	if i < 0 {
		return name, nil, true
	}
	s := testSets[i]
	var entries []map[string]any
	for _, l := range s.limits {
		e := map[string]any{"agent": string(l.agent), "vasoconstrictor": l.vasoconstrictor, "source": s.source, "section": l.section, "tag": s.tag}
		if s.fromYears > 0 {
			e["fromYears"] = s.fromYears
		}
		if s.interval > 0 {
			e["intervalMinutes"] = s.interval
		}
		for member, figure := range map[string]string{"mgPerKg": l.mgPerKg, "ceilingMg": l.ceiling} {
			if figure != "" {
				e[member] = figure
			}
		}
		entries = append(entries, e)
	}
	doc := map[string]any{
		"name": s.name, "title": s.source, "issuer": s.source, "kind": "local", "date": "2024", "approvedBy": "invented", "entries": entries,
	}
	if s.cap != "" {
		doc["weightCapKg"] = s.cap
	}
	if a := s.adrenaline; a != nil {
		doc["adrenaline"] = map[string]any{"ug": text(a.Ug), "cardiacUg": text(a.CardiacUg), "source": a.Source, "section": a.Section, "tag": a.Tag}
	}
	file, err := json.Marshal(doc)
	if err != nil {
		panic(err) // text and numbers always marshal
	}
	if _, err := safety.Parse(file); err != nil {
		return "", nil, false
	}
	return name + ".json", file, true
}
