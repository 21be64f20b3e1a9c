package generate

import (
	"reflect"

	"nailbridge/mapping/record"
)

// surgeryRecord makes the first final content of the surgery.
func (m *maker) surgeryRecord() *record.Record {
	r := m.newRecord("surgery")
	r.Surgery = &record.Surgery{}
	m.fill(reflect.ValueOf(r.Surgery).Elem(), "/surgery")
	s := r.Surgery
	if m.scenario.twoToes && len(s.Toes) > 0 {
		m.secondToe(s)
	}
	m.shapeOutcome(s)
	m.shapeConsent(s)
	if s.Protocol != "" && len(s.Toes) > 0 && !m.chance(0.1) {
		s.Protocol = protocolFor(s)
	}
	return r
}

// secondToe adds another toe, at times a second entry for the same toe, which
// is flagged.
func (m *maker) secondToe(s *record.Surgery) {
	list := reflect.New(reflect.TypeFor[record.Toe]()).Elem()
	m.value(list, "/surgery/toes/*", rule{})
	t := list.Interface().(record.Toe)
	first := s.Toes[0]
	if t.Side == first.Side && t.Digit == first.Digit && !m.chance(0.2) {
		t.Side = "left"
		if first.Side == "left" {
			t.Side = "right"
		}
	}
	s.Toes = append(s.Toes, t)
}

// shapeOutcome makes the tree fit a surgery that was abandoned or not done.
func (m *maker) shapeOutcome(s *record.Surgery) {
	if s.Outcome == "done" {
		return
	}
	if m.chance(0.85) {
		s.OutcomeReason = pick(m, []string{"the patient wished to stop", "anaesthetic not effective", "infection spreading, sent on"})
	}
	for i := range s.Toes {
		t := &s.Toes[i]
		if s.Outcome == "not-done" {
			t.Block, t.Tourniquets, t.Tourniquet, t.Perfusion = nil, nil, "", nil
		}
		for j := range t.Borders {
			if b := &t.Borders[j]; s.Outcome == "not-done" || m.chance(0.6) {
				b.Matrix, b.Flush, b.WidthMM = nil, nil, nil
				b.Outcome = record.Code(keep(string(b.Outcome), string(s.Outcome)))
			}
		}
	}
	if s.Outcome == "not-done" && m.chance(0.5) {
		s.End, s.Dressing, s.DressingText, s.Events = nil, "", "", nil
	}
}

// shapeConsent names what was operated on; one consent in eight names
// something else.
func (m *maker) shapeConsent(s *record.Surgery) {
	if s.Consent == nil {
		return
	}
	if s.Consent.GivenBy == "patient" && !m.chance(0.1) {
		s.Consent.Giver, s.Consent.Relationship = nil, ""
	}
	if len(s.Consent.For) == 0 || m.chance(0.12) {
		return
	}
	var items []record.ConsentItem
	for _, t := range s.Toes {
		for _, b := range t.Borders {
			items = append(items, record.ConsentItem{Side: t.Side, Digit: t.Digit, Border: b.Border, Procedure: b.Procedure})
		}
	}
	if len(items) > 0 {
		s.Consent.For = items
	}
}

// protocolFor is the protocol that fits what was done, as a clinic chooses it: of
// a whole nail, of a matrix that was left, and of a foot at risk.
func protocolFor(s *record.Surgery) record.Code {
	if r := s.Risks; r != nil && r.Diabetes == "yes" && (r.Neuropathy == "yes" || r.ArterialDisease == "yes") {
		return "high-risk-foot"
	}
	protocol := record.Code("partial-avulsion-chemical-ablation")
	ablated := false
	for _, t := range s.Toes {
		for _, b := range t.Borders {
			ablated = ablated || b.Matrix != nil && b.Matrix.Method == "chemical-ablation"
			if b.Procedure == "total-avulsion" {
				protocol = "total-avulsion-chemical-ablation"
			}
		}
	}
	if !ablated {
		return "avulsion-alone"
	}
	return protocol
}
