package safety

import (
	"fmt"
	"math/big"
	"slices"
	"strings"
	"time"

	"nailbridge/mapping/record"
)

// SurgeryInput is one surgery with what its safety depends on beside it.
type SurgeryInput struct {
	Surgery   *record.Surgery
	Zone      *time.Location // of the clinic, for times without offset
	Formulary *Formulary     // nil: no ceiling chosen
	// Others are the doses of the patient's other current surgeries at this
	// clinic, of any time, in any order; the 24 h are cut here (C-19).
	Others []GivenDose
	// AgeYears is the age at the sitting in completed years; nil: not known.
	AgeYears *int
	// AgeMonths is the same in completed months, for what concerns infants; nil: not
	// known.
	AgeMonths *int
	// Weight is the clinic's convention of weight (C-7). HeightCm and Sex, as
	// recorded, are what the ideal body weight needs.
	Weight   WeightConvention
	HeightCm *record.Decimal
	Sex      record.Code
	// Allergies are those that stood for the patient at the sitting.
	Allergies []record.Allergy
	// RiskTourniquet is the clinic's own tourniquet limit for toes at risk, with
	// its source; nil: none set (C-30).
	RiskTourniquet *LocalLimit
	// Historical: old data, of which an absent answer means nothing.
	Historical bool
	// FirstReview is when the first review was attended; nil: none yet (C-29).
	FirstReview *record.When
}

// Surgery judges one surgery whole: doses, tourniquets, chemicals, perfusion.
// Flags come gravest first. Caution goes once with the answer.
func Surgery(in SurgeryInput) Result {
	var r Result
	s := in.Surgery
	r.add(in.doses())
	toes, exposed := ToePlaces(s), s.Outcome != "not-done"
	for i := range s.Toes {
		t := &s.Toes[i]
		if exposed || tourniquetUsed(t) {
			r.add(lower(TourniquetTimes(toes[i], *t, in.Zone), exposed))
		}
		r.add(tourniquetCaution(toes[i], t, s))
		r.add(in.localTourniquet(toes[i], t))
		r.add(Perfusion(toes[i], *t, in.AgeYears))
		r.add(toeVolume(toes[i], t))
		r.add(adrenalineRisk(toes[i], t, s))
		for j, place := range BorderPlaces(toes[i], t) {
			b := &t.Borders[j]
			treated := exposed && b.Outcome != "not-done"
			r.add(Contact(place, *b))
			r.add(lower(pregnancy(place, b, s.Risks), treated))
			r.add(phenolRisk(place, b, s.Risks))
		}
	}
	r.add(vapour(s))
	r.add(FirstDressing(s, in.FirstReview, in.Zone))
	r.add(lower(in.siteChecks(), exposed))
	r.add(lower(in.consent(), exposed))
	r.add(lower(in.allergies(), exposed))
	r.add(in.expired())
	r.add(Vascular(s.Vascular, s.Risks))
	r.add(FootRisk(s.Vascular, s.Risks))
	r.add(StageSystem(s.Indication))
	if in.Historical {
		r = in.unsaid(r)
	}
	return r.sorted()
}

// ofSilence are the codes of flags that are raised by what a record does not say.
var ofSilence = []string{
	ReleaseMissing, SignOutIncomplete, TourniquetUnknownTime, TourniquetColour, RepeatTimeNotKnown,
	SiteCheckMissing, ConsentGiverMissing,
}

// unsaid makes notes of what old data does not say: that means nothing, and nobody is
// called to a toe of years ago.
func (in SurgeryInput) unsaid(r Result) Result {
	for i := range r.Flags {
		f := &r.Flags[i]
		if !slices.Contains(ofSilence, f.Code) || f.Code == SignOutIncomplete && saidNotOut(in.Surgery) {
			continue
		}
		f.Level, f.Text = record.LevelNote, strings.TrimSuffix(f.Text, " Check the toe now.")
	}
	return r
}

// saidNotOut reports a tourniquet of which the record says that it was not counted out.
func saidNotOut(s *record.Surgery) bool {
	return slices.ContainsFunc(s.Toes, func(t record.Toe) bool {
		return slices.ContainsFunc(t.Tourniquets, func(p record.Tourniquet) bool { return p.CountedOut == "no" })
	})
}

func (in SurgeryInput) doses() Result {
	s := in.Surgery
	d := DoseInput{Visit: GivenDoses("", s, in.Zone), Others: in.Others, AgeYears: in.AgeYears, AgeMonths: in.AgeMonths, Formulary: in.Formulary,
		Weight: in.Weight, HeightCm: in.HeightCm, Sex: in.Sex}
	if len(d.Visit) == 0 && s.Outcome == "not-done" {
		return Result{}
	}
	if s.Weight != nil {
		d.WeightKg = s.Weight.Kg
	}
	if s.Risks != nil {
		d.CardiacDisease = s.Risks.CardiacDisease
	}
	r := Dose(d)
	r.query(in.doseQuery())
	if len(d.Visit) > 0 && s.Risks != nil && s.Risks.OtherAnaestheticWithin24h == yes {
		const source = "UK community podiatry leaflet"
		r.flag(Flag{Code: OtherClinicWithin24h, Level: record.LevelWarning, Place: AnaestheticPlace, Source: source, Tag: TagRead, Check: "C-19",
			Inputs: []Input{{"other anaesthetic within 24 h", "yes", ""}},
			Text:   "Another clinic gave local anaesthetic in the 24 hours before; its dose is not in this clinic's records and is not counted. Source: " + source + " [read]."})
	}
	return r
}

// lower turns critical into warning where no patient was exposed (D2.4). A
// tourniquet without release stays critical: a period recorded is exposure.
func lower(r Result, exposed bool) Result {
	if exposed {
		return r
	}
	for i := range r.Flags {
		if f := &r.Flags[i]; f.Level == record.LevelCritical && f.Code != ReleaseMissing {
			f.Level = record.LevelWarning
		}
	}
	return r
}

// doseQuery is the question that goes with every figure computed from an
// implausible volume or weight (C-20); "" for none.
func (in SurgeryInput) doseQuery() string {
	s := in.Surgery
	for i := range s.Toes {
		if len(toeVolume("", &s.Toes[i]).Flags) > 0 {
			return "The volume injected in one toe is over 6 mL: please check it."
		}
	}
	if s.Weight != nil {
		if kg := positive(s.Weight.Kg); kg != nil && over(kg, big.NewRat(300, 1)) {
			return "The body weight is over 300 kg: please check it."
		}
	}
	return ""
}

// query puts a question beside every figure.
func (r *Result) query(text string) {
	for i := range r.Figures {
		r.Figures[i].Query = text
	}
}

// toeVolume asks about more than 6 mL in one toe: plausibility, not safety
// (C-20).
func toeVolume(toePlace string, t *record.Toe) Result {
	var r Result
	if t.Block == nil {
		return r
	}
	sum := new(big.Rat)
	var in []Input
	for _, a := range t.Block.Agents {
		if v := notNegative(a.ML); v != nil {
			sum.Add(sum, v)
			in = append(in, Input{"volume", a.ML.String(), "mL"})
		}
	}
	if over(sum, big.NewRat(6, 1)) {
		r.flag(Flag{Code: ToeVolumeLarge, Level: record.LevelNote, Place: toePlace + "/block", Inputs: in, Check: "C-20", Tag: TagPractice, Source: "a plausibility limit, no source",
			Text: fmt.Sprintf("%s mL were injected in the %s, more than 6 mL: please check the volume.", exact(sum), toeText(t.Side, t.Digit))})
	}
	return r
}
