package mapping

import (
	"cmp"
	"net/url"
	"strings"

	cpb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/codes_go_proto"
	dpb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/datatypes_go_proto"
	ppb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/resources/procedure_go_proto"

	"nailbridge/mapping/followup"
	"nailbridge/mapping/internal/r4"
	"nailbridge/mapping/record"
	"nailbridge/mapping/resource"
)

// act is one Procedure of a case in the making: the sitting, or a part of it
// by partOf (https://hl7.org/fhir/R4/procedure.html).
type act struct {
	ref     resource.Ref
	status  cpb.EventStatusCode_Value
	code    *dpb.CodeableConcept
	title   string
	place   place
	partOf  *resource.Ref
	start   *dpb.DateTime
	end     *dpb.DateTime
	doers   []doer
	used    []*dpb.CodeableConcept
	usedRef []resource.Ref
	// numbered are things used that only have a number.
	numbered []*dpb.Reference
	category string // element name; "" surgical
	note     string
	reason   string // why it was not done or was stopped
	rows     [][2]string
	detail   []resource.Ref // complicationDetail
	item     string         // the sender's item key, as identifier
	protocol *followup.Protocol
}

// doer is a person with a function.
type doer struct {
	function record.Code // of the code system performer-function
	person   *record.Person
}

// statusOf is the event status of an act with an outcome (R-CONT-10).
func statusOf(outcome record.Code) cpb.EventStatusCode_Value {
	switch outcome {
	case "done":
		return cpb.EventStatusCode_COMPLETED
	case "abandoned":
		return cpb.EventStatusCode_STOPPED
	case "not-done":
		return cpb.EventStatusCode_NOT_DONE
	}
	return cpb.EventStatusCode_UNKNOWN
}

// statusText is a status as people read it.
func statusText(s cpb.EventStatusCode_Value) string {
	switch s {
	case cpb.EventStatusCode_COMPLETED:
		return "completed"
	case cpb.EventStatusCode_STOPPED:
		return "stopped before its end"
	case cpb.EventStatusCode_NOT_DONE:
		return "not done"
	}
	return "unknown"
}

// procedure builds the Procedure of an act.
func (b *builder) procedure(a act) {
	p := &ppb.Procedure{
		Id:                 r4.ID(a.ref.ID),
		Status:             &ppb.Procedure_StatusCode{Value: a.status},
		Category:           b.element(cmp.Or(a.category, "procedure-category-surgical")),
		Code:               a.code,
		Subject:            r4.Ref(b.patientRef()),
		Encounter:          r4.Ref(b.encounterRef(b.caseID)),
		Performed:          performed(a),
		UsedCode:           a.used,
		UsedReference:      append(r4.Refs(a.usedRef...), a.numbered...),
		ComplicationDetail: r4.Refs(a.detail...),
		Extension:          b.targetExtension(a.place.side, a.place.digit, a.place.border),
		Identifier:         []*dpb.Identifier{b.identifier("procedure", partValue(b.caseID, a.item))},
	}
	if a.protocol != nil {
		p.InstantiatesCanonical = []*dpb.Canonical{r4.Canonical(a.protocol.Canonical())}
	}
	if a.partOf != nil {
		p.PartOf = r4.Refs(*a.partOf)
	}
	if site := b.toeSite(a.place.side, a.place.digit); site != nil {
		p.BodySite = []*dpb.CodeableConcept{site}
	}
	if b.hasIndication() {
		p.ReasonReference = r4.Refs(b.conditionRef())
	}
	if n := r4.Annotation(a.note, resource.Ref{}, nil); n != nil {
		p.Note = []*dpb.Annotation{n}
	}
	if a.reason != "" {
		p.StatusReason = r4.CodeableConcept(a.reason)
	}
	for _, d := range a.doers {
		if actor := b.who(d.person); actor != nil {
			p.Performer = append(p.Performer, &ppb.Procedure_Performer{
				Function: b.translate("performer-function", d.function), Actor: actor, OnBehalfOf: r4.Ref(b.orgRef()),
			})
		}
	}
	t := r4.NewText(a.title).Row("Status", statusText(a.status)).Row("Reason", a.reason).
		Row("Place", placeText(a.place.side, a.place.digit, a.place.border))
	for _, row := range a.rows {
		t.Row(row[0], row[1])
	}
	p.Text = t.Narrative()
	b.add(p)
}

// partValue numbers a part of a case for its identifier.
func partValue(caseID, item string) string {
	if item == "" {
		return caseID
	}
	return url.PathEscape(caseID) + "/" + item
}

// performed is the Period of an act. What was done has a performed time
// (R-CONT-09): not recorded is said, never left open, since an open Period
// would say that it still goes on.
func performed(a act) *ppb.Procedure_PerformedX {
	if a.status == cpb.EventStatusCode_NOT_DONE && a.start == nil {
		return nil
	}
	if a.start == nil && a.end == nil {
		return &ppb.Procedure_PerformedX{Choice: &ppb.Procedure_PerformedX_DateTime{DateTime: r4.AbsentDateTime("unknown")}}
	}
	start, end := a.start, a.end
	if start == nil {
		start = r4.AbsentDateTime("unknown")
	}
	if end == nil {
		end = r4.AbsentDateTime("unknown")
	}
	return &ppb.Procedure_PerformedX{Choice: &ppb.Procedure_PerformedX_Period{Period: r4.Period(start, end)}}
}

// sitting builds the Procedure of the whole surgery.
func (c *caseFold) sitting() {
	s := c.sur
	a := act{
		ref: c.procedureRef("sitting"), status: statusOf(s.Outcome), title: "Toenail surgery",
		code: c.element("surgery-sitting"), start: c.when(s.Start), end: c.when(s.End),
		doers: []doer{{"operator", s.Operator}, {"assistant", s.Assistant}}, reason: s.OutcomeReason, detail: c.complicationRefs(),
		rows:     [][2]string{{"From", whenText(s.Start)}, {"To", whenText(s.End)}},
		numbered: c.instruments(s.Instruments), protocol: c.s.protocol(s.Protocol),
	}
	c.procedure(a)
	c.checklist(a.ref)
	if s.Dressing != "" || s.DressingText != "" {
		c.dressing(a)
	}
}

// dressing builds the dressing of the wound at the end of the sitting.
func (c *caseFold) dressing(sitting act) {
	s := c.sur
	code, status := "dressing", statusOf("done")
	switch s.Dressing {
	case "pressure":
		code = "pressure-dressing"
	case "none":
		status = cpb.EventStatusCode_NOT_DONE
	}
	a := act{
		ref: c.procedureRef("dressing"), status: status, title: "Dressing", code: c.element(code),
		partOf: &sitting.ref, start: c.when(s.Start), end: c.when(s.End), item: "dressing",
		rows: [][2]string{{"Dressing", dressingText(s)}},
	}
	if s.Dressing == "none" {
		a.note = s.DressingText
	} else if used := c.translateText("dressing", s.Dressing, s.DressingText); used != nil {
		a.used = []*dpb.CodeableConcept{used}
	}
	c.procedure(a)
}

func dressingText(s *record.Surgery) string {
	if s.DressingText != "" {
		return s.DressingText
	}
	return record.DressingSet.Display(s.Dressing)
}

// toe builds everything done to one toe.
func (c *caseFold) toe(t *record.Toe, key string) {
	c.block(t, key)
	c.tourniquets(t, key)
	for i, bk := range record.BorderKeys(t.Borders) {
		c.border(t, key, &t.Borders[i], bk)
	}
	c.perfusion(c.rec, t.Side, t.Digit, t.Perfusion, key)
}

// part is an act within the sitting at a place; its time is the sitting's
// unless it has its own.
func (c *caseFold) part(ref resource.Ref, pl place, item string) act {
	whole := c.procedureRef("sitting")
	return act{
		ref: ref, place: pl, partOf: &whole, item: item,
		start: c.when(c.sur.Start), end: c.when(c.sur.End),
	}
}

// told is the status of an act that a record tells of: completed where it says
// what was given, else unknown.
func told(something bool) cpb.EventStatusCode_Value {
	if something {
		return cpb.EventStatusCode_COMPLETED
	}
	return cpb.EventStatusCode_UNKNOWN
}

// block builds the digital block of a toe with its injections.
func (c *caseFold) block(t *record.Toe, key string) {
	if t.Block == nil {
		return
	}
	a := c.part(c.procedureRef("block", key), place{t.Side, t.Digit, ""}, "block/"+key)
	a.status, a.title = told(len(t.Block.Agents) > 0 || t.Block.Effective != ""), "Local anaesthesia of the toe"
	a.code = c.translate("block-technique", t.Block.Technique)
	if a.code == nil {
		a.code = c.element("block")
	}
	for i, ak := range record.AgentKeys(t.Block.Agents) {
		ag := &t.Block.Agents[i]
		c.injection(t, key, ag, ak)
		a.usedRef = append(a.usedRef, c.medicationRef("agent", key, ak))
		if a.start == nil && ag.At != nil {
			a.start = c.when(ag.At)
		}
		if !seenDoer(a.doers, ag.Giver) {
			a.doers = append(a.doers, doer{"giver", ag.Giver})
		}
	}
	c.procedure(a)
	c.answer(c.rec, "block-effect", t.Block.Effective, place{t.Side, t.Digit, ""}, a.ref, key)
}

func seenDoer(ds []doer, p *record.Person) bool {
	for _, d := range ds {
		if d.person.Key() == p.Key() {
			return true
		}
	}
	return false
}

// tourniquets builds one Procedure per on-off period of a toe, and one that says
// used or not used where no period is recorded. Without a release recorded the
// status is unknown and the end is absent with a reason: an open Period would
// say "still on".
func (c *caseFold) tourniquets(t *record.Toe, key string) {
	if t.Tourniquet != "" && len(t.Tourniquets) == 0 {
		a := c.part(c.procedureRef("tourniquet", key, "none"), place{t.Side, t.Digit, ""}, "tourniquet/"+key)
		a.status, a.title, a.code = cpb.EventStatusCode_NOT_DONE, "No tourniquet used", c.element("tourniquet")
		if t.Tourniquet == "used" {
			a.status, a.title = cpb.EventStatusCode_UNKNOWN, "Tourniquet used, times not recorded"
		}
		a.start, a.end = nil, nil
		c.procedure(a)
	}
	for i, pk := range record.TourniquetKeys(t.Tourniquets) {
		q := &t.Tourniquets[i]
		a := c.part(c.procedureRef("tourniquet", key, pk), place{t.Side, t.Digit, ""}, "tourniquet/"+key+"/"+pk)
		a.title, a.code = "Tourniquet on the toe", c.element("tourniquet")
		a.start, a.end = c.when(q.On), c.when(q.Off)
		a.status = cpb.EventStatusCode_COMPLETED
		release := whenText(q.Off)
		if q.Off == nil {
			a.status, release = cpb.EventStatusCode_UNKNOWN, "not recorded"
		}
		a.rows = [][2]string{{"On", whenText(q.On)}, {"Off", release}, {"Device", q.DeviceText}, {"Size", q.Size}, {"Colour", q.Colour}}
		if used := c.translateText("tourniquet-device", q.Device, q.DeviceText); used != nil {
			a.used = []*dpb.CodeableConcept{used}
		}
		a.doers = []doer{{"tourniquet-remover", q.Remover}}
		c.procedure(a)
		at := place{t.Side, t.Digit, ""}
		c.answer(c.rec, "tourniquet-counted-out", q.CountedOut, at, a.ref, key, pk)
		c.textFinding(c.rec, "tourniquet-colour", q.Colour, at, a.ref, key, pk)
		c.textFinding(c.rec, "tourniquet-size", q.Size, at, a.ref, key, pk)
	}
}

// border builds the operation on one border, the treatment of its matrix and
// the flush: children of the sitting with the same BodyStructure.
func (c *caseFold) border(t *record.Toe, key string, bd *record.Border, bk string) {
	at := place{t.Side, t.Digit, bd.Border}
	outcome := bd.Outcome
	if outcome == "" {
		outcome = c.sur.Outcome
	}
	a := c.part(c.procedureRef("nail", key, bk), at, "nail/"+key+"/"+bk)
	a.status, a.title = statusOf(outcome), "Operation on the nail"
	a.code = c.translate("nail-procedure", bd.Procedure)
	if a.code == nil {
		a.code = c.element("nail-operation")
	} else {
		a.title = record.ProcedureSet.Display(bd.Procedure)
	}
	if outcome != "done" {
		a.reason = c.sur.OutcomeReason
	}
	c.procedure(a)
	c.quantityFinding(c.rec, "nail-width", bd.WidthMM, "mm", "mm", at, a.ref, key, bk)
	if bd.Matrix != nil {
		c.matrix(t, key, bd, bk, outcome)
	}
	if bd.Flush != nil {
		c.flush(t, key, bd, bk)
	}
}

// matrix builds the treatment of the nail matrix under a border (D5.3).
func (c *caseFold) matrix(t *record.Toe, key string, bd *record.Border, bk string, outcome record.Code) {
	m := bd.Matrix
	at := place{t.Side, t.Digit, bd.Border}
	a := c.part(c.procedureRef("matrix", key, bk), at, strings.TrimSuffix("matrix/"+key+"/"+bk+"/"+m.Key, "/"))
	a.status, a.title = statusOf(outcome), "Treatment of the nail matrix"
	if m.Method == "none" {
		a.status = cpb.EventStatusCode_NOT_DONE
	}
	a.code = c.translate("matrix-method", m.Method)
	if a.code == nil {
		a.code = c.element("matrix-treatment")
	} else {
		a.title = record.MatrixMethodSet.Display(m.Method)
	}
	if m.Agent != "" || m.Percent != nil || m.Batch != "" || m.Expiry != nil {
		c.chemical(m, key, bk)
		a.usedRef = []resource.Ref{c.medicationRef("chemical", key, bk)}
	}
	if used := c.translate("chemical", m.Agent); used != nil {
		a.used = []*dpb.CodeableConcept{used}
	}
	c.procedure(a)
	c.contact(m, at, a.ref, key, bk)
	c.answer(c.rec, "skin-protection", m.SkinProtection, at, a.ref, key, bk)
	c.curettage(m, at, key, bk)
}

// curettage builds the curettage that went with another method.
func (c *caseFold) curettage(m *record.Matrix, at place, key, bk string) {
	if m.Curettage == "" || m.Method == "curettage" {
		return
	}
	a := c.part(c.procedureRef("curettage", key, bk), at, "curettage/"+key+"/"+bk)
	a.status, a.title = cpb.EventStatusCode_COMPLETED, "Matrix curettage"
	switch m.Curettage {
	case "no":
		a.status, a.start, a.end = cpb.EventStatusCode_NOT_DONE, nil, nil
	case "unknown":
		a.status = cpb.EventStatusCode_UNKNOWN
	}
	a.code = c.translate("matrix-method", "curettage")
	c.procedure(a)
}

// flush builds the washing out of the chemical.
func (c *caseFold) flush(t *record.Toe, key string, bd *record.Border, bk string) {
	at := place{t.Side, t.Digit, bd.Border}
	a := c.part(c.procedureRef("flush", key, bk), at, "flush/"+key+"/"+bk)
	a.status, a.title, a.code = told(bd.Flush.Agent != "" || bd.Flush.ML != nil), "Flush", c.element("flush")
	a.rows = [][2]string{{"Flushed with", record.FlushSet.Display(bd.Flush.Agent)}}
	if bd.Flush.Agent == "none" {
		a.status, a.start, a.end = cpb.EventStatusCode_NOT_DONE, nil, nil
	} else if used := c.translate("flush", bd.Flush.Agent); used != nil {
		a.used = []*dpb.CodeableConcept{used}
	}
	c.procedure(a)
	c.quantityFinding(c.rec, "flush-volume", bd.Flush.ML, "mL", "mL", at, a.ref, key, bk)
}
