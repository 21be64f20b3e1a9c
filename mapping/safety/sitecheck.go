package safety

import (
	"fmt"
	"strings"
	"time"

	"nailbridge/mapping/record"
)

const (
	checklist = "WHO surgical safety checklist 2008; that it is asked at a toe is common practice"
	neverSite = "UK invasive-procedure standards, 2016: site marking, sign-in"
)

// order says how two times as recorded stand to one another.
type order int

const (
	unknownOrder order = iota
	notAfter
	after
)

// compare tells whether x came after y, as far as both are recorded: to the
// minute where one has no seconds, by the day where one has no time.
func compare(x, y *record.When, zone *time.Location) order {
	if x == nil || y == nil || x.Precision < record.PrecisionDay || y.Precision < record.PrecisionDay {
		return unknownOrder
	}
	a, _ := x.In(zone)
	b, _ := y.In(zone)
	if !x.HasTime() || !y.HasTime() {
		dx, dy := a.In(zone).Format(time.DateOnly), b.In(zone).Format(time.DateOnly)
		switch {
		case dx == dy:
			return unknownOrder
		case dx > dy:
			return after
		}
		return notAfter
	}
	if min(x.Precision, y.Precision) < record.PrecisionSecond {
		a, b = a.Truncate(time.Minute), b.Truncate(time.Minute)
	}
	if a.After(b) {
		return after
	}
	return notAfter
}

// siteChecks holds that sign-in or time-out came before the first injection and
// before the first cut (C-66, C-67). A time-out before the injection is never
// flagged, nor an injection before the time-out where the sign-in came first.
func (in SurgeryInput) siteChecks() Result {
	var r Result
	injected, anyInjection := in.firstInjection()
	if !anyInjection && !operatedAtAll(in.Surgery) {
		return r
	}
	checks := doneSteps(in.Surgery.SignIn, in.Surgery.TimeOut)
	if len(checks) == 0 {
		r.add(in.noSiteCheck())
	} else {
		if anyInjection {
			r.add(in.checkedBefore(checks, injected, SiteCheckAfterInject, "the first injection"))
		}
		if in.Surgery.Incision != nil {
			r.add(in.checkedBefore(checks, in.Surgery.Incision, SiteCheckAfterCut, "the first cut"))
		}
	}
	r.add(in.stepOrder())
	return r
}

func (in SurgeryInput) noSiteCheck() Result {
	var r Result
	said := func(s *record.Step) string {
		if s == nil {
			return ""
		}
		return string(s.Status)
	}
	r.flag(Flag{Code: SiteCheckMissing, Level: record.LevelCritical, Place: "/surgery", Source: neverSite, Tag: TagRead, Check: "C-67",
		Inputs: []Input{{"sign-in", said(in.Surgery.SignIn), ""}, {"time-out", said(in.Surgery.TimeOut), ""}},
		Text:   "No site check is recorded, neither sign-in nor time-out, before the toe was injected or cut. Source: " + neverSite + " [read]."})
	return r
}

func doneSteps(steps ...*record.Step) (out []*record.Step) {
	for _, s := range steps {
		if s != nil && s.Status == "done" {
			out = append(out, s)
		}
	}
	return out
}

// checkedBefore holds that one of the checks was not after an instant.
func (in SurgeryInput) checkedBefore(checks []*record.Step, at *record.When, code, what string) Result {
	var r Result
	known := 0
	inputs := []Input{{what, whenInput(at), ""}}
	for _, s := range checks {
		inputs = append(inputs, Input{"site check", whenInput(s.At), ""})
		switch compare(s.At, at, in.Zone) {
		case notAfter:
			return r
		case after:
			known++
		}
	}
	if known < len(checks) {
		r.flag(Flag{Code: SiteCheckUntimed, Level: record.LevelNote, Place: "/surgery", Inputs: inputs, Source: checklist, Tag: TagRead, Check: "C-66",
			Text: fmt.Sprintf("A site check is recorded; whether it came before %s is not known.", what)})
		return r
	}
	r.flag(Flag{Code: code, Level: record.LevelCritical, Place: "/surgery", Inputs: inputs, Source: checklist, Tag: TagRead, Check: "C-66",
		Text: fmt.Sprintf("The site was checked only after %s. Source: %s [read].", what, checklist)})
	return r
}

func whenInput(w *record.When) string {
	if w == nil {
		return ""
	}
	return w.String()
}

// firstInjection is the earliest injection whose time is known; nil where none
// is. any reports whether there was one at all.
func (in SurgeryInput) firstInjection() (first *record.When, any bool) {
	for _, t := range in.Surgery.Toes {
		if t.Block == nil {
			continue
		}
		for i := range t.Block.Agents {
			any = true
			if at := t.Block.Agents[i].At; at != nil && (first == nil || compare(first, at, in.Zone) == after) {
				first = at
			}
		}
	}
	return first, any
}

// operatedAtAll reports whether a border was operated on.
func operatedAtAll(s *record.Surgery) bool {
	for i := range s.Toes {
		for j := range s.Toes[i].Borders {
			if operated(s, &s.Toes[i].Borders[j]) {
				return true
			}
		}
	}
	return false
}

// operated reports whether a border was operated on, wholly or in part.
func operated(s *record.Surgery, b *record.Border) bool {
	outcome := b.Outcome
	if outcome == "" {
		outcome = s.Outcome
	}
	return outcome == "done" || outcome == "abandoned"
}

// stepOrder warns of steps that are out of order among themselves (C-66): sign-in
// after time-out, time-out after the first cut, the first cut after sign-out.
func (in SurgeryInput) stepOrder() Result {
	var r Result
	s := in.Surgery
	at := func(step *record.Step) *record.When {
		if step == nil || step.Status != "done" {
			return nil
		}
		return step.At
	}
	for _, p := range []struct {
		first, then     string
		firstAt, thenAt *record.When
	}{
		{"sign-in", "time-out", at(s.SignIn), at(s.TimeOut)},
		{"time-out", "first cut", at(s.TimeOut), s.Incision},
		{"first cut", "sign-out", s.Incision, at(s.SignOut)},
		{"time-out", "sign-out", at(s.TimeOut), at(s.SignOut)},
	} {
		if compare(p.firstAt, p.thenAt, in.Zone) == after {
			r.flag(Flag{Code: TimesOutOfOrder, Level: record.LevelWarning, Place: "/surgery/" + strings.ReplaceAll(p.first+"-"+p.then, " ", "-"), Source: checklist, Tag: TagRead, Check: "C-66",
				Inputs: []Input{{p.first, p.firstAt.String(), ""}, {p.then, p.thenAt.String(), ""}},
				Text:   fmt.Sprintf("The %s is recorded after the %s. Source: %s [read].", p.first, p.then, checklist)})
		}
	}
	return r
}

// ownConsent is the age in years below which an adult is expected to consent too
// (common practice, no source; the law of the place decides).
const ownConsent = 16

// consent holds what was operated on against what was consented to (C-67), and
// who consented.
func (in SurgeryInput) consent() Result {
	var r Result
	s := in.Surgery
	c := s.Consent
	if c == nil || !operatedAtAll(s) {
		return r
	}
	word := func(code, text string) {
		r.flag(Flag{Code: code, Level: record.LevelCritical, Place: "/surgery/consent", Inputs: []Input{{"consent", string(c.Status), ""}}, Source: common, Tag: TagPractice, Check: "C-67",
			Text: text + " Source: " + common + "."})
	}
	switch c.Status {
	case "refused":
		word(ConsentRefused, "The toe was operated on although consent was refused.")
	case "withdrawn":
		word(ConsentWithdrawn, "The toe was operated on although consent was withdrawn.")
	}
	child := in.AgeYears != nil && *in.AgeYears < ownConsent
	if (c.Capacity == "minor" || c.Capacity == "lacks-capacity" || child) && (c.GivenBy != "other" || c.Relationship == "") {
		inputs := []Input{{"capacity", string(c.Capacity), ""}, {"given by", string(c.GivenBy), ""}, {"relationship", string(c.Relationship), ""}}
		if child {
			inputs = append(inputs, Input{"age", fmt.Sprint(*in.AgeYears), "a"})
		}
		r.flag(Flag{Code: ConsentGiverMissing, Level: record.LevelWarning, Place: "/surgery/consent", Source: common, Tag: TagPractice, Check: "C-59", Inputs: inputs,
			Text: "The patient could not consent alone, or is a child, and which adult did is not recorded. Local law says from what age, and when a child, consents alone. Source: " + common + "."})
	}
	for i, toePlace := range ToePlaces(s) {
		t := &s.Toes[i]
		for j, place := range BorderPlaces(toePlace, t) {
			if b := &t.Borders[j]; operated(s, b) {
				r.add(covered(place, c.For, t, b))
			}
		}
	}
	return r
}

// fit says how a consent stands to an act.
type fit int

const (
	fitNone fit = iota
	fitOpen     // as far as both are recorded
	fitWhole
)

// covered judges one operated border: critical where the consent names another
// toe, border or procedure; a note where one of the two does not say.
func covered(place string, items []record.ConsentItem, t *record.Toe, b *record.Border) Result {
	var r Result
	best := fitNone
	inputs := []Input{{"operated", actText(t.Side, t.Digit, b.Border, b.Procedure), ""}}
	for _, item := range items {
		inputs = append(inputs, Input{"consent", actText(item.Side, item.Digit, item.Border, item.Procedure), ""})
		best = max(best, fits(item, t, b))
	}
	switch {
	case best == fitWhole:
	case best == fitOpen || len(items) == 0:
		r.flag(Flag{Code: ConsentIncomplete, Level: record.LevelNote, Place: place, Inputs: inputs, Source: neverSite, Tag: TagRead, Check: "C-67",
			Text: fmt.Sprintf("Whether the consent covers what was done to the %s cannot be told: toe, border or procedure is not named. Source: %s [read].", toeText(t.Side, t.Digit), neverSite)})
	default:
		r.flag(Flag{Code: ConsentMismatch, Level: record.LevelCritical, Place: place, Inputs: inputs, Source: neverSite, Tag: TagRead, Check: "C-67",
			Text: fmt.Sprintf("What was done to the %s is not what was consented to. Source: %s [read].", toeText(t.Side, t.Digit), neverSite)})
	}
	return r
}

func fits(item record.ConsentItem, t *record.Toe, b *record.Border) fit {
	best := fitWhole
	for _, pair := range [][2]record.Code{{item.Side, t.Side}, {item.Digit, t.Digit}, {item.Border, b.Border}, {item.Procedure, b.Procedure}} {
		switch {
		case pair[0] == "" || pair[1] == "":
			best = fitOpen
		case pair[0] != pair[1]:
			return fitNone
		}
	}
	return best
}

func actText(side, digit, border, procedure record.Code) string {
	return strings.Join([]string{string(side), string(digit), string(border), string(procedure)}, " ")
}
