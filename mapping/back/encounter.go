package back

import (
	"cmp"
	"slices"
	"strings"

	"nailbridge/mapping/record"
	"nailbridge/mapping/terms"
)

// encounter starts a record: each has one Encounter. One of which nothing says
// that it was a sitting, a review or a contact starts none.
func (r *reader) encounter(x *res) {
	kind := r.kind(x)
	if kind == "" {
		return
	}
	v := &visit{rec: &record.Record{Status: "final"}, owner: r.ownerOf(x)}
	v.rec.Record = r.number(x.node, "record")
	if v.rec.Record == "" {
		v.rec.Record = x.id
	}
	r.visits, r.byEnc[x.ref] = append(r.visits, v), v
	if p := r.follow(x.get("subject")); p != nil {
		v.patient = p.ref
	}
	v.rec.Clinic = r.options.Clinic
	if o := r.follow(x.get("serviceProvider")); o != nil {
		if id := r.number(o.node, "clinic"); id != "" {
			v.rec.Clinic = id
		}
	}
	v.rec.Kind = kind
	switch v.rec.Kind {
	case "surgery":
		v.rec.Surgery, v.caseID = &record.Surgery{}, v.rec.Record
		r.sittingVisit(x, v)
	case "review":
		v.rec.Review = &record.Review{}
		r.reviewVisit(x, v)
	case "contact":
		v.rec.Contact = &record.Contact{}
		r.contactVisit(x, v)
	}
	r.headerOf(v)
}

// kind is the kind of record of an Encounter: by its type, else a sitting where a
// nail was operated on in it; "" where nothing tells.
func (r *reader) kind(x *res) record.Code {
	for _, t := range x.list("type") {
		if k := r.code("record-kind", t); k != "" {
			return k
		}
	}
	for _, p := range r.all {
		if p.typ == "Procedure" && r.target(p.get("encounter")) == x && r.stands(p) && r.partsByCode(p)[0] != "unknown" {
			return "surgery"
		}
	}
	return ""
}

// headerOf fills in what the Provenance says of the record.
func (r *reader) headerOf(v *visit) {
	h, ok := r.headers[[2]string{v.owner, v.rec.Record}]
	if of, any := r.headers[[2]string{"", v.rec.Record}]; any && (!ok || of.recorded > h.recorded) {
		h, ok = of, true
	}
	if !ok {
		return
	}
	v.rec.Revision, v.rec.SavedAt, v.rec.Historical, v.rec.Author = h.revision, h.savedAt, h.historical, h.author
	v.rec.SchemaVersion, v.rec.Followed, v.rec.Converted = h.schemaVersion, h.followed, h.converted
	if h.status != "" {
		v.rec.Status = h.status
	}
}

func (r *reader) sittingVisit(x *res, v *visit) {
	s := v.rec.Surgery
	for _, p := range x.list("participant") {
		if hasCode(p.first("type"), "PART") && s.Chaperone == nil {
			p.take("type")
			s.Chaperone = r.person(p.get("individual"))
		} else if s.Operator == nil {
			s.Operator = r.person(p.get("individual"))
			if hasCode(p.first("type"), "PPRF") {
				p.take("type")
			}
		}
	}
	s.Start, s.End = r.when(x.get("period"), "start"), r.when(x.get("period"), "end")
	for _, e := range x.exts(terms.ExtStatedReview) {
		s.PlannedReviews = append(s.PlannedReviews, *r.plannedReview(e))
	}
	s.Stopped = r.stopped(x)
	r.classOf(x, "in-person")
	switch status := x.peek("status"); {
	case status == "finished", s.Start == nil && (status == "cancelled" || s.End == nil):
		x.take("status")
	}
}

// classOf reads the class of an encounter, which says again how it took place.
func (r *reader) classOf(x *res, mode record.Code) {
	want := r.terms.Translate("encounter-class", mode, terms.Setting{})
	if len(want.Codings) == 0 || x.peek("class", "code") == want.Codings[0].Code {
		x.take("class")
	}
}

// plannedReview reads a planned review as a record stated it.
func (r *reader) plannedReview(e *node) *record.PlannedReview {
	if e == nil {
		return nil
	}
	p := &record.PlannedReview{
		Key: e.ext("key").str("valueString"), Step: e.ext("step").str("valueString"), At: r.when(e.ext("at"), "valueDateTime"),
		Booked: record.Code(e.ext("booked").str("valueCode")), Mode: record.Code(e.ext("mode").str("valueCode")),
		With: r.person(e.ext("with").get("valueReference")),
	}
	e.take()
	return p
}

func (r *reader) stopped(x *res) *record.FollowUpStopped {
	e := x.ext(terms.ExtFollowUpStopped)
	if e == nil {
		return nil
	}
	s := &record.FollowUpStopped{At: r.when(e.ext("at"), "valueDateTime"), Reason: e.ext("reason").str("valueString")}
	e.take()
	return s
}

// mode is how a review or contact took place.
func (r *reader) mode(x *res) record.Code {
	for _, t := range x.list("type") {
		if m := r.code("contact-mode", t); m != "" {
			r.classOf(x, m)
			return m
		}
	}
	if m, ok := r.terms.Reverse("encounter-class", concept(x.get("class"))); ok {
		x.take("class")
		return m
	}
	if x.peek("class", "code") == "" {
		x.take("class") // with the reason why there is none
	}
	return ""
}

func (r *reader) by(x *res) *record.Person {
	for _, p := range x.list("participant") {
		if who := r.person(p.get("individual")); who != nil {
			if hasCode(p.first("type"), "PPRF") {
				p.take("type")
			}
			return who
		}
	}
	return nil
}

// closings are what a reason for not taking place says of attendance and who
// cancelled (followup.ClosingReason).
var closings = map[record.Code][2]record.Code{
	"did-not-attend":       {"did-not-attend", ""},
	"cancelled-by-patient": {"cancelled", "patient"},
	"cancelled-by-clinic":  {"cancelled", "clinic"},
	"cancelled":            {"cancelled", ""},
	"rebooked-by-patient":  {"rebooked", "patient"},
	"rebooked-by-clinic":   {"rebooked", "clinic"},
	"rebooked":             {"rebooked", ""},
}

func (r *reader) reviewVisit(x *res, v *visit) {
	w := v.rec.Review
	w.Mode, w.Reviewer = r.mode(x), r.by(x)
	w.Activity = x.ext(terms.ExtAnswersActivity).str("valueString")
	x.ext(terms.ExtAnswersActivity).take()
	w.NextReview, w.Stopped = r.plannedReview(x.ext(terms.ExtStatedReview)), r.stopped(x)
	w.At = r.when(x.get("period"), "start")
	r.when(x.get("period"), "end")
	if x.peek("status") == "finished" {
		w.Attendance = "attended"
	}
	if (x.peek("status") == "cancelled") == (x.ext(terms.ExtReasonCancelled) != nil) {
		x.take("status")
	}
	if c := x.ext(terms.ExtStatedCancellation); c != nil {
		w.CancelledBy, w.Reason = record.Code(c.ext("by").str("valueCode")), c.ext("reason").str("valueString")
		c.take()
	}
	e := x.ext(terms.ExtReasonCancelled)
	if e == nil {
		return
	}
	if t := x.ext(terms.ExtPlannedTime); t != nil {
		w.At = r.when(t, "valueDateTime")
		t.take()
	}
	why := e.get("valueCodeableConcept")
	text := why.str("text")
	code := r.code("activity-reason", why)
	w.Attendance = closings[code][0]
	w.CancelledBy = cmp.Or(w.CancelledBy, closings[code][1])
	if _, words, ok := strings.Cut(text, ": "); ok {
		w.Reason = words
	}
	e.take()
}

func (r *reader) contactVisit(x *res, v *visit) {
	k := v.rec.Contact
	k.Mode, k.TakenBy = r.mode(x), r.by(x)
	k.At = r.when(x.get("period"), "start")
	r.when(x.get("period"), "end")
	if x.peek("status") == "finished" {
		x.take("status")
	}
	k.Activity = x.ext(terms.ExtAnswersActivity).str("valueString")
	x.ext(terms.ExtAnswersActivity).take()
	k.CountsReview = x.ext(terms.ExtCountsAsReview).str("valueBoolean") == "true"
	x.ext(terms.ExtCountsAsReview).take()
	k.NextReview, k.Stopped = r.plannedReview(x.ext(terms.ExtStatedReview)), r.stopped(x)
	reason := x.first("reasonCode")
	if c := x.ext(terms.ExtContactReason); c != nil {
		k.Reason = record.Code(c.str("valueCode"))
		c.take()
		k.ReasonText = besideMeaning(reason.str("text"))
		reason.take()
		return
	}
	k.ReasonText = reason.str("text")
	if k.Reason = r.code("contact-reason", reason); k.Reason != "" {
		k.ReasonText = ""
	}
}

// besideMeaning is the text of a reason without the meaning of a listed one at its
// beginning.
func besideMeaning(text string) string {
	for _, v := range record.ContactReasonSet.Values {
		if text == v.Display {
			return ""
		}
		if words, ok := strings.CutPrefix(text, v.Display+": "); ok {
			return words
		}
	}
	return text
}

// link joins each record to its patient, and each review and contact to its
// surgery.
func (r *reader) link() {
	for _, v := range r.visits {
		v.rec.Patient = r.patientOf(v)
	}
	for _, x := range r.all {
		v := r.byEnc[x.ref]
		if v == nil || v.rec.Surgery != nil {
			continue
		}
		r.now = x
		v.caseID = r.surgeryOf(x)
		if v.rec.Review != nil {
			v.rec.Review.Surgery = v.caseID
		} else if v.rec.Contact != nil {
			v.rec.Contact.Surgery = v.caseID
		}
	}
	r.now = nil
}

// patientOf is the patient of a record, for it alone to hold.
func (r *reader) patientOf(v *visit) *record.Patient {
	p := r.patients[v.patient]
	if p == nil {
		return nil
	}
	out := *p
	return &out
}

// surgeryOf is the record id of the surgery that a visit follows.
func (r *reader) surgeryOf(x *res) string {
	for _, ref := range x.list("reasonReference") {
		if n := r.number(ref, "procedure"); n != "" { // a logical reference: not known here
			ref.take()
			return n
		}
		p := r.follow(ref)
		if p == nil || p.typ != "Procedure" {
			continue
		}
		if e := r.target(p.get("encounter")); e != nil && r.byEnc[e.ref] != nil {
			return r.byEnc[e.ref].rec.Record
		}
	}
	return ""
}

// of is the record that a resource belongs to, by its encounter or context.
func (r *reader) of(x *res) *visit {
	for _, name := range []string{"encounter", "context"} {
		if e := r.target(x.get(name)); e != nil && r.byEnc[e.ref] != nil {
			x.take(name)
			x.take("subject")
			return r.byEnc[e.ref]
		}
	}
	return nil
}

// caseVisit is the surgery of a case.
func (r *reader) caseVisit(caseID, patient string) *visit {
	i := slices.IndexFunc(r.visits, func(v *visit) bool {
		return v.rec.Surgery != nil && v.caseID == caseID && (patient == "" || v.patient == patient)
	})
	if i < 0 {
		return nil
	}
	return r.visits[i]
}

// recordVisit is a record by its id.
func (r *reader) recordVisit(id, patient string) *visit {
	i := slices.IndexFunc(r.visits, func(v *visit) bool { return v.rec.Record == id && (patient == "" || v.patient == patient) })
	if i < 0 {
		return nil
	}
	return r.visits[i]
}
