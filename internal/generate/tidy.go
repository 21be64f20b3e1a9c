package generate

import (
	"reflect"
	"strings"
	"time"

	"nailbridge/mapping/record"
)

// tidy makes the members of one filled object fit one another. What it leaves
// at odds is meant to be.
func (m *maker) tidy(v reflect.Value) {
	switch x := v.Addr().Interface().(type) {
	case *record.Person:
		m.tidyPerson(x)
	case *record.Name:
		m.tidyName(x)
	case *record.Agent:
		if x.Vasoconstrictor != "adrenaline" && !m.chance(0.02) {
			x.Ratio = nil
		}
		m.tooMuch(x)
	case *record.Toe:
		m.tidyToe(x)
	case *record.Tourniquet:
		if x.Off != nil && x.On != nil && m.chance(0.04) {
			x.On, x.Off = x.Off, x.On
		}
	case *record.Border:
		m.tidyBorder(x)
	case *record.Matrix:
		if x.Method != "chemical-ablation" && !m.chance(0.1) {
			x.Agent, x.Percent, x.Applications, x.Batch, x.Expiry = "", nil, nil, "", nil
		}
	case *record.Allergies:
		if len(x.Items) > 0 && !m.chance(0.05) {
			x.Status = "present"
		}
	case *record.Events:
		if len(x.Items) > 0 && !m.chance(0.05) {
			x.None = false
		}
	case *record.Infection:
		m.tidyInfection(x)
	case *record.PlannedReview:
		if x.Step != "" {
			x.Step = pick(m, []string{"day-2", "week-1", "week-2", "week-4", "week-7", "week-10", "month-6", "year-9"})
		}
		if x.Booked == "yes" && x.At != nil && m.chance(0.3) {
			x.At = ptr(m.date(m.at.Add(time.Duration(3+m.IntN(60))*day), false))
		}
	}
}

// tooMuch lets one injection in twenty-five pass the limits, some with
// adrenaline.
func (m *maker) tooMuch(a *record.Agent) {
	if !m.chance(0.04) {
		return
	}
	a.ML = ptr(record.MustDecimal("16.5"))
	if m.chance(0.3) {
		a.Vasoconstrictor, a.Ratio = "adrenaline", ptr(int64(80000))
	}
}

// tidyPerson takes the members that are there from somebody of the staff. One
// in twenty is a stranger known by name only.
func (m *maker) tidyPerson(p *record.Person) {
	s := pick(m, staff)
	if p.Registration != nil && s.Registration != nil {
		full := *s.Registration
		full.System = keep(p.Registration.System, full.System)
		full.Value = keep(p.Registration.Value, full.Value)
		p.Registration = &full
	} else {
		p.Registration = nil
	}
	p.StaffKey = strings.TrimSpace(keep(p.StaffKey, s.StaffKey))
	if p.Name != nil {
		name := *s.Name
		name.Family = keep(p.Name.Family, name.Family)
		p.Name = &name
	}
	p.Role = record.Code(keep(string(p.Role), string(s.Role)))
	if m.chance(0.05) {
		*p = record.Person{Name: &record.Name{Family: pick(m, familyNames)}, Role: p.Role}
	}
}

// keep is value where the member is there at all.
func keep(there, value string) string {
	if there == "" {
		return ""
	}
	return value
}

func (m *maker) tidyName(n *record.Name) {
	n.Family = keep(n.Family, pick(m, familyNames))
	for i := range n.Given {
		n.Given[i] = pick(m, givenNames)
	}
	n.Prefix = keep(n.Prefix, pick(m, prefixes))
}

func (m *maker) tidyToe(t *record.Toe) {
	if t.Tourniquet == "not-used" && !m.chance(0.05) {
		t.Tourniquets = nil
	}
	if len(t.Tourniquets) == 2 && !m.chance(0.15) {
		m.tidySecond(&t.Tourniquets[0], &t.Tourniquets[1])
	}
	if len(t.Borders) == 2 { // the two borders of one nail
		t.Borders[0].Border, t.Borders[1].Border = "medial", "lateral"
		for i := range t.Borders {
			if t.Borders[i].Procedure == "total-avulsion" {
				t.Borders[i].Procedure = "partial-avulsion"
			}
		}
	}
}

// tidySecond lets a second period begin after the first has ended.
func (m *maker) tidySecond(first, second *record.Tourniquet) {
	if first.Off == nil || first.Off.Partial() {
		return
	}
	off, _ := first.Off.In(m.o.Zone)
	on := off.Add(time.Duration(1+m.IntN(6)) * time.Minute)
	if second.On != nil {
		second.On = ptr(m.when(on, true))
	}
	if second.Off != nil {
		second.Off = ptr(m.when(on.Add(time.Duration(3+m.IntN(14))*time.Minute), true))
	}
}

func (m *maker) tidyBorder(b *record.Border) {
	switch {
	case b.Border == "whole" && b.Procedure != "" && !m.chance(0.1):
		b.Procedure = "total-avulsion"
	case b.Procedure == "total-avulsion" && b.Border != "" && !m.chance(0.1):
		b.Border = "whole"
	case b.Procedure != "" && m.chance(0.6):
		b.Procedure = "partial-avulsion"
		if b.Border == "whole" {
			b.Border = "lateral"
		}
	}
}

func (m *maker) tidyInfection(x *record.Infection) {
	for _, f := range x.Findings {
		if f == "none" && !m.chance(0.05) {
			x.Findings = []record.Code{"none"}
			break
		}
	}
	if len(x.Findings) == 1 && x.Findings[0] == "none" && !m.chance(0.2) {
		x.Diagnosis = record.Code(keep(string(x.Diagnosis), "no-infection"))
	}
}

// person draws a patient: of the earlier case, else a new one.
func (m *maker) person() *record.Patient {
	for _, r := range m.o.Previous {
		if r.Patient != nil {
			p := *r.Patient
			p.DeathDate = nil
			return &p
		}
	}
	return m.newPatient(m.o.Number)
}
