package mapping

import (
	"crypto/sha256"
	"encoding/hex"
	"slices"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"nailbridge/mapping/followup"
	"nailbridge/mapping/internal/r4"
	"nailbridge/mapping/record"
	"nailbridge/mapping/safety"
)

// signal is a flag with what its DetectedIssue needs beside it.
type signal struct {
	Flag
	identified *record.When // when it came to be, as recorded
	instant    time.Time    // or as computed
	at         spot         // what it implicates
	activity   string       // the activity of the plan it concerns
	mitigation *followup.Mitigation
}

// flagID names a flag for good: of the case, code, place and record.
func flagID(f Flag) string {
	sum := sha256.Sum256([]byte(keyOf(f.Case, f.Code, f.Place, f.Record)))
	return hex.EncodeToString(sum[:16])
}

// inputsHash binds an acknowledgement to what the flag was raised from (D1.3).
func inputsHash(f Flag) string {
	return safety.Flag{Code: f.Code, Place: f.Place, Inputs: f.Inputs}.InputsHash()
}

// raise gathers every flag of the case and builds the DetectedIssue of each
// that is published (D2.4).
func (c *caseFold) raise() {
	raised := c.safetySignals()
	raised = append(raised, c.followupSignals()...)
	raised = append(raised, c.recordSignals(c.in.Surgery)...)
	for _, v := range c.in.Visits {
		raised = append(raised, redSignals(v, c.caseID)...)
		raised = append(raised, c.atRiskSignals(v)...)
		raised = append(raised, c.recordSignals(v)...)
	}
	c.flags = publish(c.builder, raised, c.in.Acks)
}

// publish completes the signals, builds their issues, and gives the flags.
// Two signals of one code and place are one. Without a builder no issue is
// built.
func publish(b *builder, raised []signal, acks []Acknowledgement) []Flag {
	seen := map[string]bool{}
	var out []Flag
	for _, s := range raised {
		s.ID = flagID(s.Flag)
		s.InputsHash = inputsHash(s.Flag)
		s.Escalation = followup.EscalationOf(s.Code)
		if seen[s.ID] {
			continue
		}
		seen[s.ID] = true
		ack := acknowledged(&s, acks)
		if s.Level != Note && b != nil {
			b.detectedIssue(s, ack)
		}
		out = append(out, s.Flag)
	}
	return out
}

// acknowledged finds the first acknowledgement of exactly this flag with these
// inputs, and notes it on the flag.
func acknowledged(s *signal, acks []Acknowledgement) *Acknowledgement {
	for i := range acks {
		a := &acks[i]
		if a.Flag == s.ID && a.InputsHash == s.InputsHash {
			s.Acknowledged = &Acknowledged{Who: personText(&a.Who), Reason: a.Reason, At: a.At}
			return a
		}
	}
	return nil
}

// safetySignals are the flags of the safety arithmetic and the process findings.
func (c *caseFold) safetySignals() []signal {
	var out []signal
	for _, f := range append(slices.Clone(c.safe.Flags), c.processFlags()...) {
		out = append(out, signal{
			Flag: Flag{
				Code: f.Code, Level: f.Level, Case: c.caseID, Record: c.caseID, Place: f.Place,
				Text: f.Text, Inputs: f.Inputs, Source: f.Source, Rule: f.Check,
			},
			identified: c.sur.SittingAt(), at: nearest(c.spots, f.Place),
		})
	}
	return out
}

// processFlags are the process findings of the sitting; old data has none, since
// what it does not say means nothing.
func (c *caseFold) processFlags() []safety.Flag {
	if c.rec.Historical {
		return nil
	}
	return safety.Process(c.sur)
}

// followupSignals are the issues of the plan, as flags.
func (c *caseFold) followupSignals() []signal {
	var out []signal
	for _, i := range c.plan.Issues {
		s := signal{
			Flag: Flag{
				Code: string(i.Code), Level: i.Level, Case: c.caseID, Record: i.Record, Place: issuePlace(i),
				Text: i.Text, Source: i.Source, Rule: i.Rule, Closed: i.Final,
			},
			instant: i.Dated, activity: i.Activity, mitigation: i.Mitigation,
		}
		for _, f := range i.Inputs {
			s.Inputs = append(s.Inputs, safety.Input{Name: f.Name, Value: f.Value})
		}
		if i.Border != nil {
			s.at.place = place{i.Border.Side, i.Border.Digit, i.Border.Border}
		}
		out = append(out, s)
	}
	return out
}

// issuePlace is where a follow-up issue stands in the plan.
func issuePlace(i followup.Issue) string {
	p := "/plan"
	if i.Activity != "" {
		p += "/activity/" + i.Activity
	}
	if i.Border != nil {
		p += "/" + strings.ReplaceAll(i.Border.String(), " ", "-")
	}
	return p
}

// redSignals are the red flags of a review or contact (D2.3): critical.
func redSignals(cur Current, caseID string) []signal {
	var out []signal
	for _, f := range record.RedFlags(cur.Record) {
		at := placeOf(cur.Record, f.Pointer)
		out = append(out, signal{
			Flag: Flag{
				Code: f.Code, Level: Critical, Case: caseID, Record: cur.Record.Record, Place: redPlace(cur.Record, at),
				Text:   redText(cur.Record, at, f.Text),
				Inputs: []safety.Input{{Name: "seen", Value: whenText(cur.Record.VisitAt())}}, Rule: "D2.3",
			},
			identified: cur.Record.VisitAt(), at: spot{place: at},
		})
	}
	return out
}

// redPlace is a place by toe and border, which stays when others are added.
func redPlace(r *record.Record, at place) string {
	p := "/" + string(r.Kind)
	if toe := record.ToeCode(at.side, at.digit); toe != "" {
		p += "/toes/" + toe
	}
	if at.border != "" {
		p += "/borders/" + string(at.border)
	}
	return p
}

// redText is a red flag as a sentence: when, where, what.
func redText(r *record.Record, at place, what string) string {
	s := "At the " + string(r.Kind)
	if w := whenText(r.VisitAt()); w != "" {
		s += " of " + w
	}
	if where := placeText(at.side, at.digit, at.border); where != "" {
		s += ", " + where
	}
	return s + ": " + what + "."
}

// recordSignals are the flags of a record as it came: what could not be read,
// what is missing, and how its deliveries stand to one another.
func (c *caseFold) recordSignals(cur Current) []signal {
	return standingSignals(cur, c.caseID, c.s.Clinic.Zone)
}

// standingSignals are the flags of one record as it came, of a case or of none.
func standingSignals(cur Current, caseID string, zone *time.Location) []signal {
	id := cur.Record.Record
	add := func(out []signal, code string, l Level, pointer, text, rule string, inputs ...safety.Input) []signal {
		return append(out, signal{
			Flag:       Flag{Code: code, Level: l, Case: caseID, Record: id, Place: pointer, Text: text, Rule: rule, Inputs: inputs},
			identified: cur.Record.HappenedAt(),
		})
	}
	var out []signal
	sent := inputs("content", cur.Standing.Contents...)
	switch cur.Standing.Conflict {
	case SameRevision:
		out = add(out, "conflict-of-revisions", Critical, "/revision", "Two contents were sent under one revision; the later one counts until a higher revision comes.", "D1.2", sent...)
	case RevisionsPartial:
		out = add(out, "revisions-partial", Critical, "/revision", "This record was sent with and without a revision; the latest saved counts.", "D1.1", sent...)
	}
	if cur.NewerHeld {
		out = add(out, "newer-record-held", Critical, "", "A newer content of this record is held and not shown yet.", "D2", inputs("content", cur.Standing.Top.Hash)...)
	}
	if _, ahead := cur.SavedAt(zone); ahead {
		out = add(out, "saved-at-ahead", Warning, "/savedAt", "The record says it was saved more than ten minutes after it was received; the time of reception counts.", "D1.1", inputs("saved at", cur.Record.SavedAt.String())...)
	}
	for _, f := range cur.Findings {
		if f.Severity == record.Warning { // mere information stands among the reasons
			var rests []safety.Input
			if f.Sent != "" {
				rests = inputs("as sent", f.Sent)
			}
			out = add(out, f.Code, Warning, f.Pointer, sentence(f.Text), f.Rule, rests...)
		}
	}
	return append(out, aheadSignals(cur, caseID, zone)...)
}

// inputs are the values of one name that a flag was raised from.
func inputs(name string, values ...string) []safety.Input {
	var out []safety.Input
	for _, v := range values {
		out = append(out, safety.Input{Name: name, Value: v})
	}
	return out
}

// sentence writes a clause as a sentence.
func sentence(s string) string {
	r, n := utf8.DecodeRuneInString(s)
	return string(unicode.ToUpper(r)) + s[n:] + "."
}

// placeOf is the toe and border that a pointer into a review or contact
// stands under.
func placeOf(r *record.Record, pointer string) place {
	parts := strings.Split(strings.TrimPrefix(pointer, "/"), "/")
	if len(parts) < 3 || parts[1] != "toes" {
		return place{}
	}
	ts := findingsOf(r)
	i, ok := index(parts[2], len(ts))
	if !ok {
		return place{}
	}
	p := place{ts[i].Side, ts[i].Digit, ""}
	if len(parts) > 4 && parts[3] == "borders" {
		if j, ok := index(parts[4], len(ts[i].Borders)); ok {
			p.border = ts[i].Borders[j].Border
		}
	}
	return p
}

// index reads an array index of a JSON Pointer.
func index(s string, n int) (int, bool) {
	i := 0
	for _, r := range s {
		if r < '0' || r > '9' || i > n {
			return 0, false
		}
		i = i*10 + int(r-'0')
	}
	return i, s != "" && i < n
}

// personText is a person as people read it: the name, else the number.
func personText(p *record.Person) string {
	switch {
	case p == nil:
		return ""
	case p.Name != nil && p.Name.Family != "":
		return r4.NameText(p.Name)
	case p.Registration != nil:
		return p.Registration.Value
	}
	return p.StaffKey
}
