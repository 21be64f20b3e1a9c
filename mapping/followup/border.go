package followup

import (
	"cmp"
	"slices"

	"nailbridge/mapping/record"
)

// Border is a treated border: toe by side and digit, border, and the sender's
// item key. Border "" stands for a toe without recorded borders.
type Border struct {
	Side   record.Code `json:"side"`
	Digit  record.Code `json:"digit"`
	Border record.Code `json:"border,omitempty"`
	Key    string      `json:"key,omitempty"`
}

func (b Border) compare(c Border) int {
	return cmp.Or(cmp.Compare(b.Side, c.Side), cmp.Compare(b.Digit, c.Digit), cmp.Compare(b.Border, c.Border), cmp.Compare(b.Key, c.Key))
}

// BorderState is a treated border and the last word on its discharge.
type BorderState struct {
	Border
	Procedure  record.Code // record.ProcedureSet
	Chemical   bool        // the matrix was treated with a chemical
	Discharged bool
	WatchOn    bool         // discharged, but the watch goes on (D4.4)
	Record     string       // that says so
	At         *record.When // of the discharge, else of the review
	Reason     record.Code  // record.DischargeReasonSet
	order
}

// treatedBorders lists the borders that were treated: done, or abandoned after
// something was done to the matrix or the nail (D4.4). A border without an
// outcome has the surgery's, and a surgery without one counts as done.
func treatedBorders(s *record.Surgery) []BorderState {
	return recordedBorders(s, func(outcome record.Code, b record.Border) bool {
		return outcome != "not-done" && (outcome != "abandoned" || begun(b))
	})
}

// recordedBorders lists the borders of a surgery of which keep says so by their
// outcome.
func recordedBorders(s *record.Surgery, keep func(record.Code, record.Border) bool) []BorderState {
	var out []BorderState
	for _, toe := range s.Toes {
		for _, b := range toe.Borders {
			if !keep(cmp.Or(b.Outcome, s.Outcome), b) {
				continue
			}
			out = append(out, BorderState{Border: Border{toe.Side, toe.Digit, b.Border, b.Key}, Procedure: b.Procedure,
				Chemical: b.Matrix != nil && b.Matrix.Method == "chemical-ablation"})
		}
		if len(toe.Borders) == 0 && keep(cmp.Or(s.Outcome, "done"), record.Border{}) {
			out = append(out, BorderState{Border: Border{Side: toe.Side, Digit: toe.Digit, Key: toe.Key}})
		}
	}
	slices.SortStableFunc(out, func(a, b BorderState) int { return a.Border.compare(b.Border) })
	return out
}

// begun reports whether the record of an abandoned border shows that it was
// treated at all.
func begun(b record.Border) bool {
	if m := b.Matrix; m != nil && (len(m.Applications) > 0 || m.Curettage == "yes") {
		return true
	}
	return b.WidthMM != nil || b.Flush != nil && b.Flush.Agent != "" && b.Flush.Agent != "none"
}

// followed reports whether the surgery has a plan: it was done, or abandoned
// after a border was treated. One that was done without any recorded toe has a
// plan too, which no discharge can complete.
func followed(s *record.Surgery, treated []BorderState) bool {
	switch s.Outcome {
	case "not-done":
		return false
	case "abandoned":
		return len(treated) > 0
	}
	return len(treated) > 0 || len(s.Toes) == 0
}

func allDischarged(borders []BorderState) bool {
	return len(borders) > 0 && !slices.ContainsFunc(borders, func(b BorderState) bool { return !b.Discharged })
}

// readDischarges applies every discharge. Of several on one border the latest
// by (date, record id) is the last word; an undated one yields to a dated one.
func (p *plan) readDischarges() {
	for _, r := range p.responses {
		for _, toe := range r.toes {
			for _, f := range toe.Borders {
				if f.Discharge != nil {
					p.discharge(r, toe, f)
				}
			}
		}
	}
}

func (p *plan) discharge(r response, toe record.ToeFindings, f record.BorderFindings) {
	at := cmp.Or(f.Discharge.At, r.sent)
	when := orderOf(at, r.id, p.Zone)
	found := p.find(Border{toe.Side, toe.Digit, f.Border, f.Key})
	if len(found) == 0 {
		p.flagDischargeUnknown(r, Border{toe.Side, toe.Digit, f.Border, f.Key})
	}
	if p.ahead(at, r.id) {
		return
	}
	if p.BeforeSurgery(at) {
		p.flagDischargeBefore(r, Border{toe.Side, toe.Digit, f.Border, f.Key}, at)
		return
	}
	for _, b := range found {
		if b.Record != "" && (b.dated && !when.dated || b.dated == when.dated && b.order.compare(when) > 0) {
			continue
		}
		b.Discharged, b.WatchOn = !f.Discharge.WatchGoesOn, f.Discharge.WatchGoesOn
		b.Record, b.At, b.Reason, b.order = r.id, at, f.Discharge.Reason, when
	}
}

// find returns the treated borders that a finding is about: the same side,
// digit and border, narrowed by the item key where several are. A toe without
// recorded borders is meant by any finding on it.
func (p *plan) find(f Border) []*BorderState { return findIn(p.borders, f) }

func findIn(borders []BorderState, f Border) []*BorderState {
	var same, keyed []*BorderState
	for i := range borders {
		b := &borders[i]
		if b.Side != f.Side || b.Digit != f.Digit || b.Border.Border != "" && b.Border.Border != f.Border {
			continue
		}
		same = append(same, b)
		if f.Key != "" && b.Key == f.Key {
			keyed = append(keyed, b)
		}
	}
	if len(same) > 1 && len(keyed) > 0 {
		return keyed
	}
	return same
}
