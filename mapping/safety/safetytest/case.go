// Package safetytest holds the worked cases of the clinical facts C-1 to C-38
// that concern a figure or a flag, each with its number and source, and for
// each flag a twin one step inside the limit. It is a test aid: the safety
// package and the fold show the same cases.
package safetytest

import (
	"fmt"
	"math/big"
	"strings"
	"time"

	"nailbridge/mapping/record"
	"nailbridge/mapping/safety"
)

// Case is one surgery with what is expected of it.
type Case struct {
	Check  string // number of the clinical fact, such as "C-8"
	Source string // where the expected value comes from
	Name   string
	Set    string // of Formulary; "": none chosen
	// Twin marks the case one step inside a limit: it has no Flags but those
	// that the rule raises always.
	Twin bool

	Kg  string // body weight; "": Quiet's 70 kg; "-": not recorded
	Age int    // completed years; 0: 40; -1: not known
	// Months is the age of an infant in completed months, instead of Age.
	Months int
	// Weight is the clinic's convention of weight; Cm and Sex are what it may need.
	Weight safety.WeightConvention
	Cm     string      // body height; "": not recorded
	Sex    record.Code // Patient.Gender; "": not recorded
	Doses  []Dose      // replace those of Quiet, spread so that no toe gets over 6 mL
	// Earlier are other sittings of the patient at the clinic.
	Earlier []Earlier
	// RiskMinutes is the clinic's own tourniquet limit for toes at risk; 0: none.
	RiskMinutes int64
	// FirstReview is when the first review was attended; "": none.
	FirstReview string
	// Edit changes the surgery last.
	Edit func(*record.Surgery)

	Figures []Figure // each is among the figures
	Flags   []Flag   // exactly these, in any order
	// Never lists codes of figures that must not be among the figures.
	Never []string
}

// Dose is a volume of one solution.
type Dose struct {
	Agent   record.Code
	Percent string
	ML      string
	Ratio   int64 // N of adrenaline 1:N; 0: plain
}

// Earlier is another sitting, so long before the start of the case's.
type Earlier struct {
	Before time.Duration
	Doses  []Dose
	// Undated takes its day away: what is left is the month.
	Undated bool
}

// Figure is an expected figure; an empty Limit or Place is not compared.
type Figure struct{ Code, Value, Limit, Place string }

// Flag is an expected flag.
type Flag struct {
	Code  string
	Level record.Level
}

// Zone is the zone of the cases' clinic.
var Zone = time.UTC

var start = time.Date(2024, 3, 1, 10, 0, 0, 0, time.UTC)

// Title names the case as a test name.
func (c Case) Title() string {
	t := c.Check + " " + c.Name
	if c.Twin {
		t += ", twin"
	}
	return t
}

// AgeMonths is the age in completed months, nil when not known.
func (c Case) AgeMonths() *int {
	months := c.Age * 12
	switch {
	case c.Months > 0:
		months = c.Months
	case c.Age == -1:
		return nil
	case c.Age == 0:
		months = 40 * 12
	}
	return &months
}

// Years is the age in completed years, nil when not known.
func (c Case) Years() *int {
	months := c.AgeMonths()
	if months == nil {
		return nil
	}
	years := *months / 12
	return &years
}

// Surgery is the surgery of the case: Quiet with the case's changes.
func (c Case) Surgery() *record.Surgery {
	s := Quiet(start)
	switch c.Kg {
	case "":
	case "-":
		s.Weight = nil
	default:
		s.Weight.Kg = Decimal(c.Kg)
	}
	if c.Cm != "" {
		s.Measurements = &record.Measurements{HeightCm: Decimal(c.Cm)}
	}
	if c.Doses != nil {
		inject(s, c.Doses)
	}
	if child := c.Months > 0 || c.Age > 0 && c.Age < 16; child && c.Check != "C-59" { // which is about who consents
		s.Consent.GivenBy, s.Consent.Relationship = "other", "parent"
	}
	if c.Edit != nil {
		c.Edit(s)
	}
	return s
}

// Others are the patient's other surgeries.
func (c Case) Others() []*record.Surgery {
	var out []*record.Surgery
	for _, e := range c.Earlier {
		s := Quiet(start.Add(-e.Before))
		inject(s, e.Doses)
		if e.Undated {
			month := When(start.Format("2006-01"))
			s.Start, s.End = month, nil
			for i := range s.Toes {
				for j := range s.Toes[i].Block.Agents {
					s.Toes[i].Block.Agents[j].At = nil
				}
			}
		}
		out = append(out, s)
	}
	return out
}

// RiskTourniquet is the clinic's own tourniquet limit for toes at risk; nil:
// none.
func (c Case) RiskTourniquet() *safety.LocalLimit {
	if c.RiskMinutes == 0 {
		return nil
	}
	return &safety.LocalLimit{Minutes: c.RiskMinutes, Source: "invented local protocol"}
}

// Input is the case as input of safety.Surgery.
func (c Case) Input() safety.SurgeryInput {
	in := safety.SurgeryInput{Surgery: c.Surgery(), Zone: Zone, Formulary: Formulary(c.Set), AgeYears: c.Years(), AgeMonths: c.AgeMonths(),
		Weight: c.Weight, Sex: c.Sex, RiskTourniquet: c.RiskTourniquet()}
	if m := in.Surgery.Measurements; m != nil {
		in.HeightCm = m.HeightCm
	}
	if a := in.Surgery.Allergies; a != nil {
		in.Allergies = a.Items
	}
	for i, o := range c.Others() {
		in.Others = append(in.Others, safety.GivenDoses(fmt.Sprintf("earlier-%d", i+1), o, Zone)...)
	}
	if c.FirstReview != "" {
		in.FirstReview = When(c.FirstReview)
	}
	return in
}

// Quiet is a whole, safe surgery that started at an instant and raises no flag
// under the sets us-label, ie-smpc and au-toxicology: lateral border of the
// left hallux, 2 mL of lidocaine 2 %, 10 min of tourniquet, phenol 89 % for
// 3 × 60 s.
func Quiet(start time.Time) *record.Surgery {
	at := func(min int) *record.When {
		return When(start.Add(time.Duration(min) * time.Minute).Format("2006-01-02T15:04:05Z07:00"))
	}
	return &record.Surgery{
		Outcome: "done", Start: at(0), End: at(40),
		SignIn: &record.Step{Status: "done", At: at(-5)}, TimeOut: &record.Step{Status: "done", At: at(-2)}, SignOut: &record.Step{Status: "done", At: at(38)},
		Consent: &record.Consent{Status: "given", GivenBy: "patient", For: []record.ConsentItem{{Side: "left", Digit: "1", Border: "lateral", Procedure: "partial-avulsion"}}},
		Risks: &record.Risks{Pregnant: "no", Diabetes: "no", ArterialDisease: "no", Raynaud: "no", CardiacDisease: "no",
			OtherAnaestheticWithin24h: "no", AnkleBrachialIndex: Decimal("1.05")},
		Weight: &record.Weight{Kg: Decimal("70"), Basis: "measured"},
		Toes: []record.Toe{{
			Key: "toe-1", Side: "left", Digit: "1",
			Block: &record.Block{Technique: "digital-block", Effective: "yes", Agents: []record.Agent{
				{Key: "la-1", Agent: "lidocaine", Percent: Decimal("2"), Vasoconstrictor: "none", ML: Decimal("2"), At: at(0)}}},
			Tourniquet: "used",
			Tourniquets: []record.Tourniquet{{Key: "tq-1", Device: "digital-ring", Colour: "orange", On: at(10), Off: at(20),
				CountedOut: "yes"}},
			Borders: []record.Border{{Key: "b-1", Border: "lateral", Procedure: "partial-avulsion",
				Matrix: &record.Matrix{Key: "m-1", Method: "chemical-ablation", Agent: "phenol", Percent: Decimal("89"), SkinProtection: "yes",
					Applications: Seconds("60", "60", "60")},
				Flush: &record.Flush{Agent: "isopropyl-alcohol", ML: Decimal("15")}}},
			Perfusion: &record.Perfusion{Returned: "yes", RefillSeconds: Decimal("2"), Colour: "pink", Cold: "no"},
		}},
	}
}

// inject gives the doses over as many toes as it takes to keep each under
// 6 mL; the further toes have no tourniquet and no border.
func inject(s *record.Surgery, doses []Dose) {
	at := s.Toes[0].Block.Agents[0].At
	s.Toes[0].Block.Agents = nil
	room, toe := big.NewRat(6, 1), 0
	for i, d := range doses {
		left := Decimal(d.ML).Rat()
		for part := 0; left.Sign() > 0 || part == 0; part++ {
			if room.Sign() == 0 {
				toe++
				room = big.NewRat(6, 1)
				s.Toes = append(s.Toes, furtherToe(toe))
			}
			mL := left
			if mL.Cmp(room) > 0 {
				mL = new(big.Rat).Set(room)
			}
			left, room = new(big.Rat).Sub(left, mL), new(big.Rat).Sub(room, mL)
			b := s.Toes[toe].Block
			b.Agents = append(b.Agents, d.agent(fmt.Sprintf("la-%d-%d", i+1, part+1), text(mL), at))
		}
	}
}

func furtherToe(n int) record.Toe {
	side := record.Code("left")
	if n >= 5 {
		side = "right"
	}
	return record.Toe{Key: fmt.Sprintf("toe-%d", n+1), Side: side, Digit: record.Code(fmt.Sprint(n%5 + 1)),
		Tourniquet: "not-used", Block: &record.Block{Technique: "digital-block", Effective: "yes"}}
}

func (d Dose) agent(key, mL string, at *record.When) record.Agent {
	a := record.Agent{Key: key, Agent: d.Agent, Percent: Decimal(d.Percent), ML: Decimal(mL), Vasoconstrictor: "none", At: at}
	if d.Ratio > 0 {
		a.Vasoconstrictor, a.Ratio = "adrenaline", &d.Ratio
	}
	return a
}

// text writes a rational that is a finite decimal.
func text(r *big.Rat) string {
	n, finite := r.FloatPrec()
	if !finite {
		panic("not a finite decimal: " + r.String())
	}
	return r.FloatString(n)
}

// Decimal is the decimal that text spells.
func Decimal(text string) *record.Decimal {
	d := record.MustDecimal(text)
	return &d
}

// When is the date or time that text spells.
func When(text string) *record.When {
	w, err := record.ParseWhen(text)
	if err != nil {
		panic(err)
	}
	return &w
}

// Seconds are applications of a chemical.
func Seconds(each ...string) []record.Application {
	var out []record.Application
	for i, s := range each {
		out = append(out, record.Application{Key: fmt.Sprintf("app-%d", i+1), Seconds: Decimal(s)})
	}
	return out
}

// Cases are all cases: of doses, tourniquets, chemicals, risks, circulation,
// the diabetic foot, checklist and consent.
func Cases() []Case {
	out := append(doseCases(), limitCases()...)
	out = append(out, intervalCases()...)
	for _, more := range [][]Case{weightCases(), windowCases(), childCases(), againCases(), digitCases()} {
		out = append(out, more...)
	}
	out = append(out, tourniquetCases()...)
	out = append(out, chemicalCases()...)
	out = append(out, hazardCases()...)
	out = append(out, vascularCases()...)
	out = append(out, footCases()...)
	return append(out, siteCases()...)
}

func list(parts ...string) string { return strings.Join(parts, "; ") }
