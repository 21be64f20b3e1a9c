package safetytest

import (
	"nailbridge/mapping/record"
	"nailbridge/mapping/safety"
)

func tourniquetCases() []Case {
	alert := "abstracts restating the 2009 alert"
	study := "Becerro de Bengoa Vallejo et al. 2013"
	tourniquet := func(f func(*record.Tourniquet)) func(*record.Surgery) {
		return func(s *record.Surgery) { f(&s.Toes[0].Tourniquets[0]) }
	}
	times := func(on, off string) func(*record.Surgery) {
		return tourniquet(func(t *record.Tourniquet) { t.On, t.Off = When("2024-03-01T"+on), When("2024-03-01T"+off) })
	}
	minutes := func(v string) []Figure {
		return []Figure{{Code: safety.TourniquetMinutes, Value: v, Limit: "20", Place: "/surgery/toes/left-1:toe-1/tourniquets/:tq-1"}}
	}
	over := Flag{safety.TourniquetOverTime, record.LevelWarning}
	near := Flag{safety.TourniquetNearLimit, record.LevelNote}
	signOut := Flag{safety.SignOutIncomplete, record.LevelWarning}
	released := Flag{safety.ReleaseMissing, record.LevelCritical}
	out := []Case{
		{Check: "C-24", Source: alert, Name: "glove", Set: "us-label", Edit: tourniquet(func(t *record.Tourniquet) { t.Device = "glove" }), Flags: []Flag{{safety.TourniquetGlove, record.LevelCritical}}},
		{Check: "C-24", Source: "D2.4: no patient exposed", Name: "glove, surgery not done", Set: "us-label",
			Edit: func(s *record.Surgery) { s.Outcome = "not-done"; s.Toes[0].Tourniquets[0].Device = "glove" }, Flags: []Flag{{safety.TourniquetGlove, record.LevelWarning}}},
		{Check: "C-24", Source: alert, Name: "ring", Set: "us-label", Twin: true},
		{Check: "C-24", Source: alert, Name: "colour blank", Set: "us-label", Edit: tourniquet(func(t *record.Tourniquet) { t.Colour = " " }), Flags: []Flag{{safety.TourniquetColour, record.LevelWarning}}},
		{Check: "C-24", Source: alert, Name: "colour recorded", Set: "us-label", Twin: true},

		{Check: "C-25", Source: study, Name: "10:05 to 10:26", Set: "us-label", Edit: times("10:05Z", "10:26Z"), Figures: minutes("21"), Flags: []Flag{over, near}},
		{Check: "C-25", Source: study, Name: "10:05 to 10:25, seconds absent (D5.6)", Set: "us-label", Edit: times("10:05Z", "10:25Z"), Figures: minutes("20"), Flags: []Flag{near}, Twin: true},
		{Check: "C-25", Source: study, Name: "10:05:00 to 10:26:00", Set: "us-label", Edit: times("10:05:00Z", "10:26:00Z"), Figures: minutes("21"), Flags: []Flag{over}},
		{Check: "C-25", Source: study, Name: "10:05:00 to 10:25:00", Set: "us-label", Edit: times("10:05:00Z", "10:25:00Z"), Figures: minutes("20"), Twin: true},
		{Check: "C-25", Source: study, Name: "10:05 to 10:24, seconds absent", Set: "us-label", Edit: times("10:05Z", "10:24Z"), Figures: minutes("19"), Twin: true},
		{Check: "C-25", Source: study, Name: "off missing", Set: "us-label", Edit: tourniquet(func(t *record.Tourniquet) { t.Off = nil }), Flags: []Flag{released, signOut}},
		{Check: "C-25", Source: study, Name: "off before on", Set: "us-label", Edit: times("10:25:00Z", "10:05:00Z"), Flags: []Flag{{safety.TimesReversed, record.LevelCritical}}},
		{Check: "C-25", Source: study, Name: "used, no period recorded", Set: "us-label", Edit: func(s *record.Surgery) { s.Toes[0].Tourniquets = nil }, Flags: []Flag{released, signOut}},
		{Check: "C-25", Source: study, Name: "on known to the day only", Set: "us-label", Edit: tourniquet(func(t *record.Tourniquet) { t.On = When("2024-03-01") }), Flags: []Flag{warning(safety.TourniquetUnknownTime)}},
		{Check: "C-26", Source: "Wilson and Oloff 2021: 120 min is for a limb", Name: "90 min on a digit", Set: "us-label", Edit: times("10:00:00Z", "11:30:00Z"), Figures: minutes("90"), Flags: []Flag{over}},
		{Check: "C-26", Source: "the limit of a digit, C-25", Name: "20 min on a digit", Set: "us-label", Edit: times("10:00:00Z", "10:20:00Z"), Figures: minutes("20"), Twin: true},
		{Check: "C-27", Source: "no accepted digital target", Name: "no pressure is asked for", Set: "us-label", Twin: true},
	}
	out = append(out, periodCases(study)...)
	sign := func(name string, twin bool, f func(*record.Toe)) Case {
		c := Case{Check: "C-28", Source: "common practice: off time, perfusion, count", Name: name, Set: "us-label", Twin: twin, Edit: func(s *record.Surgery) { f(&s.Toes[0]) }}
		if !twin {
			c.Flags = []Flag{signOut}
		}
		return c
	}
	out = append(out, releasedCases()...)
	dressing := Flag{safety.DressingBeforeRelease, record.LevelCritical}
	retained := "Manske 2020, AHRQ PSNet"
	return append(out,
		sign("not counted out", false, func(t *record.Toe) { t.Tourniquets[0].CountedOut = "no" }),
		sign("count not recorded", false, func(t *record.Toe) { t.Tourniquets[0].CountedOut = "" }),
		sign("perfusion not recorded", false, func(t *record.Toe) { t.Perfusion = nil }),
		sign("complete", true, func(*record.Toe) {}),
		Case{Check: "C-29", Source: retained, Name: "dressing visit, no release recorded", Set: "us-label", FirstReview: "2024-03-03",
			Edit: tourniquet(func(t *record.Tourniquet) { t.Off = nil }), Flags: []Flag{dressing, released, signOut}},
		Case{Check: "C-29", Source: retained, Name: "dressing visit before the release", Set: "us-label", FirstReview: "2024-03-01T10:15:00Z", Flags: []Flag{dressing}},
		Case{Check: "C-29", Source: retained, Name: "dressing visit at the release", Set: "us-label", FirstReview: "2024-03-01T10:20:00Z", Twin: true},
		Case{Check: "C-29", Source: retained, Name: "dressing visit on the day, time not recorded", Set: "us-label", FirstReview: "2024-03-01", Twin: true},
		Case{Check: "C-29", Source: retained, Name: "dressing visit two days later", Set: "us-label", FirstReview: "2024-03-03", Twin: true},
	)
}

// releasedCases are of what a record says of the tourniquet's use, and of the
// toe once it is off.
func releasedCases() []Case {
	toe := func(check, name string, twin bool, f func(*record.Toe), flags ...Flag) Case {
		return Case{Check: check, Source: practice, Name: name, Set: "us-label", Twin: twin, Flags: flags, Edit: func(s *record.Surgery) { f(&s.Toes[0]) }}
	}
	return []Case{
		toe("C-28", "use not stated", false, func(t *record.Toe) { t.Tourniquet, t.Tourniquets = "", nil }, note(safety.TourniquetUseUnknown)),
		toe("C-28", "not used", true, func(t *record.Toe) { t.Tourniquet, t.Tourniquets = "not-used", nil }),
		toe("C-28", "not used, and a period recorded", false, func(t *record.Toe) { t.Tourniquet = "not-used" }, warning(safety.TourniquetUseDisputed)),
		toe("C-58", "not perfused after release", false, func(t *record.Toe) { t.Perfusion.Returned = "no" }, critical(safety.ToeNotPerfused), warning(safety.SignOutIncomplete)),
		toe("C-58", "dusky after release", false, func(t *record.Toe) { t.Perfusion.Colour = "dusky" }, critical(safety.ToeDusky)),
		toe("C-58", "white after release", false, func(t *record.Toe) { t.Perfusion.Colour = "white" }, critical(safety.ToeWhite)),
		toe("C-58", "cold after release", false, func(t *record.Toe) { t.Perfusion.Cold = "yes" }, critical(safety.ToeCold)),
		toe("C-58", "pink and warm after release", true, func(*record.Toe) {}),
	}
}

// periodCases are two periods on one digit: 10:10 to 10:20 and a second.
func periodCases(study string) []Case {
	two := func(name, firstOff, on, off string, twin bool, figures []Figure, flags ...Flag) Case {
		return Case{Check: "C-25", Source: study + ": reperfuse 3 to 5 min", Name: name, Set: "us-label", Twin: twin, Figures: figures, Flags: flags,
			Edit: func(s *record.Surgery) {
				t := &s.Toes[0]
				t.Tourniquets[0].Off = When("2024-03-01T" + firstOff)
				second := t.Tourniquets[0]
				second.Key, second.On, second.Off = "tq-2", When("2024-03-01T"+on), When("2024-03-01T"+off)
				t.Tourniquets = append(t.Tourniquets, second)
			}}
	}
	gap := func(v string) Figure {
		return Figure{Code: safety.ReperfusionTime, Value: v, Limit: "3", Place: "/surgery/toes/left-1:toe-1/tourniquets/:tq-2"}
	}
	total := func(v string) Figure { return Figure{Code: safety.TourniquetTotal, Value: v} }
	short := Flag{safety.ReperfusionShort, record.LevelWarning}
	over := Flag{safety.TourniquetOverTime, record.LevelWarning}
	return []Case{
		two("20 min, 3 min of reperfusion, 20 min", "10:30:00Z", "10:33:00Z", "10:53:00Z", true, []Figure{gap("3"), total("40")}),
		two("10 min, 2:59 of reperfusion, 10 min", "10:20:00Z", "10:22:59Z", "10:32:59Z", false, []Figure{gap("2.98"), total("20")}, short),
		two("10 min, 1 min of reperfusion, 11 min count as one", "10:20:00Z", "10:21:00Z", "10:32:00Z", false, []Figure{gap("1"), total("21")}, short, over),
		two("periods overlap", "10:20:00Z", "10:15:00Z", "10:31:00Z", false, []Figure{total("21")}, Flag{safety.PeriodsOverlap, record.LevelWarning}, short, over),
		two("3 min of reperfusion, seconds absent", "10:20Z", "10:23Z", "10:33Z", true, []Figure{gap("3")}, Flag{safety.ReperfusionNearLimit, record.LevelNote}),
	}
}

func chemicalCases() []Case {
	matrix := func(f func(*record.Matrix)) func(*record.Surgery) {
		return func(s *record.Surgery) { f(s.Toes[0].Borders[0].Matrix) }
	}
	percent := func(p string) func(*record.Surgery) {
		return matrix(func(m *record.Matrix) { m.Percent = Decimal(p) })
	}
	seconds := func(each ...string) func(*record.Surgery) {
		return matrix(func(m *record.Matrix) { m.Applications = Seconds(each...) })
	}
	total := func(v string) []Figure {
		return []Figure{{Code: safety.ContactSeconds, Value: v, Place: "/surgery/toes/left-1:toe-1/borders/lateral:b-1/matrix"}}
	}
	strength := "Fernández Canedo 2013; Heidelbaugh 2009"
	regimen := "Heidelbaugh 2009; Ramesh 2020; observed range"
	outOfRange := Flag{safety.StrengthOutOfRange, record.LevelWarning}
	out := []Case{
		{Check: "C-31", Source: strength, Name: "79.9 %", Set: "us-label", Edit: percent("79.9"), Flags: []Flag{outOfRange}},
		{Check: "C-31", Source: strength, Name: "80.0 %", Set: "us-label", Edit: percent("80.0"), Twin: true},
		{Check: "C-31", Source: strength, Name: "90.1 %", Set: "us-label", Edit: percent("90.1"), Flags: []Flag{outOfRange}},
		{Check: "C-31", Source: strength, Name: "90.0 %", Set: "us-label", Edit: percent("90.0"), Twin: true},
		{Check: "C-31", Source: "a vapour study, pubmed 18811717", Name: "95 %", Set: "us-label", Edit: percent("95"), Flags: []Flag{outOfRange}},
		{Check: "C-31", Source: "absent is flagged", Name: "strength absent", Set: "us-label", Edit: matrix(func(m *record.Matrix) { m.Percent = nil }), Flags: []Flag{{safety.StrengthMissing, record.LevelNote}}},
		{Check: "C-32", Source: regimen, Name: "3 × 60 s", Set: "us-label", Edit: seconds("60", "60", "60"), Figures: total("180"), Twin: true},
		{Check: "C-32", Source: regimen, Name: "3 × 30 s", Set: "us-label", Edit: seconds("30", "30", "30"), Figures: total("90"), Twin: true},
		{Check: "C-32", Source: regimen + "; the upper bound of 4 min is from memory, so a note (D2.4)", Name: "300 s", Set: "us-label", Edit: seconds("150", "150"), Figures: total("300"), Flags: []Flag{{safety.ContactLong, record.LevelNote}}},
		{Check: "C-32", Source: regimen, Name: "240 s", Set: "us-label", Edit: seconds("120", "120"), Figures: total("240"), Twin: true},
		{Check: "C-32", Source: regimen, Name: "29 s", Set: "us-label", Edit: seconds("29"), Figures: total("29"), Flags: []Flag{{safety.ContactShort, record.LevelWarning}}},
		{Check: "C-32", Source: regimen, Name: "30 s", Set: "us-label", Edit: seconds("30"), Figures: total("30"), Twin: true},
		{Check: "C-32", Source: "absent is flagged", Name: "seconds absent", Set: "us-label",
			Edit: matrix(func(m *record.Matrix) { m.Applications[1].Seconds = nil }), Flags: []Flag{{safety.ContactNotComputable, record.LevelNote}}},
	}
	hydroxide := func(name string, twin bool, flush record.Code, flags []Flag, each ...string) Case {
		return Case{Check: "C-35", Source: "Bostancı et al. 2014 and 2007; Ramesh 2020", Name: name, Set: "us-label", Twin: twin, Flags: flags, Edit: func(s *record.Surgery) {
			b := &s.Toes[0].Borders[0]
			b.Matrix.Agent, b.Matrix.Percent, b.Matrix.Applications = "sodium-hydroxide", Decimal("10"), Seconds(each...)
			b.Flush = &record.Flush{Agent: flush}
		}}
	}
	naohRange := []Flag{{safety.ContactOutOfRange, record.LevelWarning}}
	out = append(out,
		hydroxide("59 s", false, "acetic-acid", naohRange, "59"), hydroxide("60 s", true, "acetic-acid", nil, "60"),
		hydroxide("121 s", false, "acetic-acid", naohRange, "60", "61"), hydroxide("120 s", true, "acetic-acid", nil, "60", "60"),
		hydroxide("no neutraliser", false, "saline", []Flag{{safety.NeutraliserMissing, record.LevelNote}}, "60"))
	return append(out, riskCases()...)
}

func riskCases() []Case {
	border := func(f func(*record.Border)) func(*record.Surgery) {
		return func(s *record.Surgery) { f(&s.Toes[0].Borders[0]) }
	}
	pregnant := func(reason string) func(*record.Surgery) {
		return func(s *record.Surgery) { s.Risks.Pregnant, s.Risks.OverrideReason = "yes", reason }
	}
	adrenaline := func(raynaud record.Code) func(*record.Surgery) {
		return func(s *record.Surgery) {
			n := int64(200_000)
			a := &s.Toes[0].Block.Agents[0]
			a.Vasoconstrictor, a.Ratio, s.Risks.Raynaud = "adrenaline", &n, raynaud
		}
	}
	return []Case{
		{Check: "C-22", Source: "McNamara and Greyson 2022", Name: "adrenaline and Raynaud's", Set: "us-label", Edit: adrenaline("yes"), Flags: []Flag{{safety.AdrenalineArterial, record.LevelWarning}, {safety.TourniquetCaution, record.LevelWarning}}},
		{Check: "C-22", Source: "Ilicki 2015", Name: "adrenaline without risk", Set: "us-label", Edit: adrenaline("no"), Twin: true},
		{Check: "C-34", Source: "PMID 24680105", Name: "acetic acid after phenol", Set: "us-label", Edit: border(func(b *record.Border) { b.Flush.Agent = "acetic-acid" }), Flags: []Flag{{safety.FlushMismatch, record.LevelWarning}}},
		{Check: "C-34", Source: "PMID 24680105", Name: "alcohol after phenol", Set: "us-label", Twin: true},
		{Check: "C-36", Source: "Ramesh 2020: 3 min", Name: "trichloroacetic acid has no time table of the others", Set: "us-label", Twin: true,
			Edit: border(func(b *record.Border) {
				b.Matrix.Agent, b.Matrix.Applications = "trichloroacetic-acid", Seconds("300")
			})},
		{Check: "C-37", Source: "Heidelbaugh 2009, step 7", Name: "pregnant", Set: "us-label", Edit: pregnant(""), Flags: []Flag{{safety.PhenolInPregnancy, record.LevelCritical}}},
		{Check: "C-37", Source: "Heidelbaugh 2009, step 7", Name: "pregnant, with reason", Set: "us-label", Edit: pregnant("agreed"), Flags: []Flag{{safety.PhenolInPregnancy, record.LevelWarning}}},
		{Check: "C-37", Source: "Heidelbaugh 2009, step 7", Name: "not pregnant", Set: "us-label", Twin: true},
		{Check: "C-38", Source: "Heidelbaugh 2009", Name: "skin not protected", Set: "us-label", Edit: border(func(b *record.Border) { b.Matrix.SkinProtection = "no" }), Flags: []Flag{{safety.SkinNotProtected, record.LevelNote}}},
		{Check: "C-38", Source: "Heidelbaugh 2009", Name: "skin protected", Set: "us-label", Twin: true},
		{Check: "C-38", Source: "Dermatol Surg 2008;34:1515", Name: "phenol open for 21 min and 1 s", Set: "us-label",
			Edit: border(func(b *record.Border) { b.Matrix.Applications = Seconds("600", "661") }), Flags: []Flag{{safety.VapourLong, record.LevelNote}, {safety.ContactLong, record.LevelNote}}},
		{Check: "C-38", Source: "Dermatol Surg 2008;34:1515", Name: "phenol open for 21 min", Set: "us-label", Twin: true,
			Edit: border(func(b *record.Border) { b.Matrix.Applications = Seconds("600", "660") }), Flags: []Flag{{safety.ContactLong, record.LevelNote}}},
		{Check: "C-38", Source: "Dermatol Surg 2008;34:1515: of phenol", Name: "trichloroacetic acid for 21 min and 1 s", Set: "us-label", Twin: true,
			Edit: border(func(b *record.Border) {
				b.Matrix.Agent, b.Matrix.Applications = "trichloroacetic-acid", Seconds("600", "661")
			})},
		{Check: "C-36", Source: "Ramesh 2020: 90 % for 3 min", Name: "trichloroacetic acid has no strength of phenol's either", Set: "us-label", Twin: true,
			Edit: border(func(b *record.Border) { b.Matrix.Agent, b.Matrix.Percent = "trichloroacetic-acid", Decimal("90.1") })},
	}
}
