package mapping

import (
	dpb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/datatypes_go_proto"

	"nailbridge/mapping/internal/r4"
	"nailbridge/mapping/record"
	"nailbridge/mapping/terms"
)

// ownWords is what a record says of the follow-up, as extensions of its
// Encounter. The plan shows what became of all records together (D4); a later
// one replaces there what an earlier one said, and the way back needs each
// record's own words.
func (b *builder) ownWords(r *record.Record) []*dpb.Extension {
	var out []*dpb.Extension
	add := func(x *dpb.Extension) {
		if x != nil {
			out = append(out, x)
		}
	}
	switch {
	case r.Surgery != nil:
		for i := range r.Surgery.PlannedReviews {
			add(b.statedReview(&r.Surgery.PlannedReviews[i]))
		}
		add(b.stopped(r.Surgery.Stopped))
	case r.Review != nil:
		add(answersActivity(r.Review.Activity))
		if r.Review.At != nil && notHeld(r.Review) {
			add(r4.Extension(terms.ExtPlannedTime, b.when(r.Review.At)))
		}
		add(contradicted(r.Review))
		add(b.statedReview(r.Review.NextReview))
		add(b.stopped(r.Review.Stopped))
	case r.Contact != nil:
		add(answersActivity(r.Contact.Activity))
		if r.Contact.CountsReview {
			add(r4.Extension(terms.ExtCountsAsReview, r4.Boolean(true)))
		}
		if r.Contact.Reason != "" {
			add(r4.Extension(terms.ExtContactReason, r4.Code(string(r.Contact.Reason))))
		}
		add(b.statedReview(r.Contact.NextReview))
		add(b.stopped(r.Contact.Stopped))
	}
	return out
}

// notHeld reports that a review says that it did not take place.
func notHeld(v *record.Review) bool {
	switch v.Attended() {
	case "did-not-attend", "cancelled", "rebooked":
		return true
	}
	return false
}

// contradicted is what a review says of its being cancelled that its attendance
// does not.
func contradicted(v *record.Review) *dpb.Extension {
	var parts []*dpb.Extension
	if v.CancelledBy != "" && (!notHeld(v) || v.Attendance == "did-not-attend") {
		parts = append(parts, r4.Extension("by", r4.Code(string(v.CancelledBy))))
	}
	if r4.Clean(v.Reason) != "" && !notHeld(v) {
		parts = append(parts, r4.Extension("reason", r4.String(v.Reason)))
	}
	if parts == nil {
		return nil
	}
	return r4.ComplexExtension(terms.ExtStatedCancellation, parts...)
}

// answersActivity is the activity that a record says it answers.
func answersActivity(activity string) *dpb.Extension {
	if r4.Clean(activity) == "" {
		return nil
	}
	return r4.Extension(terms.ExtAnswersActivity, r4.String(activity))
}

// statedReview is a planned review as one record states it.
func (b *builder) statedReview(p *record.PlannedReview) *dpb.Extension {
	if p == nil {
		return nil
	}
	var parts []*dpb.Extension
	for _, x := range []struct{ name, text string }{{"key", p.Key}, {"step", p.Step}} {
		if r4.Clean(x.text) != "" {
			parts = append(parts, r4.Extension(x.name, r4.String(x.text)))
		}
	}
	if p.At != nil {
		parts = append(parts, r4.Extension("at", b.when(p.At)))
	}
	for _, x := range []struct {
		name string
		code record.Code
	}{{"booked", p.Booked}, {"mode", p.Mode}} {
		if x.code != "" {
			parts = append(parts, r4.Extension(x.name, r4.Code(string(x.code))))
		}
	}
	if who := b.who(p.With); who != nil {
		parts = append(parts, r4.Extension("with", who))
	}
	if parts == nil {
		return nil
	}
	return r4.ComplexExtension(terms.ExtStatedReview, parts...)
}

// stopped is that a record stopped the follow-up.
func (b *builder) stopped(s *record.FollowUpStopped) *dpb.Extension {
	if s == nil {
		return nil
	}
	var parts []*dpb.Extension
	if s.At != nil {
		parts = append(parts, r4.Extension("at", b.when(s.At)))
	}
	if r4.Clean(s.Reason) != "" {
		parts = append(parts, r4.Extension("reason", r4.String(s.Reason)))
	}
	if parts == nil { // stopped all the same
		parts = append(parts, r4.Extension("at", r4.AbsentDateTime("unknown")))
	}
	return r4.ComplexExtension(terms.ExtFollowUpStopped, parts...)
}
