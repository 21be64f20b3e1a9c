package shorthand

import (
	"slices"
	"strings"

	"nailbridge/mapping/record"
)

// Kind is what a reading is about.
type Kind string

// The kinds. A text is read for some of them (those of its column) or for all.
const (
	Site         Kind = "site"   // Side, Digit, and Border where said
	Border       Kind = "border" // without a toe
	Procedure    Kind = "procedure"
	Chemical     Kind = "chemical"     // Code empty: used, which is not said
	Percent      Kind = "percent"      // of the chemical, % w/v
	Applications Kind = "applications" // of the chemical, seconds each
	Method       Kind = "method"       // of matrix treatment
	Flush        Kind = "flush"
	Anaesthetic  Kind = "anaesthetic"
	Tourniquet   Kind = "tourniquet" // used or not-used
	On           Kind = "tourniquet-on"
	Off          Kind = "tourniquet-off"
	Minutes      Kind = "tourniquet-minutes"
	Dressing     Kind = "dressing"
	Attendance   Kind = "attendance"
	Wound        Kind = "wound" // record.WoundStageSet
	Exudate      Kind = "exudate"
	Finding      Kind = "finding"   // record.InfectionFindingSet
	Diagnosis    Kind = "diagnosis" // record.DiagnosisSet
	Regrowth     Kind = "regrowth"
	Discharge    Kind = "discharge" // Code empty: discharged, reason not said
	Outcome      Kind = "outcome"   // of the surgery
	Unclear      Kind = "unclear"   // a short form of several meanings (C-76)
)

// Certainty is how sure a reading is.
type Certainty string

// The certainties. Only Certain and Likely readings may be used.
const (
	Certain   Certainty = "certain"
	Likely    Certainty = "likely"
	Ambiguous Certainty = "ambiguous"
)

// Value is what was read: the members that its kind has.
type Value struct {
	Side, Digit, Border record.Code // of Site and Border
	Code                record.Code // of the kinds that are a closed list, and the agent
	Percent             string      // a decimal, % w/v
	ML                  string      // a decimal, mL in all
	Vasoconstrictor     record.Code
	Ratio               string   // N of 1:N
	Seconds             []string // of each application; "" where not said
	Time                string   // hh:mm as written
	Minutes             string   // a decimal
}

// text is the value in one line, as the worksheet shows it.
func (v Value) text(k Kind) string {
	dash := func(ss ...string) string {
		for i, s := range ss {
			if s == "" {
				ss[i] = "-"
			}
		}
		return strings.Join(ss, " ")
	}
	switch k {
	case Site:
		return dash(string(v.Side), string(v.Digit), string(v.Border))
	case Border:
		return dash(string(v.Border))
	case Percent:
		return v.Percent
	case Applications:
		return dash(slices.Clone(v.Seconds)...)
	case Anaesthetic:
		return dash(string(v.Code), v.Percent, v.ML, string(v.Vasoconstrictor), v.Ratio)
	case On, Off:
		return v.Time
	case Minutes:
		return v.Minutes
	}
	return dash(string(v.Code))
}

// otherSide is the same toe of the other foot.
func (v Value) otherSide() Value {
	if v.Side == "left" {
		v.Side = "right"
	} else {
		v.Side = "left"
	}
	return v
}

// Reading is one thing that a text says.
type Reading struct {
	Kind      Kind
	Value     Value
	Certainty Certainty
	Rule      string  // the rule that read it, such as toe.initials
	Others    []Value // of an ambiguous one: what else it may mean
	From, To  int     // the bytes of the text that it was read from, first to last
}

// String is kind and value in one line, as the worksheet shows them, such as
// "site right 1 lateral" or "anaesthetic lidocaine 2 3 none -".
func (r Reading) String() string { return string(r.Kind) + " " + r.Value.text(r.Kind) }

// likely makes a certain reading likely by a rule.
func (r *Reading) likely(rule string) {
	if r.Certainty == Certain {
		r.Certainty, r.Rule = Likely, rule
	}
}

// doubt makes a reading one that a person decides, by a rule.
func (r *Reading) doubt(rule string) {
	r.Certainty, r.Rule, r.Others = Ambiguous, rule, append(r.Others, r.Value)
}

// OtherTexts are the other readings in lines.
func (r Reading) OtherTexts() []string {
	var out []string
	for _, v := range r.Others {
		out = append(out, string(r.Kind)+" "+v.text(r.Kind))
	}
	return out
}

// Span is a part of a text, in bytes.
type Span struct{ From, To int }

// Text is a text with its readings.
type Text struct {
	Original string
	Readings []Reading
	Unread   []Span // words and numbers that no reading took
}

// Of are the readings of one kind.
func (t Text) Of(k Kind) []Reading {
	var out []Reading
	for _, r := range t.Readings {
		if r.Kind == k {
			out = append(out, r)
		}
	}
	return out
}
