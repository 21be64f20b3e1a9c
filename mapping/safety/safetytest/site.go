package safetytest

import (
	"nailbridge/mapping/record"
	"nailbridge/mapping/safety"
)

// siteCases are of the surgical checklist and the consent. Quiet was injected at
// 10:00, with sign-in at 09:55 and time-out at 09:58.
func siteCases() []Case {
	who, standards := "WHO checklist 2008", "UK invasive-procedure standards 2016"
	step := func(at string) *record.Step {
		return &record.Step{Status: "done", At: When("2024-03-01T" + at + "Z")}
	}
	consent := func(f func(*record.ConsentItem)) func(*record.Surgery) {
		return func(s *record.Surgery) { f(&s.Consent.For[0]) }
	}
	out := []Case{
		{Check: "C-67", Source: standards, Name: "no site check", Set: "us-label", Edit: func(s *record.Surgery) { s.SignIn, s.TimeOut = nil, nil }, Flags: []Flag{critical(safety.SiteCheckMissing)}},
		{Check: "C-67", Source: standards, Name: "site checks not done", Set: "us-label", Edit: func(s *record.Surgery) { s.SignIn.Status, s.TimeOut.Status = "not-done", "not-applicable" }, Flags: []Flag{critical(safety.SiteCheckMissing)}},
		{Check: "C-67", Source: standards, Name: "sign-in alone", Set: "us-label", Edit: func(s *record.Surgery) { s.TimeOut = nil }, Twin: true},
		{Check: "C-66", Source: who, Name: "both after the first injection", Set: "us-label", Edit: func(s *record.Surgery) { s.SignIn, s.TimeOut = step("10:01"), step("10:08") }, Flags: []Flag{critical(safety.SiteCheckAfterInject)}},
		{Check: "C-66", Source: who, Name: "sign-in at the minute of the injection, time-out after it", Set: "us-label", Edit: func(s *record.Surgery) { s.SignIn, s.TimeOut = step("10:00"), step("10:08") }, Twin: true},
		{Check: "C-66", Source: who, Name: "time-out before the injection, no sign-in", Set: "us-label", Edit: func(s *record.Surgery) { s.SignIn = nil }, Twin: true},
		{Check: "C-66", Source: who, Name: "both after the first cut", Set: "us-label",
			Edit: func(s *record.Surgery) {
				s.Toes[0].Block = nil
				s.Incision = When("2024-03-01T10:12Z")
				s.SignIn, s.TimeOut = step("10:13"), nil
			},
			Flags: []Flag{critical(safety.SiteCheckAfterCut)}},
		{Check: "C-66", Source: who, Name: "sign-in at the minute of the first cut", Set: "us-label",
			Edit: func(s *record.Surgery) {
				s.Toes[0].Block = nil
				s.Incision = When("2024-03-01T10:12Z")
				s.SignIn, s.TimeOut = step("10:12"), nil
			}, Twin: true},
		{Check: "C-66", Source: who, Name: "time of the site check not recorded", Set: "us-label", Edit: func(s *record.Surgery) { s.SignIn.At, s.TimeOut = nil, nil }, Flags: []Flag{note(safety.SiteCheckUntimed)}},
		{Check: "C-66", Source: who, Name: "time-out after the first cut, sign-in before", Set: "us-label", Edit: func(s *record.Surgery) { s.Incision = When("2024-03-01T10:12Z"); s.TimeOut = step("10:14") }, Flags: []Flag{warning(safety.TimesOutOfOrder)}},
		{Check: "C-66", Source: who, Name: "sign-out before the first cut", Set: "us-label", Edit: func(s *record.Surgery) { s.Incision = When("2024-03-01T10:39Z") }, Flags: []Flag{warning(safety.TimesOutOfOrder)}},
		{Check: "C-66", Source: who, Name: "all in order", Set: "us-label", Edit: func(s *record.Surgery) { s.Incision = When("2024-03-01T10:12Z") }, Twin: true},

		{Check: "C-67", Source: standards, Name: "consent for the left fifth toe", Set: "us-label", Edit: consent(func(i *record.ConsentItem) { i.Digit = "5" }), Flags: []Flag{critical(safety.ConsentMismatch)}},
		{Check: "C-67", Source: standards, Name: "consent for the other side", Set: "us-label", Edit: consent(func(i *record.ConsentItem) { i.Side = "right" }), Flags: []Flag{critical(safety.ConsentMismatch)}},
		{Check: "C-67", Source: standards, Name: "consent for the other border", Set: "us-label", Edit: consent(func(i *record.ConsentItem) { i.Border = "medial" }), Flags: []Flag{critical(safety.ConsentMismatch)}},
		{Check: "C-67", Source: standards, Name: "consent for another procedure", Set: "us-label", Edit: consent(func(i *record.ConsentItem) { i.Procedure = "total-avulsion" }), Flags: []Flag{critical(safety.ConsentMismatch)}},
		{Check: "C-67", Source: standards, Name: "consent for it, whole", Set: "us-label", Twin: true},
		{Check: "C-67", Source: standards, Name: "no border in the consent", Set: "us-label", Edit: consent(func(i *record.ConsentItem) { i.Border = "" }), Flags: []Flag{note(safety.ConsentIncomplete)}},
		{Check: "C-67", Source: standards, Name: "no border in the note", Set: "us-label", Edit: func(s *record.Surgery) { s.Toes[0].Borders[0].Border = "" }, Flags: []Flag{note(safety.ConsentIncomplete)}},
		{Check: "C-67", Source: practice, Name: "consent refused", Set: "us-label", Edit: func(s *record.Surgery) { s.Consent.Status = "refused" }, Flags: []Flag{critical(safety.ConsentRefused)}},
		{Check: "C-67", Source: practice, Name: "consent withdrawn, nothing done", Set: "us-label", Edit: func(s *record.Surgery) { s.Consent.Status, s.Outcome = "withdrawn", "not-done" }, Twin: true},
		{Check: "C-67", Source: practice, Name: "consent withdrawn", Set: "us-label", Edit: func(s *record.Surgery) { s.Consent.Status = "withdrawn" }, Flags: []Flag{critical(safety.ConsentWithdrawn)}},
		{Check: "C-59", Source: practice, Name: "a minor consented alone", Set: "us-label", Edit: func(s *record.Surgery) { s.Consent.Capacity = "minor" }, Flags: []Flag{warning(safety.ConsentGiverMissing)}},
		{Check: "C-59", Source: practice, Name: "a child of 15 consented alone", Set: "us-label", Age: 15, Flags: []Flag{warning(safety.ConsentGiverMissing), note(safety.ChildLimitNotInSet)}},
		{Check: "C-59", Source: practice, Name: "a patient of 16 consented", Set: "us-label", Age: 16, Twin: true, Flags: []Flag{note(safety.ChildLimitNotInSet)}},
		{Check: "C-59", Source: practice, Name: "a parent consented", Set: "us-label", Edit: func(s *record.Surgery) {
			s.Consent.Capacity, s.Consent.GivenBy, s.Consent.Relationship = "minor", "other", "parent"
		}, Twin: true},
	}
	return append(out, otherPlaces()...)
}

// otherPlaces show that the rules hold on the second toe and the other border.
func otherPlaces() []Case {
	second := func(f func(*record.Toe)) func(*record.Surgery) {
		return func(s *record.Surgery) {
			t := s.Toes[0]
			t.Key, t.Side = "toe-2", "right"
			t.Borders = []record.Border{t.Borders[0]}
			t.Borders[0].Border = "medial"
			t.Block = &record.Block{Technique: "digital-block", Effective: "yes"}
			t.Tourniquets = []record.Tourniquet{t.Tourniquets[0]}
			s.Consent.For = append(s.Consent.For, record.ConsentItem{Side: "right", Digit: "1", Border: "medial", Procedure: "partial-avulsion"})
			f(&t)
			s.Toes = append(s.Toes, t)
		}
	}
	standards := "UK invasive-procedure standards 2016"
	return []Case{
		{Check: "C-67", Source: standards, Name: "second toe, border not consented", Set: "us-label", Edit: second(func(t *record.Toe) { t.Borders[0].Border = "lateral" }), Flags: []Flag{critical(safety.ConsentMismatch)}},
		{Check: "C-67", Source: standards, Name: "second toe, consented", Set: "us-label", Edit: second(func(*record.Toe) {}), Twin: true},
		{Check: "C-24", Source: "abstracts restating the 2009 alert", Name: "glove on the second toe", Set: "us-label", Edit: second(func(t *record.Toe) { t.Tourniquets[0].Device = "glove" }), Flags: []Flag{critical(safety.TourniquetGlove)}},
		{Check: "C-24", Source: "abstracts restating the 2009 alert", Name: "ring on the second toe", Set: "us-label", Edit: second(func(*record.Toe) {}), Twin: true},
	}
}
