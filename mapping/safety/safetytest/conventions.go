package safetytest

import (
	"math/big"
	"time"

	"nailbridge/mapping/record"
	"nailbridge/mapping/safety"
)

// limitFigures are those that are computed from a limit.
var limitFigures = []string{safety.DosePercent, safety.DoseRemaining, safety.DoseMaxVolume}

// weightCases are the conventions of weight (C-7) as a clinic's setting, under
// sets that have no cap of their own.
func weightCases() []Case {
	slides := list("podiatry teaching slides, answers 1 to 12", published)
	capped := func(kg string, agent record.Code, percent, mL, limit string, twin bool, flags ...Flag) Case {
		return Case{Check: "C-7", Source: slides, Name: string(agent) + " " + mL + " mL, " + kg + " kg under the cap of 70 kg", Set: "test-podiatry-uncapped", Kg: kg, Weight: safety.WeightCapped,
			Doses: []Dose{{agent, percent, mL, 0}}, Figures: []Figure{{Code: safety.DosePercent, Limit: limit, Value: percentOf(mL, percent, limit)}}, Twin: twin, Flags: flags}
	}
	out := []Case{
		capped("97", bupivacaine, "0.5", "28", "140", true), capped("97", bupivacaine, "0.5", "28.01", "140", false, overRead),
		capped("68", lidocaine, "2", "10.2", "204", true), capped("68", lidocaine, "2", "10.21", "204", false, overRead),
		capped("44", lidocaine, "2", "6.6", "132", true), capped("44", lidocaine, "2", "6.61", "132", false, overRead),
	}
	recorded := capped("97", bupivacaine, "0.5", "38.8", "194", true)
	recorded.Name, recorded.Source, recorded.Weight = "97 kg as recorded", "97 × 2 mg/kg, no convention chosen; "+computed, safety.WeightRecorded
	return append(append(out, recorded), idealCases()...)
}

// idealCases are of a man of 177.8 cm, 70 in: ideal 50 + 10 × 2.3 = 73 kg, obese
// from 94.84 kg.
func idealCases() []Case {
	ideal := func(name, kg, cm string, sex record.Code, mL string, twin bool, figures []Figure, flags ...Flag) Case {
		return Case{Check: "C-7", Source: "Devine's formula as restated, obesity from a body-mass index of 30; " + computed, Name: name, Set: "test-podiatry-uncapped", Kg: kg, Cm: cm, Sex: sex,
			Weight: safety.WeightIdeal, Doses: []Dose{{lidocaine, "2", mL, 0}}, Twin: twin, Figures: figures, Flags: flags}
	}
	at := func(mL, limit string) []Figure {
		return []Figure{{Code: safety.DosePercent, Limit: limit, Value: percentOf(mL, "2", limit)}}
	}
	unknown := Flag{safety.WeightNotComputable, record.LevelNote}
	wanting := func(c Case) Case { c.Never = limitFigures; return c }
	return []Case{
		ideal("obese man, 73 kg × 3", "120", "177.8", "male", "10.95", true, at("10.95", "219")),
		ideal("obese man over 219 mg: a note, as the rule was not read", "120", "177.8", "male", "10.96", false, at("10.96", "219"), overUnread),
		ideal("obese man over the recorded weight's limit too", "120", "177.8", "male", "18.01", false, at("18.01", "219"), overRead),
		ideal("obese woman, 68.5 kg × 3", "120", "177.8", "female", "10.27", true, at("10.27", "205.5")),
		ideal("obese, sex not recorded, the lower", "120", "177.8", "", "10.28", false, at("10.28", "205.5"), overUnread),
		ideal("not obese, 90 kg × 3", "90", "177.8", "male", "13.5", true, at("13.5", "270")),
		ideal("just obese", "94.84", "177.8", "male", "13.5", false, at("13.5", "219"), overUnread),
		wanting(ideal("height not recorded", "120", "", "male", "10.96", false, nil, unknown)),
		ideal("height not recorded, over the recorded weight's limit", "120", "", "male", "18.01", false, nil, overRead),
		wanting(ideal("obese, shorter than the formula holds", "120", "152.3", "male", "10.96", false, nil, unknown)),
	}
}

// percentOf is a dose as percentage of a limit, rounded up to one decimal.
func percentOf(mL, percent, limit string) string {
	p := safety.Mass(rat(mL), rat(percent))
	p.Quo(p.Mul(p, rat("100")), rat(limit))
	tenths := safety.WholeUnits(p, rat("0.1"))
	if big.NewRat(tenths, 10).Cmp(p) < 0 {
		tenths++
	}
	return text(big.NewRat(tenths, 10))
}

// dentalCases are adrenaline in a toe, and over the ceiling of dental teaching
// where the chosen set has none (C-5).
func dentalCases() []Case {
	hygiene, cards := "dental hygiene article, 0.2 mg a visit [read]", "dental flashcards after Malamed, 0.04 mg [via]"
	heart := func(s *record.Surgery) { s.Risks.CardiacDisease = "yes" }
	given := func(source, name, mL, ug string, twin bool, edit func(*record.Surgery), flags ...Flag) Case {
		return Case{Check: "C-5", Source: source, Name: name, Set: "us-label", Doses: []Dose{{lidocaine, "1", mL, 100_000}}, Edit: edit, Twin: twin,
			Figures: []Figure{{Code: safety.AdrenalineTotal, Value: ug}}, Flags: flags}
	}
	over := func(l record.Level) Flag { return Flag{safety.AdrenalineOverDental, l} }
	none := given(hygiene, "over 0.2 mg, no set chosen", "20.01", "200.1", false, nil, over(record.LevelWarning), Flag{safety.NoCeilingChosen, record.LevelWarning})
	none.Set = ""
	toe := given("SmPC s.2 by the ratio rule", "ug of each toe and of the visit", "10", "100", true, nil)
	toe.Figures = append(toe.Figures, Figure{Code: safety.AdrenalineToe, Value: "60", Place: "/surgery/toes/left-1:toe-1/block"}, Figure{Code: safety.AdrenalineToe, Value: "40", Place: "/surgery/toes/left-2:toe-2/block"})
	return []Case{
		given(hygiene, "over 0.2 mg under a set without a ceiling", "20.01", "200.1", false, nil, over(record.LevelWarning)),
		given(hygiene, "0.2 mg under a set without a ceiling", "20", "200", true, nil), none,
		given(cards, "over 0.04 mg with cardiac disease, a set without a ceiling", "4.01", "40.1", false, heart, over(record.LevelNote)),
		given(cards, "0.04 mg with cardiac disease, a set without a ceiling", "4", "40", true, heart),
		given(hygiene, "over 0.2 mg with cardiac disease", "20.01", "200.1", false, heart, over(record.LevelWarning)), toe,
	}
}

// windowCases are intervals that a set has, or that were not read (C-19).
func windowCases() []Case {
	repeated := Flag{safety.RepeatedWithin24h, record.LevelWarning}
	bupi := func(mL string) Dose { return Dose{bupivacaine, "0.5", mL, 0} }
	levo := func(mL string) Dose { return Dose{levobupivacaine, "0.5", mL, 0} }
	again := func(source, name, set, kg string, before time.Duration, earlier, now Dose, twin bool, figures []Figure, flags ...Flag) Case {
		return Case{Check: "C-19", Source: source, Name: name, Set: set, Kg: kg, Doses: []Dose{now}, Earlier: []Earlier{{Before: before, Doses: []Dose{earlier}}}, Twin: twin,
			Figures: figures, Flags: append(flags, repeated)}
	}
	const bahamas = "Bahamas public formulary: 2 mg/kg in any 4 h, 400 mg in 24 h"
	const memory = "levobupivacaine 400 mg in 24 h [memory]"
	percent := func(value string) []Figure { return []Figure{{Code: safety.DosePercent, Value: value, Limit: "140"}} }
	day := Flag{safety.DoseOver24h, record.LevelCritical}
	return []Case{
		again(bahamas, "70.05 + 70 mg within 3 h 59 min", "bs-formulary", "70", 239*time.Minute, bupi("14.01"), bupi("14"), false, percent("100.1"), overRead),
		again(bahamas, "70.05 + 70 mg, 4 h 00 min apart", "bs-formulary", "70", 4*time.Hour, bupi("14.01"), bupi("14"), true, percent("50")),
		again(bahamas, "200 + 200.05 mg in 24 h", "bs-formulary", "120", 5*time.Hour, bupi("40"), bupi("40.01"), false, []Figure{{Code: safety.DoseRemaining, Value: "0", Limit: "240"}}, day),
		again(bahamas, "200 + 200 mg in 24 h", "bs-formulary", "120", 5*time.Hour, bupi("40"), bupi("40"), true, []Figure{{Code: safety.DoseTotal, Value: "400"}}),
		again("Hong Kong product text: 400 mg in 24 h", "200 + 200.05 mg in 24 h, hk-label", "hk-label", "120", 5*time.Hour, bupi("40"), bupi("40.01"), false, nil, overRead),
		again(memory, "levobupivacaine 200 + 200.05 mg", "us-label", "70", 5*time.Hour, levo("40"), levo("40.01"), false, nil, notInSet, Flag{safety.DoseOver24h, record.LevelNote}),
		again(memory, "levobupivacaine 200 + 200 mg", "us-label", "70", 5*time.Hour, levo("40"), levo("40"), true, nil, notInSet),
		again("a clinic's own interval", "lidocaine after 119 min", "test-own-interval", "70", 119*time.Minute, Dose{lidocaine, "2", "2", 0}, Dose{lidocaine, "2", "2", 0}, false, nil, Flag{safety.AgentRepeatedEarly, record.LevelWarning}),
		again("a clinic's own interval", "lidocaine after 120 min", "test-own-interval", "70", 120*time.Minute, Dose{lidocaine, "2", "2", 0}, Dose{lidocaine, "2", "2", 0}, true, nil),
	}
}

// childCases are what is said of children whichever set is chosen (C-21).
func childCases() []Case {
	child := func(source, name, set string, years, months int, kg string, d Dose, twin bool, flags ...Flag) Case {
		return Case{Check: "C-21", Source: source, Name: name, Set: set, Age: years, Months: months, Kg: kg, Doses: []Dose{d}, Twin: twin, Flags: flags, Never: limitFigures}
	}
	none := Flag{safety.ChildLimitNotInSet, record.LevelNote}
	below := func(l record.Level) Flag { return Flag{safety.AgentBelowAge, l} }
	infant, strong := Flag{safety.InfantAmide, record.LevelNote}, Flag{safety.MepivacaineStrong, record.LevelNote}
	prilo, mepi, weak := Dose{prilocaine, "1", "0.5", 0}, Dose{mepivacaine, "2", "0.5", 0}, Dose{mepivacaine, "1.9", "0.5", 0}
	bupi, arti := Dose{bupivacaine, "0.25", "1", 0}, Dose{articaine, "4", "1", 100_000}
	const label, digest, smpc, aapd = "US label of articaine, indications [read]", "label digest [via]", "UK SmPC and BNF [via]", "digest of AAPD guideline [via]"
	return []Case{
		child("US label: 5 years, 50 lb, not over 75 to 100 mg; 4.5 × 22.68 = 102", "100.2 mg at 50 lb gets no percentage of a limit for adults", "us-label", 5, 0, "22.68", Dose{lidocaine, "2", "5.01", 0}, true, none),
		child(label, "articaine at 3 years, another set", "au-toxicology", 3, 0, "15", arti, false, below(record.LevelWarning), notInSet),
		child(label, "articaine at 4 years, another set", "au-toxicology", 4, 0, "17", arti, true, notInSet),
		child(digest, "bupivacaine at 11 years", "au-toxicology", 11, 0, "35", bupi, false, below(record.LevelNote), none),
		child(digest, "bupivacaine at 12 years", "au-toxicology", 12, 0, "40", bupi, true, none),
		child(smpc, "prilocaine at 5 months", "au-toxicology", 0, 5, "7", prilo, false, below(record.LevelNote), infant, none),
		child(smpc, "prilocaine at 6 months", "au-toxicology", 0, 6, "7", prilo, true, none),
		child(aapd, "lidocaine at 5 months", "us-label", 0, 5, "7", Dose{lidocaine, "1", "0.5", 0}, false, infant, none),
		child(aapd, "lidocaine at 6 months", "us-label", 0, 6, "7", Dose{lidocaine, "1", "0.5", 0}, true, none),
		child(digest, "mepivacaine 2 % at 2 years", "au-toxicology", 2, 0, "14", mepi, false, strong, none),
		child(digest, "mepivacaine 2 % at 3 years", "au-toxicology", 3, 0, "14", mepi, true, none),
		child(digest, "mepivacaine 1.9 % at 2 years", "au-toxicology", 2, 0, "14", weak, true, none),
		child(digest, "mepivacaine 2 % at 4 years under 30 lb", "au-toxicology", 4, 0, "13.6", mepi, false, strong, none),
	}
}

// againCases are mixtures, top-ups and disagreement under the sets of the
// product (C-16 to C-18).
func againCases() []Case {
	mixedOver := Flag{safety.MixtureOverLimit, record.LevelCritical}
	mix := func(name string, twin bool, value string, a, b Dose, flags ...Flag) Case {
		return Case{Check: "C-17", Source: "fraction rule over Australian guideline Table 1; " + computed, Name: name, Set: "au-toxicology", Doses: []Dose{a, b}, Twin: twin,
			Figures: []Figure{{Code: safety.MixtureFraction, Value: value, Limit: "1"}}, Flags: append(flags, mixed)}
	}
	topUp := func(set, mL, left, limit string, twin bool, flags ...Flag) Case {
		return Case{Check: "C-18", Source: "cumulative limit; " + computed, Name: "bupivacaine 100 mg and " + mL + " mL more, " + set, Set: set, Twin: twin,
			Doses: []Dose{{bupivacaine, "0.5", "20", 0}, {bupivacaine, "0.5", mL, 0}}, Figures: []Figure{{Code: safety.DoseRemaining, Value: left, Limit: limit}}, Flags: flags}
	}
	bupi := func(set string, twin bool, flags ...Flag) Case {
		return Case{Check: "C-16", Source: "150 mg plain bupivacaine at 70 kg; " + computed, Name: "150 mg bupivacaine under " + set, Set: set, Twin: twin,
			Doses: []Dose{{bupivacaine, "0.5", "30", 0}}, Figures: []Figure{{Code: safety.DoseTotal, Value: "150"}}, Flags: flags}
	}
	return []Case{
		mix("105/210 + 70/140 = 1", true, "1", Dose{lidocaine, "1", "10.5", 0}, Dose{bupivacaine, "0.5", "14", 0}),
		mix("105/210 + 70.05/140", false, "1.001", Dose{lidocaine, "1", "10.5", 0}, Dose{bupivacaine, "0.5", "14.01", 0}, mixedOver),
		topUp("au-toxicology", "8", "0", "140", true), topUp("au-toxicology", "8.01", "0", "140", false, overRead),
		topUp("bs-formulary", "8", "0", "140", true), topUp("bs-formulary", "8.01", "0", "140", false, overRead), topUp("hk-label", "8.01", "259.95", "400", true),
		bupi("au-toxicology", false, overRead), bupi("bs-formulary", false, overRead), bupi("hk-label", true), bupi("us-label", true, notInSet),
	}
}

// digitCases are adrenaline in a digit at risk: a warning, never a hard error
// (C-22).
func digitCases() []Case {
	with := []Dose{{lidocaine, "2", "2", 200_000}}
	risk := func(name string, twin bool, doses []Dose, edit func(*record.Surgery), flags ...Flag) Case {
		return Case{Check: "C-22", Source: "McNamara and Greyson 2022; abnormal index of C-40", Name: name, Set: "us-label", Doses: doses, Edit: edit, Twin: twin, Flags: flags}
	}
	warns := Flag{safety.AdrenalineArterial, record.LevelWarning}
	abnormal := Flag{safety.IndexAbnormal, record.LevelWarning}
	index := func(v string) func(*record.Surgery) {
		return func(s *record.Surgery) {
			s.Risks.AnkleBrachialIndex = Decimal(v)
			s.Toes[0].Tourniquet, s.Toes[0].Tourniquets = "not-used", nil
		}
	}
	return []Case{
		risk("adrenaline and an index of 0.90", false, with, index("0.90"), warns, abnormal),
		risk("adrenaline and an index of 0.91", true, with, index("0.91"), Flag{safety.IndexBorderline, record.LevelNote}),
	}
}
