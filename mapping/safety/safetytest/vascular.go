package safetytest

import (
	"nailbridge/mapping/record"
	"nailbridge/mapping/safety"
)

// pressures are arms 130 and 138 and one leg.
func pressures(side, dorsalis, tibial, toe string) func(*record.Surgery) {
	return func(s *record.Surgery) {
		noTourniquet(s)
		s.Risks.AnkleBrachialIndex = nil
		leg := record.Leg{Side: record.Code(side)}
		for _, x := range []struct {
			into *(*record.Decimal)
			text string
		}{{&leg.DorsalisMmHg, dorsalis}, {&leg.TibialMmHg, tibial}, {&leg.ToeMmHg, toe}} {
			if x.text != "" {
				*x.into = Decimal(x.text)
			}
		}
		s.Vascular = &record.Vascular{LeftArmMmHg: Decimal("130"), RightArmMmHg: Decimal("138"), Legs: []record.Leg{leg}}
	}
}

// vascularCases are of the ankle and toe indices and the grade of ischaemia.
func vascularCases() []Case {
	aha, bands, grades := "2016 AHA/ACC guideline", "2016 and 2024 guideline cards", "PMC11279131 Table 2"
	index := func(value string) []Figure { return []Figure{{Code: safety.AnkleIndex, Value: value}} }
	grade := func(value string) Figure { return Figure{Code: safety.IschaemiaGrade, Value: value} }
	recorded := func(abi string) func(*record.Surgery) {
		return func(s *record.Surgery) { noTourniquet(s); s.Risks.AnkleBrachialIndex = Decimal(abi) }
	}
	zero := note(safety.IschaemiaGraded) // grade 0 is told as not verified
	return []Case{
		{Check: "C-39", Source: aha, Name: "right 120 and 128 over 138", Set: "us-label", Edit: pressures("right", "120", "128", ""), Figures: index("0.93"), Flags: []Flag{note(safety.IndexBorderline), zero}},
		{Check: "C-39", Source: aha, Name: "left 92 and 88 over 138", Set: "us-label", Edit: pressures("left", "92", "88", ""), Figures: append(index("0.67"), grade("1")), Flags: []Flag{warning(safety.IndexAbnormal), note(safety.IschaemiaGraded)}},
		{Check: "C-39", Source: aha, Name: "138 over 138", Set: "us-label", Edit: pressures("left", "138", "138", ""), Figures: index("1.00"), Flags: []Flag{zero}, Twin: true},

		{Check: "C-40", Source: bands, Name: "0.904 is 0.90", Set: "us-label", Edit: recorded("0.904"), Flags: []Flag{warning(safety.IndexAbnormal)}},
		{Check: "C-40", Source: bands, Name: "0.906 is 0.91", Set: "us-label", Edit: recorded("0.906"), Flags: []Flag{note(safety.IndexBorderline)}},
		{Check: "C-40", Source: bands, Name: "0.994 is 0.99", Set: "us-label", Edit: recorded("0.994"), Flags: []Flag{note(safety.IndexBorderline)}},
		{Check: "C-40", Source: bands, Name: "0.996 is 1.00", Set: "us-label", Edit: recorded("0.996"), Twin: true},
		{Check: "C-40", Source: bands, Name: "1.404 is 1.40", Set: "us-label", Edit: recorded("1.404"), Twin: true},
		{Check: "C-40", Source: bands, Name: "195 over 138 is 1.41", Set: "us-label", Edit: pressures("left", "195", "190", ""), Figures: index("1.41"), Flags: []Flag{note(safety.IndexNonCompressible)}},
		{Check: "C-41", Source: "2016 and 2024 bands, not those of 2004", Name: "1.35 is normal", Set: "us-label", Edit: recorded("1.35"), Twin: true},

		{Check: "C-42", Source: bands, Name: "toe 62 over 138", Set: "us-label", Edit: pressures("left", "140", "140", "62"), Figures: []Figure{{Code: safety.ToeIndex, Value: "0.45"}}, Flags: []Flag{warning(safety.ToeIndexAbnormal), zero}},
		{Check: "C-42", Source: bands, Name: "toe 98 over 138 is 0.71", Set: "us-label", Edit: pressures("left", "140", "140", "98"), Figures: []Figure{{Code: safety.ToeIndex, Value: "0.71"}}, Flags: []Flag{zero}, Twin: true},

		{Check: "C-43", Source: grades, Name: "toe 28 is grade 3", Set: "us-label", Edit: pressures("left", "140", "140", "28"), Figures: []Figure{grade("3")}, Flags: []Flag{warning(safety.ToeIndexAbnormal), warning(safety.IschaemiaGraded)}},
		{Check: "C-43", Source: grades, Name: "toe 35 is grade 2", Set: "us-label", Edit: pressures("left", "140", "140", "35"), Figures: []Figure{grade("2")}, Flags: []Flag{warning(safety.ToeIndexAbnormal), note(safety.IschaemiaGraded)}, Twin: true},
		{Check: "C-43", Source: grades, Name: "worst of ankle index 0.67 and toe 35", Set: "us-label", Edit: pressures("left", "92", "88", "35"), Figures: []Figure{grade("2")}, Flags: []Flag{warning(safety.IndexAbnormal), warning(safety.ToeIndexAbnormal), note(safety.IschaemiaGraded)}},
		{Check: "C-43", Source: "the ankle says nothing above 1.40", Name: "no grade from 1.41 without a toe pressure", Set: "us-label", Edit: pressures("left", "195", "190", ""), Flags: []Flag{note(safety.IndexNonCompressible)}},
		{Check: "C-43", Source: grades, Name: "1.41 with toe 35", Set: "us-label", Edit: pressures("left", "195", "190", "35"), Figures: []Figure{grade("2")}, Flags: []Flag{note(safety.IndexNonCompressible), warning(safety.ToeIndexAbnormal), note(safety.IschaemiaGraded)}},
		{Check: "C-44", Source: "trade limit of 2 s, " + practice, Name: "refill 3 s, adult", Set: "us-label", Edit: func(s *record.Surgery) { s.Toes[0].Perfusion.RefillSeconds = Decimal("3") }, Flags: []Flag{note(safety.RefillSlow)}},
		{Check: "C-44", Source: "trade limit of 2 s, " + practice, Name: "refill 2 s, adult", Set: "us-label", Twin: true},
	}
}

// footCases are of the classes of the diabetic foot.
func footCases() []Case {
	foot := func(change func(*record.Risks)) func(*record.Surgery) {
		return func(s *record.Surgery) {
			noTourniquet(s)
			r := s.Risks
			r.Diabetes, r.Neuropathy, r.ArterialDisease, r.Deformity, r.Callus = "yes", "no", "no", "no", "no"
			r.EarlierUlcer, r.EarlierAmputation, r.RenalReplacement, r.ActiveFootProblem = "no", "no", "no", "no"
			s.Toes[0].Borders[0].Matrix, s.Toes[0].Borders[0].Flush = nil, nil
			change(r)
		}
	}
	class := func(n string) []Figure { return []Figure{{Code: safety.IWGDFCategory, Value: n}} }
	both := []Flag{note(safety.FootRiskIWGDF), note(safety.FootRiskUK)}
	iwgdf, uk := "Schaper et al. 2020 Table 1", "screening pages after NICE NG19, read at second hand"
	c := func(check, source, name, category string, twin bool, change func(*record.Risks)) Case {
		return Case{Check: check, Source: source, Name: name, Set: "us-label", Edit: foot(change), Figures: class(category), Flags: both, Twin: twin}
	}
	return []Case{
		c("C-45", iwgdf, "loss of sensation only is 1", "1", false, func(r *record.Risks) { r.Neuropathy = "yes" }),
		c("C-45", iwgdf, "arterial disease and deformity is 2", "2", false, func(r *record.Risks) { r.ArterialDisease, r.Deformity = "yes", "yes" }),
		c("C-45", iwgdf, "deformity only is 0", "0", true, func(r *record.Risks) { r.Deformity = "yes" }),
		{Check: "C-45", Source: iwgdf, Name: "amputation without either", Set: "us-label", Edit: foot(func(r *record.Risks) { r.EarlierAmputation = "yes" }), Flags: []Flag{note(safety.FootRiskRecheck), note(safety.FootRiskUK)}},
		c("C-45", iwgdf, "loss of sensation and renal replacement is 3", "3", false, func(r *record.Risks) { r.Neuropathy, r.RenalReplacement = "yes", "yes" }),
		{Check: "C-45", Source: "only people with diabetes have a class", Name: "no diabetes", Set: "us-label", Edit: foot(func(r *record.Risks) { r.Diabetes, r.Neuropathy = "no", "yes" }), Twin: true},
		c("C-46", uk, "neuropathy alone is moderate", "1", false, func(r *record.Risks) { r.Neuropathy = "yes" }),
		c("C-46", uk, "neuropathy and callus is high", "1", false, func(r *record.Risks) { r.Neuropathy, r.Callus = "yes", "yes" }),
		c("C-46", uk, "callus alone is low", "0", true, func(r *record.Risks) { r.Callus = "yes" }),

		stage("C-47", "Heifetz IV", "heifetz", "IV", false), stage("C-47", "Heifetz III", "heifetz", "III", true),
		stage("C-48", "Mozena II", "mozena", "II", false), stage("C-48", "Mozena IIa", "mozena", "IIa", true),
		stage("C-49", "Martínez-Nova II", "martinez-nova", "II", false), stage("C-49", "Martínez-Nova IV", "martinez-nova", "IV", true),
	}
}

func stage(check, name string, system, stage record.Code, twin bool) Case {
	c := Case{Check: check, Source: "Martínez-Nova et al. 2007", Name: "stage " + name, Set: "us-label", Twin: twin,
		Edit: func(s *record.Surgery) {
			s.Indication = &record.Indication{Condition: "ingrowing-toenail", Stage: stage, StageSystem: system}
		}}
	if !twin {
		c.Flags = []Flag{warning(safety.StageOfOtherSystem)}
	}
	return c
}
