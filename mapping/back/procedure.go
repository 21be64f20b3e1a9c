package back

import (
	"cmp"
	"slices"
	"strings"

	"nailbridge/mapping/record"
	"nailbridge/mapping/terms"
)

// outcomesOf are the outcomes that a Procedure's status says.
var outcomesOf = map[string]record.Code{"completed": "done", "stopped": "abandoned", "not-done": "not-done"}

// procedure reads an act of a surgery: the sitting or a part of it. Its item
// key says which part it is; of an act that has none of ours, its code.
func (r *reader) procedure(x *res) {
	v := r.of(x)
	if v == nil {
		v = r.ownSitting(x)
	}
	if v == nil || v.rec.Surgery == nil {
		return
	}
	number := r.number(x.node, "procedure")
	parts := item(number)
	if parts == nil || x.get("partOf") == nil && len(parts) < 2 {
		parts = r.partsByCode(x)
	}
	r.sameAgain(x)
	r.categoryOf(x, parts[0])
	keys := parts[1:]
	for len(keys) < 2 {
		keys = append(keys, "")
	}
	switch parts[0] {
	case "sitting":
		r.sitting(x, v)
	case "block":
		r.block(x, v, keys[0])
	case "tourniquet":
		r.tourniquet(x, v, keys[0], keys[1])
	case "nail":
		r.nail(x, v, keys[0], keys[1])
	case "matrix":
		r.matrix(x, v, keys[0], keys[1], strings.Join(keys[min(2, len(keys)):], "/"))
	case "curettage":
		r.curettage(x, v, keys[0], keys[1])
	case "flush":
		r.flush(x, v, keys[0], keys[1])
	default:
		r.partOfSitting(x, v, parts[0])
	}
}

// sameAgain reads what a part says again of the sitting and its record.
func (r *reader) sameAgain(x *res) {
	x.take("subject")
	x.take("partOf")
	for _, ref := range x.list("reasonReference") {
		if c := r.target(ref); c != nil && c.typ == "Condition" {
			ref.take()
		}
	}
	for _, p := range x.list("performer") {
		p.take("onBehalfOf")
	}
}

// categoryOf reads the category that acts of a part have.
func (r *reader) categoryOf(x *res, part string) {
	want := "procedure-category-surgical"
	if part == "advice" {
		want = "procedure-category-education"
	}
	if r.isElement(want, x.get("category")) {
		x.take("category")
	}
}

// partsByCode says which part an act is by its code alone.
func (r *reader) partsByCode(x *res) []string {
	c := concept(x.get("code"))
	for _, s := range []struct{ list, part string }{{"nail-procedure", "nail"}, {"matrix-method", "matrix"}, {"block-technique", "block"}} {
		if _, ok := r.terms.Reverse(s.list, c); ok {
			return []string{s.part}
		}
	}
	if part, ok := r.terms.Reverse("procedure-part", c); ok {
		switch part {
		case "surgery-sitting":
			return []string{"sitting"}
		case "nail-operation":
			return []string{"nail"}
		case "matrix-treatment":
			return []string{"matrix"}
		case "pressure-dressing":
			return []string{"dressing"}
		}
		return []string{string(part)}
	}
	return []string{"unknown"}
}

// ownSitting is a record for an act on a toe that names no encounter: one a
// patient and day.
func (r *reader) ownSitting(x *res) *visit {
	if r.partsByCode(x)[0] == "unknown" || x.get("encounter") != nil {
		return nil
	}
	p := r.follow(x.get("subject"))
	if p == nil {
		return nil
	}
	day := cmp.Or(x.peek("performedDateTime"), x.peek("performedPeriod", "start"))
	day = day[:min(len(day), len("2006-01-02"))]
	for _, v := range r.visits {
		if v.patient == p.ref && v.day != "" && v.day == day {
			return v
		}
	}
	v := &visit{patient: p.ref, caseID: x.id, day: day, rec: &record.Record{
		Status: "final", Clinic: r.options.Clinic, Record: x.id, Kind: "surgery", Surgery: &record.Surgery{},
	}}
	v.rec.Patient = r.patientOf(v)
	r.visits = append(r.visits, v)
	return v
}

// performed reads the time of an act.
func (r *reader) performed(x *res) (start, end *record.When) {
	if x.get("performedPeriod") != nil {
		return r.when(x.get("performedPeriod"), "start"), r.when(x.get("performedPeriod"), "end")
	}
	return r.when(x.node, "performedDateTime"), nil
}

// sittingsTime reads the time of a part of the sitting, which is the sitting's: one
// of its own stays unread, since no field holds it. It gives the sitting its time
// where no encounter does.
func (r *reader) sittingsTime(x *res, v *visit) {
	s := v.rec.Surgery
	start, end := r.performed(x)
	if v.day != "" && s.Start == nil && s.End == nil {
		s.Start, s.End = start, end
	}
	x.take("_performedDateTime")
	for _, t := range []struct {
		have, want *record.When
		name       string
	}{{start, s.Start, "start"}, {end, s.End, "end"}} {
		if t.have != nil && (t.want == nil || t.have.String() != t.want.String()) {
			x.get("performedPeriod").leaveTime(t.name)
			x.leave("performedDateTime")
		}
	}
}

// performer reads who did an act, by function.
func (r *reader) performer(x *res, function string) *record.Person {
	for _, p := range x.list("performer") {
		f, _ := r.terms.Reverse("performer-function", concept(p.get("function")))
		if f == record.Code(function) {
			p.take("function")
			return r.person(p.get("actor"))
		}
	}
	return nil
}

// sameStatus reads the status of a part where it says again what the record says
// otherwise, which is known once everything was read.
func (r *reader) sameStatus(x *res, same func() bool) {
	r.checks = append(r.checks, func() {
		if same() {
			x.take("status")
		} else {
			x.leave("status")
		}
	})
}

func (r *reader) sitting(x *res, v *visit) {
	s := v.rec.Surgery
	s.Outcome = outcomesOf[x.str("status")]
	x.take("code")
	if s.Start == nil && s.End == nil {
		s.Start, s.End = r.performed(x)
	} else {
		r.sittingsTime(x, v)
	}
	s.OutcomeReason = x.str("statusReason", "text")
	if o := r.performer(x, "operator"); o != nil {
		s.Operator = o
	}
	s.Assistant = r.performer(x, "assistant")
	for _, ref := range x.list("usedReference") {
		if n := r.number(ref, "sterile-set"); n != "" {
			instruments(s).SterileSet = n
			ref.take()
		} else if n := r.number(ref, "single-use-lot"); n != "" {
			instruments(s).SingleUseLot = n
			ref.take()
		}
	}
	if c := x.first("instantiatesCanonical"); c != nil {
		s.Protocol = protocolOf(c)
	}
	for _, ref := range x.list("complicationDetail") {
		if c := r.target(ref); c != nil {
			v.wrong = append(v.wrong, c.ref)
			ref.take()
		}
	}
}

// protocolOf is the follow-up protocol of a canonical URL.
func protocolOf(c *node) record.Code {
	url, _, _ := strings.Cut(c.peek(), "|")
	id := record.Code(url[strings.LastIndexByte(url, '/')+1:])
	if !record.ProtocolSet.Has(id) {
		return ""
	}
	c.take()
	return id
}

// placed is where an act was done.
func (r *reader) placed(x *res) spot {
	return r.spotOf(x.first("bodySite"), x.node, terms.ExtTargetBodyStructure)
}

func (r *reader) block(x *res, v *visit, toeKey string) {
	t := v.toe(toeKey, r.placed(x))
	if t.op.Block == nil {
		t.op.Block = &record.Block{}
	}
	t.op.Block.Technique = r.code("block-technique", x.get("code"))
	r.sameStatus(x, func() bool {
		return (x.peek("status") == "completed") == (len(t.agents) > 0 || t.op.Block.Effective != "")
	})
	r.takeCode(x, "block")
	r.sittingsTime(x, v)
	for _, ref := range x.list("usedReference") {
		if m := r.target(ref); m != nil {
			ref.take()
		}
	}
}

// takeCode reads a code that says what kind of act it is.
func (r *reader) takeCode(x *res, parts ...string) {
	if code, ok := r.terms.Reverse("procedure-part", concept(x.get("code"))); ok && slices.Contains(parts, string(code)) {
		x.take("code")
	}
}

func (r *reader) tourniquet(x *res, v *visit, toeKey, period string) {
	t := v.toe(toeKey, r.placed(x))
	r.takeCode(x, "tourniquet")
	status := x.str("status")
	if period == "" && x.get("performedPeriod") == nil {
		t.op.Tourniquet = "used"
		if status == "not-done" {
			t.op.Tourniquet = "not-used"
		}
		x.take("performedDateTime")
		x.take("_performedDateTime")
		return
	}
	q := t.period(period)
	q.On, q.Off = r.performed(x)
	if status != map[bool]string{true: "completed", false: "unknown"}[q.Off != nil] {
		x.leave("status")
	}
	x.take("_performedDateTime")
	used := x.first("usedCode")
	q.Device = r.code("tourniquet-device", used)
	q.DeviceText = r.words("tourniquet-device", q.Device, used)
	q.Remover = r.performer(x, "tourniquet-remover")
}

func (r *reader) nail(x *res, v *visit, toeKey, borderKey string) {
	at := r.placed(x)
	b := v.toe(toeKey, at).border(borderKey, at.border)
	b.op.Procedure = r.code("nail-procedure", x.get("code"))
	r.takeCode(x, "nail-operation")
	b.op.Outcome = outcomesOf[x.str("status")]
	r.sameStatus(x, func() bool { return b.op.Outcome != "" || v.rec.Surgery.Outcome == "" })
	r.sittingsTime(x, v)
	x.take("statusReason")
}

func (r *reader) matrix(x *res, v *visit, toeKey, borderKey, matrixKey string) {
	at := r.placed(x)
	b := v.toe(toeKey, at).border(borderKey, at.border)
	m := b.matrix()
	m.Key = matrixKey
	m.Method = r.code("matrix-method", x.get("code"))
	r.takeCode(x, "matrix-treatment")
	r.sameStatus(x, func() bool {
		if m.Method == "none" {
			return x.peek("status") == "not-done"
		}
		return outcomesOf[x.peek("status")] == cmp.Or(b.op.Outcome, v.rec.Surgery.Outcome)
	})
	m.Agent = r.code("chemical", x.first("usedCode"))
	r.sittingsTime(x, v)
	med := r.follow(x.first("usedReference"))
	if med == nil {
		return
	}
	r.chemical(med, m)
}

func (r *reader) curettage(x *res, v *visit, toeKey, borderKey string) {
	at := r.placed(x)
	m := v.toe(toeKey, at).border(borderKey, at.border).matrix()
	m.Curettage = map[string]record.Code{"completed": "yes", "not-done": "no", "unknown": "unknown"}[x.str("status")]
	if _, ok := r.terms.Reverse("matrix-method", concept(x.get("code"))); ok {
		x.take("code")
	}
	r.sittingsTime(x, v)
}

func (b *border) flush() *record.Flush {
	if b.op.Flush == nil {
		b.op.Flush = &record.Flush{}
	}
	return b.op.Flush
}

func (r *reader) flush(x *res, v *visit, toeKey, borderKey string) {
	at := r.placed(x)
	f := v.toe(toeKey, at).border(borderKey, at.border).flush()
	f.Agent = r.code("flush", x.first("usedCode"))
	if x.str("status") == "not-done" {
		f.Agent = "none"
	}
	r.takeCode(x, "flush")
	r.sittingsTime(x, v)
}

// partOfSitting reads what goes with the sitting beside the toes.
func (r *reader) partOfSitting(x *res, v *visit, part string) {
	s := v.rec.Surgery
	switch part {
	case "sign-in":
		s.SignIn = r.step(x)
	case "time-out":
		s.TimeOut = r.step(x)
	case "sign-out":
		s.SignOut = r.step(x)
	case "skin-preparation":
		s.SkinPrep = r.code("skin-preparation", x.first("usedCode"))
	case "haemostasis":
		s.Haemostasis = r.code("haemostasis", x.first("usedCode"))
		if x.peek("status") == "not-done" {
			s.Haemostasis = "none-needed"
			x.take("statusReason")
		}
	case "dressing":
		r.dressing(x, s)
	case "advice":
		r.advice(x, s)
	default:
		return
	}
	r.takeCode(x, part, "pressure-dressing")
	x.take("status")
	if !slices.Contains([]string{"sign-in", "time-out", "sign-out"}, part) {
		r.sittingsTime(x, v)
	}
}

func (r *reader) step(x *res) *record.Step {
	s := &record.Step{By: r.performer(x, "checklist-lead")}
	var end *record.When
	if s.At, end = r.performed(x); end != nil && (s.At == nil || end.String() != s.At.String()) {
		x.get("performedPeriod").leaveTime("end")
	}
	x.take("_performedDateTime")
	switch status, why := x.peek("status"), x.str("statusReason", "text"); {
	case status == "completed":
		s.Status = "done"
	case status == "not-done" && why == record.StepStatusSet.Display("not-applicable"):
		s.Status = "not-applicable"
	case status == "not-done":
		s.Status = "not-done"
	}
	return s
}

func (r *reader) dressing(x *res, s *record.Surgery) {
	used := x.first("usedCode")
	s.Dressing = r.code("dressing", used)
	s.DressingText = r.words("dressing", s.Dressing, used)
	if x.peek("status") == "not-done" {
		s.Dressing, s.DressingText = "none", note(x.node)
	}
}

func (r *reader) advice(x *res, s *record.Surgery) {
	a := advised(s)
	a.Text = note(x.node)
	switch x.peek("status") {
	case "completed":
		a.Given = "yes"
	case "not-done":
		a.Given = "no"
	default:
		if x.str("statusReason", "text") == record.AnswerSet.Display("unknown") {
			a.Given = "unknown"
		}
	}
}

func advised(s *record.Surgery) *record.Advice {
	if s.Advice == nil {
		s.Advice = &record.Advice{}
	}
	return s.Advice
}

func instruments(s *record.Surgery) *record.Instruments {
	if s.Instruments == nil {
		s.Instruments = &record.Instruments{}
	}
	return s.Instruments
}
