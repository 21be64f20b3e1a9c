package safety

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"nailbridge/mapping/record"
)

// common says that a rule is the trade's, without a source.
const common = "common practice, no source"

// amides are the local anaesthetics of the record: all are of the amide type,
// so an allergy to one meets every one (common practice, no source). An allergy
// to an ester meets none of them.
var amides = map[record.Code]bool{"lidocaine": true, "mepivacaine": true, "bupivacaine": true, "levobupivacaine": true,
	"prilocaine": true, "ropivacaine": true, "articaine": true}

// meets reports whether an allergy to one substance is met by another, itself or
// of its class.
func meets(allergy, given record.Code) bool {
	switch {
	case allergy == "":
		return false
	case amides[given]:
		return amides[allergy] || allergy == "local-anaesthetic"
	case given == "flucloxacillin" || given == "co-amoxiclav":
		return allergy == "penicillin" || allergy == given
	}
	return allergy == substances[given]
}

// substances are the allergens that agents hold.
var substances = map[record.Code]record.Code{
	"phenol": "phenol", "chlorhexidine-alcohol": "chlorhexidine", "chlorhexidine": "chlorhexidine", "povidone-iodine": "iodine",
	"glove": "latex", "drain-tubing": "latex", "adhesive": "adhesive",
}

// allergies holds every agent used against the allergies that stood at the
// sitting, by class.
func (in SurgeryInput) allergies() Result {
	var r Result
	s := in.Surgery
	used := func(code, place, what string, given record.Code, level record.Level) {
		for _, a := range in.Allergies {
			if a.Refuted || !meets(a.Substance, given) {
				continue
			}
			r.flag(Flag{Code: code, Level: level, Place: place, Source: common, Tag: TagPractice, Check: "C-66",
				Inputs: []Input{{"allergy", string(a.Substance), ""}, {"used", string(given), ""}},
				Text:   fmt.Sprintf("%s was used although an allergy to %s is stated. Source: %s.", what, strings.ToLower(record.AllergenSet.Display(a.Substance)), common)})
			return
		}
	}
	r.add(in.allergiesInWords())
	used(SkinPreparationAllergy, "/surgery/skinPreparation", record.SkinPrepSet.Display(s.SkinPrep), s.SkinPrep, record.LevelCritical)
	used(DressingAllergy, "/surgery/dressing", record.DressingSet.Display(s.Dressing), s.Dressing, record.LevelWarning)
	for i, a := range s.Antibiotics {
		used(AntibioticAllergy, places("/surgery/antibiotics", record.AntibioticKeys(s.Antibiotics))[i], record.AntibioticSet.Display(a.Agent), a.Agent, record.LevelCritical)
	}
	for i, toePlace := range ToePlaces(s) {
		t := &s.Toes[i]
		for j, place := range AgentPlaces(toePlace, t) {
			given := t.Block.Agents[j].Agent
			used(AnaestheticAllergy, place, record.AnaestheticSet.Display(given), given, record.LevelCritical)
		}
		for j, place := range TourniquetPlaces(toePlace, t) {
			device := t.Tourniquets[j].Device
			used(LatexAllergy, place, record.TourniquetDeviceSet.Display(device), device, record.LevelWarning)
		}
		for j, place := range BorderPlaces(toePlace, t) {
			b := &t.Borders[j]
			if b.Matrix != nil {
				used(ChemicalAllergy, place+"/matrix", record.ChemicalSet.Display(b.Matrix.Agent), b.Matrix.Agent, record.LevelCritical)
			}
			if b.Flush != nil {
				used(FlushAllergy, place, record.FlushSet.Display(b.Flush.Agent), b.Flush.Agent, record.LevelCritical)
			}
		}
	}
	return r
}

// inWords are the allergens that stand for others, named in words if at all.
var inWords = []record.Code{"", "other", "antibiotic"}

// allergiesInWords says of each allergy that is stated in words alone that nothing
// was held against it.
func (in SurgeryInput) allergiesInWords() Result {
	var r Result
	for _, a := range in.Allergies {
		if a.Refuted || !slices.Contains(inWords, a.Substance) {
			continue
		}
		r.flag(Flag{Code: AllergyInWords, Level: record.LevelNote, Place: "/surgery/allergies", Source: common, Tag: TagPractice, Check: "C-66",
			Inputs: []Input{{"allergy", string(a.Substance), ""}, {"in words", a.Text, ""}},
			Text:   "An allergy is stated in words, which are not checked against what was used; please check it yourself. Source: " + common + "."})
	}
	return r
}

// expired warns of an anaesthetic or a chemical used after the day of its
// expiry; an expiry by month or year ends with it.
func (in SurgeryInput) expired() Result {
	var r Result
	s := in.Surgery
	check := func(place, what string, expiry *record.When) {
		if expiry == nil || s.Start == nil || s.Start.Precision < record.PrecisionDay || !pastEnd(expiry, s.Start) {
			return
		}
		r.flag(Flag{Code: AgentExpired, Level: record.LevelWarning, Place: place, Source: common, Tag: TagPractice, Check: "C-69",
			Inputs: []Input{{"expiry", expiry.String(), ""}, {"used", s.Start.String(), ""}},
			Text:   fmt.Sprintf("%s was used after its expiry (%s). Source: %s.", what, expiry.String(), common)})
	}
	for i, toePlace := range ToePlaces(s) {
		t := &s.Toes[i]
		for j, place := range AgentPlaces(toePlace, t) {
			check(place, cmp.Or(record.AnaestheticSet.Display(t.Block.Agents[j].Agent), "The anaesthetic"), t.Block.Agents[j].Expiry)
		}
		for j, place := range BorderPlaces(toePlace, t) {
			if m := t.Borders[j].Matrix; m != nil {
				check(place+"/matrix", cmp.Or(record.ChemicalSet.Display(m.Agent), "The chemical"), m.Expiry)
			}
		}
	}
	return r
}

// pastEnd reports whether a day lies after the last day that an expiry, of any
// precision, allows.
func pastEnd(expiry, day *record.When) bool {
	switch {
	case day.Year != expiry.Year:
		return day.Year > expiry.Year
	case expiry.Precision < record.PrecisionMonth:
		return false
	case day.Month != expiry.Month:
		return day.Month > expiry.Month
	case expiry.Precision < record.PrecisionDay:
		return false
	}
	return day.Day > expiry.Day
}

// phenolRisk warns of phenol in spite of a risk other than pregnancy (C-37).
func phenolRisk(borderPlace string, b *record.Border, x *record.Risks) Result {
	var r Result
	if x == nil || b.Matrix == nil || b.Matrix.Agent != phenol {
		return r
	}
	var names []string
	in := []Input{{"agent", "phenol", ""}}
	for _, q := range []struct {
		name   string
		answer record.Code
	}{{"arterial disease", x.ArterialDisease}, {"breast-feeding", x.Lactating}, {"spreading infection", x.SpreadingInfection}, {"immune suppression", x.ImmuneSuppress}} {
		if q.answer == yes {
			names = append(names, q.name)
			in = append(in, Input{q.name, "yes", ""})
		}
	}
	if len(names) > 0 {
		r.flag(Flag{Code: PhenolWithRisk, Level: record.LevelWarning, Place: borderPlace + "/matrix", Inputs: in, Source: common, Tag: TagPractice, Check: "C-37",
			Text: fmt.Sprintf("Phenol was used in spite of %s. Source: %s.", listed(names), common)})
	}
	return r
}
