package safetytest

import (
	"regexp"

	"nailbridge/mapping/record"
	"nailbridge/mapping/safety"
)

// tenthLater finds the time of day of a date and time, up to the minute.
var tenthLater = regexp.MustCompile(`(T\d\d:\d\d):00`)

const practice = "common practice, no source"

// noVessel takes the tourniquet away, so that a risk raises only what it raises
// by itself.
func noTourniquet(s *record.Surgery) {
	s.Toes[0].Tourniquet, s.Toes[0].Tourniquets = "not-used", nil
}

func warning(code string) Flag  { return Flag{code, record.LevelWarning} }
func critical(code string) Flag { return Flag{code, record.LevelCritical} }
func note(code string) Flag     { return Flag{code, record.LevelNote} }

// allergic states an allergy in the sitting's own record.
func allergic(to record.Code, then func(*record.Surgery)) func(*record.Surgery) {
	return func(s *record.Surgery) {
		s.Allergies = &record.Allergies{Status: "present", Items: []record.Allergy{{Key: "a1", Substance: to}}}
		if then != nil {
			then(s)
		}
	}
}

// hazardCases are of tourniquet and phenol in spite of a risk, and of allergies.
func hazardCases() []Case {
	read := "Heidelbaugh and Lee 2009, step 3; ABI bands of C-40"
	risk := func(set func(*record.Risks)) func(*record.Surgery) {
		return func(s *record.Surgery) { set(s.Risks) }
	}
	caution := warning(safety.TourniquetCaution)
	out := []Case{
		{Check: "C-30", Source: read, Name: "ABPI 0.60", Set: "us-label", Edit: risk(func(r *record.Risks) { r.AnkleBrachialIndex = Decimal("0.60") }), Flags: []Flag{caution, warning(safety.IndexAbnormal)}},
		{Check: "C-30", Source: read, Name: "ABPI 0.91", Set: "us-label", Edit: risk(func(r *record.Risks) { r.AnkleBrachialIndex = Decimal("0.91") }), Flags: []Flag{note(safety.IndexBorderline)}, Twin: true},
		{Check: "C-30", Source: read, Name: "diabetes", Set: "us-label", Edit: risk(func(r *record.Risks) { r.Diabetes = "yes" }), Flags: []Flag{caution, note(safety.FootRiskUnknown)}},
		{Check: "C-30", Source: read, Name: "no diabetes", Set: "us-label", Twin: true},
		{Check: "C-30", Source: "a clinic's own limit", Name: "Raynaud's, 10 min under a local limit of 9", Set: "us-label", RiskMinutes: 9,
			Edit: risk(func(r *record.Risks) { r.Raynaud = "yes" }), Flags: []Flag{caution, warning(safety.TourniquetOverLocal)}},
		{Check: "C-30", Source: "a clinic's own limit", Name: "Raynaud's, 10 min under a local limit of 10", Set: "us-label", RiskMinutes: 10,
			Edit: risk(func(r *record.Risks) { r.Raynaud = "yes" }), Flags: []Flag{caution}, Twin: true},
		{Check: "C-30", Source: "a clinic's own limit", Name: "Raynaud's, a tenth of a second over a local limit of 10", Set: "us-label", RiskMinutes: 10,
			Edit: func(s *record.Surgery) {
				s.Risks.Raynaud = "yes"
				s.Toes[0].Tourniquets[0].Off = When(tenthLater.ReplaceAllString(s.Toes[0].Tourniquets[0].Off.Text, "$1:00.1"))
			}, Flags: []Flag{caution, warning(safety.TourniquetOverLocal)}},
		{Check: "C-37", Source: practice, Name: "arterial disease, tourniquet and phenol", Set: "us-label", Edit: risk(func(r *record.Risks) { r.ArterialDisease = "yes" }), Flags: []Flag{caution, warning(safety.PhenolWithRisk)}},
		{Check: "C-37", Source: practice, Name: "arterial disease, curettage without phenol or tourniquet", Set: "us-label", Twin: true, Edit: func(s *record.Surgery) {
			s.Risks.ArterialDisease = "yes"
			noTourniquet(s)
			s.Toes[0].Borders[0].Matrix, s.Toes[0].Borders[0].Flush = &record.Matrix{Method: "curettage"}, nil
		}},
		{Check: "C-37", Source: practice, Name: "breast-feeding", Set: "us-label", Edit: risk(func(r *record.Risks) { r.Lactating = "yes" }), Flags: []Flag{warning(safety.PhenolWithRisk)}},
		{Check: "C-37", Source: practice, Name: "not breast-feeding", Set: "us-label", Edit: risk(func(r *record.Risks) { r.Lactating = "no" }), Twin: true},
		{Check: "C-37", Source: practice, Name: "immune suppression", Set: "us-label", Edit: risk(func(r *record.Risks) { r.ImmuneSuppress = "yes" }), Flags: []Flag{warning(safety.PhenolWithRisk)}},
		{Check: "C-37", Source: practice, Name: "no immune suppression", Set: "us-label", Edit: risk(func(r *record.Risks) { r.ImmuneSuppress = "no" }), Twin: true},
	}
	for _, x := range []struct {
		name  string
		set   func(*record.Risks, record.Code)
		flags []Flag
	}{
		{"Raynaud's", func(r *record.Risks, a record.Code) { r.Raynaud = a }, []Flag{caution}},
		{"sickle cell disease", func(r *record.Risks, a record.Code) { r.SickleCell = a }, []Flag{caution}},
		{"earlier revascularisation", func(r *record.Risks, a record.Code) { r.Bypass = a }, []Flag{caution}},
		{"spreading infection", func(r *record.Risks, a record.Code) { r.SpreadingInfection = a }, []Flag{caution, warning(safety.PhenolWithRisk)}},
	} {
		out = append(out,
			Case{Check: "C-30", Source: practice, Name: x.name, Set: "us-label", Edit: risk(func(r *record.Risks) { x.set(r, "yes") }), Flags: x.flags},
			Case{Check: "C-30", Source: practice, Name: "no " + x.name, Set: "us-label", Edit: risk(func(r *record.Risks) { x.set(r, "no") }), Twin: true})
	}
	return append(out, allergyCases()...)
}

// allergyCases hold each agent against an allergy to it or to its class.
func allergyCases() []Case {
	type one struct {
		name string
		to   record.Code
		edit func(*record.Surgery)
		flag Flag
		twin record.Code // an allergy that the same agent does not meet
	}
	border := func(f func(*record.Border)) func(*record.Surgery) {
		return func(s *record.Surgery) { f(&s.Toes[0].Borders[0]) }
	}
	var out []Case
	for _, x := range []one{
		{"lidocaine, allergy to it", "lidocaine", nil, critical(safety.AnaestheticAllergy), "ester-anaesthetic"},
		{"lidocaine, allergy to another amide", "bupivacaine", nil, critical(safety.AnaestheticAllergy), "phenolless"},
		{"lidocaine, allergy to an unnamed local anaesthetic", "local-anaesthetic", nil, critical(safety.AnaestheticAllergy), "iodine"},
		{"phenol", "phenol", nil, critical(safety.ChemicalAllergy), "iodine"},
		{"chlorhexidine flush", "chlorhexidine", border(func(b *record.Border) { b.Flush.Agent = "chlorhexidine-alcohol" }), critical(safety.FlushAllergy), "iodine"},
		{"skin prepared with povidone-iodine", "iodine", func(s *record.Surgery) { s.SkinPrep = "povidone-iodine" }, critical(safety.SkinPreparationAllergy), "chlorhexidine"},
		{"skin prepared with chlorhexidine", "chlorhexidine", func(s *record.Surgery) { s.SkinPrep = "chlorhexidine" }, critical(safety.SkinPreparationAllergy), "iodine"},
		{"drain tubing, latex possible", "latex", func(s *record.Surgery) { s.Toes[0].Tourniquets[0].Device = "drain-tubing" }, warning(safety.LatexAllergy), "iodine"},
		{"adhesive dressing", "adhesive", func(s *record.Surgery) { s.Dressing = "adhesive" }, warning(safety.DressingAllergy), "iodine"},
		{"flucloxacillin, allergy to penicillins", "penicillin", func(s *record.Surgery) {
			s.Antibiotics = []record.Antibiotic{{Key: "ab1", Agent: "flucloxacillin"}}
		}, critical(safety.AntibioticAllergy), "iodine"},
	} {
		twin := x.twin
		if twin == "phenolless" {
			twin = "ester-anaesthetic"
		}
		out = append(out,
			Case{Check: "C-66", Source: practice, Name: "allergy: " + x.name, Set: "us-label", Edit: allergic(x.to, x.edit), Flags: []Flag{x.flag}},
			Case{Check: "C-66", Source: practice, Name: "allergy: " + x.name + ", of another class", Set: "us-label", Edit: allergic(twin, x.edit), Twin: true})
	}
	out = append(out, Case{Check: "C-66", Source: practice, Name: "allergy to lidocaine, refuted", Set: "us-label", Twin: true, Edit: func(s *record.Surgery) {
		s.Allergies = &record.Allergies{Status: "none-known", Items: []record.Allergy{{Key: "a1", Substance: "lidocaine", Refuted: true}}}
	}})
	words := func(a record.Allergy) func(*record.Surgery) {
		return func(s *record.Surgery) {
			a.Key = "a1"
			s.Allergies = &record.Allergies{Status: "present", Items: []record.Allergy{a}}
		}
	}
	out = append(out,
		Case{Check: "C-66", Source: practice, Name: "allergy in words", Set: "us-label", Edit: words(record.Allergy{Substance: "other", Text: "collapsed at the dentist"}), Flags: []Flag{note(safety.AllergyInWords)}},
		Case{Check: "C-66", Source: practice, Name: "allergy in words, refuted", Set: "us-label", Edit: words(record.Allergy{Substance: "other", Text: "collapsed at the dentist", Refuted: true}), Twin: true})
	return append(out,
		Case{Check: "C-69", Source: practice, Name: "anaesthetic past its expiry", Set: "us-label", Edit: func(s *record.Surgery) { s.Toes[0].Block.Agents[0].Expiry = When("2024-02") }, Flags: []Flag{warning(safety.AgentExpired)}},
		Case{Check: "C-69", Source: practice, Name: "anaesthetic in the month of its expiry", Set: "us-label", Edit: func(s *record.Surgery) { s.Toes[0].Block.Agents[0].Expiry = When("2024-03") }, Twin: true},
		Case{Check: "C-69", Source: practice, Name: "phenol past its expiry", Set: "us-label", Edit: func(s *record.Surgery) { s.Toes[0].Borders[0].Matrix.Expiry = When("2024-02-29") }, Flags: []Flag{warning(safety.AgentExpired)}},
		Case{Check: "C-69", Source: practice, Name: "phenol on the day of its expiry", Set: "us-label", Edit: func(s *record.Surgery) { s.Toes[0].Borders[0].Matrix.Expiry = When("2024-03-01") }, Twin: true})
}
