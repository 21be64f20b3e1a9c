package safetytest

import (
	"fmt"
	"math/big"
	"time"

	"nailbridge/mapping/record"
	"nailbridge/mapping/safety"
)

const (
	lidocaine       record.Code = "lidocaine"
	mepivacaine     record.Code = "mepivacaine"
	bupivacaine     record.Code = "bupivacaine"
	levobupivacaine record.Code = "levobupivacaine"
	prilocaine      record.Code = "prilocaine"
	ropivacaine     record.Code = "ropivacaine"
	articaine       record.Code = "articaine"
)

// computed marks an expected value that follows from the cited figures by
// arithmetic; published, one printed in the source.
const (
	computed  = "computed from the cited figures"
	published = "published worked case"
)

var (
	overRead   = Flag{safety.DoseOverLimit, record.LevelCritical}
	overUnread = Flag{safety.DoseOverLimit, record.LevelNote}
	notInSet   = Flag{safety.LimitNotInSet, record.LevelNote}
	mixed      = Flag{safety.Mixture, record.LevelNote}
)

func doseCases() []Case {
	mass := func(check, source, set string, d Dose, mg string, more ...Flag) Case {
		return Case{Check: check, Source: source, Name: string(d.Agent) + " " + d.ML + " mL of " + d.Percent + " %", Set: set, Doses: []Dose{d},
			Figures: []Figure{{Code: safety.DoseTotal, Value: mg}}, Flags: more}
	}
	dictionary := list("podiatry dictionary, percentage mass", published)
	out := []Case{
		mass("C-1", dictionary, "us-label", Dose{lidocaine, "2", "4", 0}, "80"),
		mass("C-1", dictionary, "us-label", Dose{lidocaine, "0.5", "15", 0}, "75"),
		mass("C-1", dictionary, "au-toxicology", Dose{bupivacaine, "0.25", "10", 0}, "25"),
		mass("C-1", dictionary, "us-label", Dose{lidocaine, "1", "5", 0}, "50"),
	}
	tables := list("Malamed, dose tables", published)
	out = append(out,
		mass("C-2", tables, "test-us-dental", Dose{articaine, "4", "1.8", 100_000}, "72"),
		mass("C-2", tables, "au-toxicology", Dose{prilocaine, "4", "1.8", 0}, "72"),
		mass("C-2", tables, "au-toxicology", Dose{mepivacaine, "3", "1.8", 0}, "54"),
		mass("C-2", tables, "au-toxicology", Dose{mepivacaine, "2", "1.8", 0}, "36"),
		mass("C-2", tables, "us-label", Dose{lidocaine, "2", "1.8", 0}, "36"),
		mass("C-2", tables, "au-toxicology", Dose{bupivacaine, "0.5", "1.8", 0}, "9"),
		mass("C-3", "Australian dental table; published", "us-label", Dose{lidocaine, "2", "2.2", 0}, "44"),
		mass("C-3", "Australian dental table; published", "au-toxicology", Dose{mepivacaine, "3", "2.2", 0}, "66"),
		mass("C-3", "Australian dental table; published", "au-toxicology", Dose{prilocaine, "4", "2.2", 0}, "88"),
		mass("C-3", "Australian dental table; published", "test-articaine", Dose{articaine, "4", "2.2", 100_000}, "88"),
		mass("C-3", "Australian dental table; published", "au-toxicology", Dose{bupivacaine, "0.5", "2.2", 0}, "11"),
		// whole cartridges of 2.2 mL in the table's 70 kg column
		mass("C-3", "Australian dental table, 7 × 44; its own ceiling is 300 mg", "test-au-dental", Dose{lidocaine, "2", "15.4", 80_000}, "308", overUnread),
		mass("C-3", "Australian dental table, 4.5 × 66", "test-au-dental", Dose{mepivacaine, "3", "9.9", 0}, "297"),
		mass("C-3", "Australian dental table, 4.5 × 88", "test-au-dental", Dose{prilocaine, "4", "9.9", 0}, "396"),
		mass("C-3", "Australian dental table, 5.5 × 88", "test-au-dental", Dose{articaine, "4", "12.1", 100_000}, "484"),
		mass("C-3", "Australian dental table, 8 × 11", "test-au-dental", Dose{bupivacaine, "0.5", "17.6", 200_000}, "88"),
	)
	floor := mass("C-3", "strict floor, 6 × 44", "test-au-dental", Dose{lidocaine, "2", "13.2", 80_000}, "264")
	floor.Twin = true
	return append(append(append(out, floor), adrenalineCases()...), dentalCases()...)
}

func adrenalineCases() []Case {
	ratio := func(check, source, set, percent, mL string, n int64, ug string) Case {
		return Case{Check: check, Source: source, Name: fmt.Sprintf("%s mL with adrenaline 1:%d", mL, n), Set: set, Doses: []Dose{{lidocaine, percent, mL, n}},
			Figures: []Figure{{Code: safety.AdrenalineTotal, Value: ug}}}
	}
	smpc := ratio("C-2", "SmPC s.2, 1.7 mL at 1:80,000", "us-label", "2", "1.7", 80_000, "21.25")
	smpc.Figures = append(smpc.Figures, Figure{Code: safety.DoseTotal, Value: "34"})
	out := []Case{smpc,
		ratio("C-4", "SmPC s.2, 12.5 ug/mL", "us-label", "2", "1", 80_000, "12.5"),
		ratio("C-4", "SmPC s.2 by the ratio rule", "us-label", "2", "1", 100_000, "10"),
		ratio("C-4", "SmPC s.2 by the ratio rule", "us-label", "2", "1", 200_000, "5"),
		ratio("C-4", computed, "us-label", "2", "4", 200_000, "20"),
	}
	hygiene := list("dental hygiene article, 150 lb, cartridges of 1.8 mL", published)
	case150 := func(name, set, mL, mg, ug string, twin bool, flags ...Flag) Case {
		return Case{Check: "C-5", Source: hygiene, Name: name, Set: set, Kg: "68.0388555", Twin: twin, Doses: []Dose{{lidocaine, "2", mL, 100_000}},
			Figures: []Figure{{Code: safety.DoseTotal, Value: mg}, {Code: safety.AdrenalineTotal, Value: ug, Limit: "200"}}, Flags: flags}
	}
	heart := Case{Check: "C-5", Source: "dental flashcards after Malamed", Name: "0.04 mg with cardiac disease", Set: "test-us-dental-per-pound",
		Doses: []Dose{{lidocaine, "2", "4.01", 100_000}}, Edit: func(s *record.Surgery) { s.Risks.CardiacDisease = "yes" },
		Flags: []Flag{{safety.AdrenalineOverLimit, record.LevelNote}}}
	heartTwin := heart
	heartTwin.Twin, heartTwin.Flags, heartTwin.Doses = true, nil, []Dose{{lidocaine, "2", "4", 100_000}}
	return append(out,
		case150("12 cartridges pass the adrenaline ceiling alone", "test-us-dental-per-pound", "21.6", "432", "216", false, Flag{safety.AdrenalineOverLimit, record.LevelNote}),
		case150("11 cartridges", "test-us-dental-per-pound", "19.8", "396", "198", true),
		case150("9 cartridges pass 300 mg", "test-us-dental-low", "16.2", "324", "162", false, overRead),
		case150("8 cartridges", "test-us-dental-low", "14.4", "288", "144", true),
		heart, heartTwin)
}

// at gives two cases: a dose equal to the limit, which raises nothing, and one
// of 0.01 mL more.
func at(check, source, set, kg string, age int, agent record.Code, percent string, ratio int64, limit, maxVolume string, flag Flag) []Case {
	mL := new(big.Rat).Quo(rat(limit), new(big.Rat).Mul(rat(percent), big.NewRat(10, 1)))
	more := new(big.Rat).Add(mL, big.NewRat(1, 100))
	c := Case{Check: check, Source: source, Name: string(agent) + " " + limit + " mg at " + kg + " kg, " + set, Set: set, Kg: kg, Age: age}
	twin := c
	c.Doses, c.Flags = []Dose{{agent, percent, text(more), ratio}}, []Flag{flag}
	twin.Doses, twin.Twin = []Dose{{agent, percent, text(mL), ratio}}, true
	twin.Figures = []Figure{{Code: safety.DosePercent, Value: "100", Limit: limit}, {Code: safety.DoseRemaining, Value: "0", Limit: limit},
		{Code: safety.DoseMaxVolume, Value: maxVolume, Limit: limit}}
	return []Case{c, twin}
}

func limitCases() []Case {
	var out []Case
	add := func(check, source, set, kg string, agent record.Code, percent string, ratio int64, limit, maxVolume string, flag Flag) {
		out = append(out, at(check, source, set, kg, 0, agent, percent, ratio, limit, maxVolume, flag)...)
	}
	box := list("ABC of Practical Procedures, Box 4.1", published)
	slides := list("podiatry teaching slides, answers 1 to 12", published)
	add("C-6", box, "test-practical-procedures", "75", bupivacaine, "0.5", 0, "150", "30.0", overRead)
	add("C-6", box, "test-practical-procedures", "75", lidocaine, "1", 0, "300", "30.0", overRead)
	add("C-6", "47 kg × 3 mg/kg = 141 mg = 7.05 mL, report 7.0", "test-uk-teaching", "47", lidocaine, "2", 0, "141", "7.0", overRead)
	add("C-7", slides, "test-podiatry-slides", "97", bupivacaine, "0.5", 0, "140", "28.0", overRead)
	add("C-7", slides, "test-podiatry-slides", "68", lidocaine, "2", 0, "204", "10.2", overRead)
	add("C-7", slides, "test-podiatry-slides", "44", lidocaine, "2", 0, "132", "6.6", overRead)
	add("C-11", "Bahamas public formulary, 70 kg × 2 in any 4 h", "bs-formulary", "70", bupivacaine, "0.5", 0, "140", "28.0", overRead)
	add("C-11", "Bahamas public formulary, the same with adrenaline", "bs-formulary", "60", bupivacaine, "0.5", 200_000, "120", "24.0", overRead)
	add("C-11", "Hong Kong product text, 400 mg in 24 h", "hk-label", "70", bupivacaine, "0.5", 0, "400", "80.0", overRead)
	add("C-8", "US label, min(315, 300)", "us-label", "70", lidocaine, "2", 0, "300", "15.0", overRead)
	add("C-8", "HPRA SmPC s.4.2, min(315, 200)", "ie-smpc", "70", lidocaine, "2", 0, "200", "10.0", overRead)
	add("C-8", list("Australian guideline Table 1", published), "au-toxicology", "70", lidocaine, "1", 0, "210", "21.0", overRead)
	add("C-8", "US label, 50 kg × 4.5", "us-label", "50", lidocaine, "2", 0, "225", "11.2", overRead)
	add("C-8", "HPRA SmPC s.4.2, 50 kg", "ie-smpc", "50", lidocaine, "2", 0, "200", "10.0", overRead)
	add("C-8", "Australian guideline Table 1, 50 kg", "au-toxicology", "50", lidocaine, "2", 0, "150", "7.5", overRead)
	add("C-8", "HPRA SmPC s.4.2, 40 kg × 4.5", "ie-smpc", "40", lidocaine, "2", 0, "180", "9.0", overRead)
	add("C-9", "US label, 70 kg × 7 = 49 mL of 1 %", "us-label", "70", lidocaine, "1", 400_000, "490", "49.0", overRead)
	add("C-9", "US label, min(560, 500)", "us-label", "80", lidocaine, "2", 200_000, "500", "25.0", overRead)
	add("C-9", "Australian dental table, min(308, 300)", "test-au-dental", "70", lidocaine, "2", 80_000, "300", "15.0", overUnread)
	out = append(out, at("C-9", list("PMC9379193", published), "test-canada-dental", "20", 6, lidocaine, "2", 100_000, "140", "7.0", overRead)...)
	add("C-10", list("podiatry dictionary", published), "test-podiatry-dictionary", "50", mepivacaine, "3", 0, "300", "10.0", overRead)
	add("C-10", list("podiatry dictionary", published), "test-podiatry-dictionary", "63", mepivacaine, "3", 0, "378", "12.6", overRead)
	add("C-10", slides, "test-podiatry-slides", "70", mepivacaine, "3", 0, "420", "14.0", overRead)
	add("C-10", "podiatry dictionary, min(420, 400)", "test-podiatry-dictionary", "70", mepivacaine, "2", 0, "400", "20.0", overRead)
	add("C-10", "Malamed tables, min(462, 400)", "test-us-dental", "70", mepivacaine, "2", 0, "400", "20.0", overUnread)
	add("C-10", "PMC9379193, min(462, 400)", "test-canada-dental", "70", mepivacaine, "2", 0, "400", "20.0", overRead)
	add("C-10", "Australian dental table, min(308, 300)", "test-au-dental", "70", mepivacaine, "3", 0, "300", "10.0", overUnread)
	add("C-11", box, "au-toxicology", "75", bupivacaine, "0.5", 0, "150", "30.0", overRead)
	add("C-11", slides, "test-podiatry-slides", "97", bupivacaine, "0.5", 0, "140", "28.0", overRead)
	add("C-11", "Australian dental table, min(91, 90)", "test-au-dental", "70", bupivacaine, "0.5", 200_000, "90", "18.0", overUnread)
	add("C-11", "PMC9379193, 80 kg × 2", "test-canada-dental", "80", bupivacaine, "0.5", 200_000, "160", "32.0", overRead)
	add("C-12", slides, "test-podiatry-slides", "37", levobupivacaine, "0.5", 0, "74", "14.8", overRead)
	add("C-12", "podiatry dictionary, min(160, 150)", "test-podiatry-dictionary", "80", levobupivacaine, "0.5", 0, "150", "30.0", overRead)
	add("C-13", "Australian dental table, min(420, 400)", "test-au-dental", "70", prilocaine, "4", 0, "400", "10.0", overUnread)
	add("C-13", "Malamed tables, 70 kg × 8", "test-us-dental", "70", prilocaine, "4", 0, "560", "14.0", overUnread)
	add("C-13", "PMC9379193, min(560, 500)", "test-canada-dental", "70", prilocaine, "4", 0, "500", "12.5", overRead)
	out = append(out, at("C-13", "UK SmPC, 20 kg child × 5", "test-uk-prilocaine-child", "20", 6, prilocaine, "1", 0, "100", "10.0", overUnread)...)
	add("C-14", "Australian guideline Table 1, 70 kg × 3", "au-toxicology", "70", ropivacaine, "1", 0, "210", "21.0", overRead)
	add("C-14", "podiatry dictionary, 70 kg × 3.5", "test-podiatry-dictionary", "70", ropivacaine, "1", 0, "245", "24.5", overRead)
	add("C-14", "AAP table, 70 kg × 2", "test-aap", "70", ropivacaine, "1", 0, "140", "14.0", overUnread)
	add("C-14", "podiatry dictionary, min(280, 250)", "test-podiatry-dictionary", "80", ropivacaine, "1", 0, "250", "25.0", overRead)
	add("C-15", "Australian guideline Table 1, 70 kg × 7 = 12.25 mL of 4 %", "test-articaine", "70", articaine, "4", 100_000, "490", "12.2", overRead)
	add("C-15", "PMC9379193, min(560, 500)", "test-canada-dental", "80", articaine, "4", 100_000, "500", "12.5", overRead)
	add("C-15", "Malamed tables, no ceiling", "test-us-dental", "80", articaine, "4", 100_000, "560", "14.0", overUnread)
	return append(out, disagreements()...)
}

// disagreements are one record under several sets (C-16).
func disagreements() []Case {
	under := func(set string, twin bool, flags ...Flag) Case {
		return Case{Check: "C-16", Source: "220 mg plain lidocaine at 70 kg; " + computed, Name: "220 mg under " + set, Set: set, Twin: twin,
			Doses: []Dose{{lidocaine, "2", "11", 0}}, Figures: []Figure{{Code: safety.DoseTotal, Value: "220"}}, Flags: flags}
	}
	return []Case{
		under("us-label", true), under("ie-smpc", false, overRead), under("au-toxicology", false, overRead), under("test-podiatry-dictionary", false, overRead),
		{Check: "C-16", Source: "issue of no set chosen", Name: "no set", Flags: []Flag{{safety.NoCeilingChosen, record.LevelWarning}},
			Figures: []Figure{{Code: safety.DoseMass, Value: "40"}}},
		{Check: "C-16", Source: "the set names lidocaine only", Name: "agent not in the set", Set: "ie-smpc", Doses: []Dose{{bupivacaine, "0.5", "2", 0}}, Flags: []Flag{notInSet}},
	}
}

// intervalCases are mixtures, top-ups, intervals, volumes and children.
func intervalCases() []Case {
	slides := list("podiatry teaching slides, kilograms used up", published)
	mix := func(name, kg string, twin bool, value string, a, b Dose, flags ...Flag) Case {
		return Case{Check: "C-17", Source: slides, Name: name, Set: "test-podiatry-slides", Kg: kg, Twin: twin, Doses: []Dose{a, b},
			Figures: []Figure{{Code: safety.MixtureFraction, Value: value, Limit: "1"}}, Flags: append(flags, mixed)}
	}
	overMixed := Flag{safety.MixtureOverLimit, record.LevelCritical}
	out := []Case{
		mix("192/420 + 114/210 = 1", "70", true, "1", Dose{mepivacaine, "3", "6.4", 0}, Dose{lidocaine, "2", "5.7", 0}),
		mix("192/420 + 114.2/210", "70", false, "1.001", Dose{mepivacaine, "3", "6.4", 0}, Dose{lidocaine, "2", "5.71", 0}, overMixed),
		mix("100 mg lidocaine leaves 53.3 mg levobupivacaine", "60", true, "1", Dose{lidocaine, "2", "5", 0}, Dose{levobupivacaine, "0.5", "10.66", 0}),
		mix("100 mg lidocaine and 52 mg levobupivacaine", "60", true, "0.989", Dose{lidocaine, "2", "5", 0}, Dose{levobupivacaine, "0.5", "10.4", 0}),
		mix("100 mg lidocaine and 53.4 mg levobupivacaine", "60", false, "1.001", Dose{lidocaine, "2", "5", 0}, Dose{levobupivacaine, "0.5", "10.68", 0}, overMixed),
		{Check: "C-17", Source: "one agent is no mixture", Name: "mepivacaine alone", Set: "test-podiatry-slides", Twin: true, Doses: []Dose{{mepivacaine, "3", "6.4", 0}}},
		{Check: "C-19", Source: "an absent time is flagged", Name: "another sitting of this month, day not recorded", Set: "us-label",
			Earlier: []Earlier{{Doses: []Dose{{lidocaine, "2", "2", 0}}, Undated: true}}, Flags: []Flag{warning(safety.RepeatTimeNotKnown)}},
		{Check: "C-17", Source: computed, Name: "one limit missing does not clear the other", Set: "us-label", Doses: []Dose{{lidocaine, "2", "15.01", 0}, {bupivacaine, "0.5", "1", 0}},
			Flags: []Flag{overRead, overMixed, mixed, notInSet}},
		{Check: "C-17", Source: computed, Name: "one limit missing, not computable", Set: "us-label", Doses: []Dose{{lidocaine, "2", "2", 0}, {bupivacaine, "0.5", "1", 0}},
			Flags: []Flag{{safety.MixtureNotComputable, record.LevelNote}, mixed, notInSet}},
	}
	topUp := func(name, mL, total, left string, twin bool, flags ...Flag) Case {
		return Case{Check: "C-18", Source: list("podiatry teaching slides", published), Name: name, Set: "test-podiatry-slides", Twin: twin,
			Doses:   []Dose{{lidocaine, "2", "10.2", 0}, {lidocaine, "2", mL, 0}},
			Figures: []Figure{{Code: safety.DoseTotal, Value: total}, {Code: safety.DoseRemaining, Value: left, Limit: "210"}}, Flags: flags}
	}
	left := func(mL, mg, left string) Case {
		return Case{Check: "C-18", Source: list("podiatry teaching slides", published), Name: "mepivacaine left after " + mg + " mg", Set: "test-podiatry-slides",
			Doses: []Dose{{mepivacaine, "3", mL, 0}}, Figures: []Figure{{Code: safety.DoseRemaining, Value: left, Limit: "420"}}}
	}
	out = append(out, topUp("204 + 20 mg", "1", "224", "0", false, overRead), topUp("204 + 6 mg", "0.3", "210", "0", true),
		left("4.4", "132", "288"), left("6.4", "192", "228"))
	out = append(out, repeatCases()...)
	return append(append(out, volumeCases()...), incompleteCases()...)
}

func repeatCases() []Case {
	repeated := Flag{safety.RepeatedWithin24h, record.LevelWarning}
	again := func(check, name, set string, before time.Duration, earlier, now Dose, twin bool, total string, flags ...Flag) Case {
		return Case{Check: check, Source: "UK community podiatry leaflet: no other local anaesthetic within 24 h", Name: name, Set: set, Twin: twin,
			Doses: []Dose{now}, Earlier: []Earlier{{Before: before, Doses: []Dose{earlier}}}, Figures: []Figure{{Code: safety.DoseTotal, Value: total}}, Flags: flags}
	}
	lido := func(mL string) Dose { return Dose{lidocaine, "2", mL, 0} }
	mepi := func(mL string) Dose { return Dose{mepivacaine, "2", mL, 0} }
	early := Flag{safety.MepivacaineRepeated, record.LevelNote}
	return []Case{
		again("C-19", "second visit after 23 h", "us-label", 23*time.Hour, lido("2"), lido("2"), false, "80", repeated),
		again("C-19", "second visit after 24 h 00 min", "us-label", 24*time.Hour, lido("2"), lido("2"), true, "40"),
		again("C-19", "doses add up after 23 h", "us-label", 23*time.Hour, lido("10"), lido("6"), false, "320", repeated, overRead),
		again("C-19", "doses do not add up after 24 h 00 min", "us-label", 24*time.Hour, lido("10"), lido("6"), true, "120"),
		again("C-19", "mepivacaine after 89 min", "au-toxicology", 89*time.Minute, mepi("2"), mepi("2"), false, "80", repeated, early),
		again("C-19", "mepivacaine after 90 min", "au-toxicology", 90*time.Minute, mepi("2"), mepi("2"), true, "80", repeated),
		{Check: "C-19", Source: "the risk question of the record", Name: "another clinic within 24 h", Set: "us-label",
			Edit: func(s *record.Surgery) { s.Risks.OtherAnaestheticWithin24h = "yes" }, Flags: []Flag{{safety.OtherClinicWithin24h, record.LevelWarning}}},
	}
}

func volumeCases() []Case {
	volume := func(mL string) func(*record.Surgery) {
		return func(s *record.Surgery) { s.Toes[0].Block.Agents[0].ML = Decimal(mL) }
	}
	child := Flag{safety.ChildLimitNotInSet, record.LevelNote}
	lido := []Dose{{lidocaine, "2", "3.75", 0}}
	return []Case{
		{Check: "C-20", Source: computed, Name: "3 mL of 2 % lidocaine is 30 % of 200", Set: "ie-smpc", Doses: []Dose{{lidocaine, "2", "3", 0}},
			Figures: []Figure{{Code: safety.DoseTotal, Value: "60"}, {Code: safety.DosePercent, Value: "30", Limit: "200"}}},
		{Check: "C-20", Source: computed, Name: "4 mL of 3 % mepivacaine is 30 % of 400", Set: "test-podiatry-dictionary", Doses: []Dose{{mepivacaine, "3", "4", 0}},
			Figures: []Figure{{Code: safety.DoseTotal, Value: "120"}, {Code: safety.DosePercent, Value: "30", Limit: "400"}}},
		{Check: "C-20", Source: "plausibility, no source", Name: "more than 6 mL in one toe", Set: "us-label", Edit: volume("6.01"), Flags: []Flag{{safety.ToeVolumeLarge, record.LevelNote}}},
		{Check: "C-20", Source: "plausibility, no source", Name: "6 mL in one toe", Set: "us-label", Edit: volume("6"), Twin: true},
		{Check: "C-21", Source: "US label: 5 years, 50 lb, not over 75 to 100 mg", Name: "no limit for a child from that of adults", Set: "us-label", Kg: "22.68", Age: 5, Doses: lido, Flags: []Flag{child}},
		{Check: "C-21", Source: "US label, adults", Name: "17 years", Set: "us-label", Age: 17, Doses: lido, Flags: []Flag{child}},
		{Check: "C-21", Source: "US label, adults", Name: "18 years", Set: "us-label", Age: 18, Doses: lido, Twin: true},
		{Check: "C-21", Source: "HPRA SmPC s.4.2, one figure from 12 years", Name: "12 years", Set: "ie-smpc", Age: 12, Doses: lido, Twin: true,
			Figures: []Figure{{Code: safety.DosePercent, Value: "37.5", Limit: "200"}}},
		{Check: "C-21", Source: "HPRA SmPC s.4.2, one figure from 12 years", Name: "11 years", Set: "ie-smpc", Age: 11, Doses: lido, Flags: []Flag{child}},
		{Check: "C-21", Source: "US label of articaine, indications", Name: "articaine at 3 years", Set: "us-label", Age: 3, Kg: "15", Doses: []Dose{{articaine, "4", "1", 100_000}},
			Flags: []Flag{{safety.AgentBelowAge, record.LevelWarning}, notInSet}},
		{Check: "C-21", Source: "US label of articaine, indications", Name: "articaine at 4 years", Set: "us-label", Age: 4, Kg: "15", Doses: []Dose{{articaine, "4", "1", 100_000}},
			Flags: []Flag{notInSet}, Twin: true},
		{Check: "C-21", Source: computed, Name: "a child over even the limit of adults", Set: "us-label", Kg: "22.68", Age: 5, Doses: []Dose{{lidocaine, "2", "5.2", 0}}, Flags: []Flag{overRead}},
	}
}

// incompleteCases are records that lack what a limit needs.
func incompleteCases() []Case {
	lacks := Flag{safety.DoseNotComputable, record.LevelWarning}
	edit := func(f func(*record.Agent)) func(*record.Surgery) {
		return func(s *record.Surgery) { f(&s.Toes[0].Block.Agents[0]) }
	}
	return []Case{
		{Check: "C-6", Source: "absent is flagged", Name: "no volume", Set: "us-label", Edit: edit(func(a *record.Agent) { a.ML = nil }), Flags: []Flag{lacks}},
		{Check: "C-6", Source: "absent is flagged", Name: "no strength", Set: "us-label", Edit: edit(func(a *record.Agent) { a.Percent = nil }), Flags: []Flag{lacks}},
		{Check: "C-6", Source: "absent is flagged", Name: "no weight", Set: "us-label", Kg: "-", Flags: []Flag{lacks}},
		{Check: "C-6", Source: computed, Name: "no weight, over the ceiling alone", Set: "us-label", Kg: "-", Doses: []Dose{{lidocaine, "2", "15.01", 0}}, Flags: []Flag{overRead}},
		{Check: "C-6", Source: computed, Name: "no weight, at the ceiling", Set: "us-label", Kg: "-", Doses: []Dose{{lidocaine, "2", "15", 0}}, Flags: []Flag{lacks}},
		{Check: "C-6", Source: "absent is flagged", Name: "age not known", Set: "us-label", Age: -1, Flags: []Flag{{safety.AgeNotKnown, record.LevelNote}}},
		{Check: "C-4", Source: "absent is flagged", Name: "no ratio", Set: "us-label", Edit: edit(func(a *record.Agent) { a.Vasoconstrictor = "adrenaline" }), Flags: []Flag{{safety.AdrenalineUnknown, record.LevelNote}}},
	}
}
