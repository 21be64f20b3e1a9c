package mapping

import (
	"fmt"
	"strings"
	"time"

	"nailbridge/mapping/record"
)

// What has not come to pass when its record is received is kept as sent, and
// ends and moves no follow-up: a discharge, a stop or a death dated ahead does
// not end the watch, an operation dated ahead gives no dates, an attendance
// dated ahead is one without date. So it stays until it is corrected, or sent
// again once the day has come. One day's grace is given for zones.

// plannedFar is how many years ahead a review is planned at most without a flag:
// common practice, no source.
const plannedFar = 2

// aheadSignals are the flags of dates that lie ahead of the reception of their
// record, and of reviews planned years ahead: years mistyped, mostly.
func aheadSignals(cur Current, caseID string, zone *time.Location) []signal {
	var out []signal
	flag := func(code string, level Level, place, rule, source, text string, w *record.When) {
		out = append(out, signal{Flag: Flag{
			Code: code, Level: level, Case: caseID, Record: cur.Record.Record, Place: place, Text: text, Rule: rule, Source: source,
			Inputs: inputs("date", w.String()),
		}})
	}
	for _, d := range record.Dates(cur.Record) {
		if !d.When.Ahead(cur.Received, zone) {
			continue
		}
		what, leans := leansOn(cur.Record, d.Pointer)
		level, rest := Warning, "It is kept as sent; please check it."
		if leans && !cur.Record.Historical {
			level, rest = Critical, "It is kept as sent, and ends and moves no follow-up until it is corrected, or sent again once the day has come."
		}
		flag("date-ahead", level, d.Pointer, "D4.4", "", fmt.Sprintf("The date of %s lies later than the record was received. %s", what, rest), d.When)
	}
	if !cur.Received.IsZero() {
		limit := cur.Received.AddDate(plannedFar, 0, 0)
		for _, p := range plannedReviews(cur.Record) {
			if at, _ := p.When.In(zone); at.After(limit) {
				flag("review-planned-far-ahead", Warning, p.Pointer, "D4.1", "common practice, no source",
					fmt.Sprintf("A review is planned more than %d years ahead; please check the year.", plannedFar), p.When)
			}
		}
	}
	return out
}

// leansOn names a date of a record, and says whether the follow-up would end or
// move by it.
func leansOn(r *record.Record, pointer string) (what string, leans bool) {
	switch {
	case pointer == "/surgery/start":
		return "the operation", r.Surgery.Outcome != "not-done"
	case pointer == "/surgery/end":
		return "the end of the operation", r.Surgery.Outcome != "not-done" && r.Surgery.Start == nil
	case pointer == "/patient/deathDate":
		return "death", true
	case strings.HasSuffix(pointer, "/followUpStopped/at"):
		return "the end of the follow-up", true
	case strings.HasSuffix(pointer, "/discharge/at"):
		return "the discharge", true
	case pointer == "/review/at":
		v := r.Review
		missed := v.Attended() != "" && v.Attended() != "attended"
		return "the review", missed || v.Stopped != nil && v.Stopped.At == nil || dischargedThen(v.Toes)
	case pointer == "/contact/at":
		k := r.Contact
		return "the contact", k.Stopped != nil && k.Stopped.At == nil || dischargedThen(k.Toes)
	}
	return "something recorded as done", false
}

// dischargedThen reports a discharge without a date of its own, which has that
// of the review or contact.
func dischargedThen(ts []record.ToeFindings) bool {
	for _, t := range ts {
		for _, b := range t.Borders {
			if b.Discharge != nil && b.Discharge.At == nil {
				return true
			}
		}
	}
	return false
}

// plannedReviews are the dates of the reviews that a record plans.
func plannedReviews(r *record.Record) []record.Dated {
	var out []record.Dated
	add := func(pointer string, p *record.PlannedReview) {
		if p != nil && p.At != nil {
			out = append(out, record.Dated{Pointer: pointer + "/at", When: p.At})
		}
	}
	if s := r.Surgery; s != nil {
		for i := range s.PlannedReviews {
			add(fmt.Sprintf("/surgery/plannedReviews/%d", i), &s.PlannedReviews[i])
		}
	}
	if r.Review != nil {
		add("/review/nextReview", r.Review.NextReview)
	}
	if r.Contact != nil {
		add("/contact/nextReview", r.Contact.NextReview)
	}
	return out
}
