package mapping

import (
	"cmp"
	"strconv"

	cpb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/codes_go_proto"
	dpb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/datatypes_go_proto"
	opb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/resources/observation_go_proto"

	"nailbridge/mapping/internal/r4"
	"nailbridge/mapping/record"
	"nailbridge/mapping/resource"
)

// finding is one Observation in the making: what a record states, or a figure
// computed from it. Every one has subject, encounter, effective and performer
// (D5.4; https://hl7.org/fhir/R4/observation.html).
type finding struct {
	key       observationKey
	rec       *record.Record // whose encounter and time it has
	category  string         // element name; "" exam
	code      *dpb.CodeableConcept
	title     string
	place     place
	limb      record.Code // of the code system "limb", in place of a toe
	specimen  *resource.Ref
	value     *opb.Observation_ValueX
	valueText string
	absent    string       // element name of why there is no value; "" unknown
	at        *record.When // nil: the record's
	performer *record.Person
	computed  bool // performer is the clinic, device the bridge
	method    *dpb.CodeableConcept
	profile   string
	partOf    []resource.Ref
	derived   []resource.Ref
	component []*opb.Observation_Component
}

// Values of an Observation.

func conceptValue(c *dpb.CodeableConcept) *opb.Observation_ValueX {
	return &opb.Observation_ValueX{Choice: &opb.Observation_ValueX_CodeableConcept{CodeableConcept: c}}
}

func quantityValue(q *dpb.Quantity) *opb.Observation_ValueX {
	return &opb.Observation_ValueX{Choice: &opb.Observation_ValueX_Quantity{Quantity: q}}
}

func stringValue(s string) *opb.Observation_ValueX {
	return &opb.Observation_ValueX{Choice: &opb.Observation_ValueX_StringValue{StringValue: r4.String(s)}}
}

func dateTimeValue(d *dpb.DateTime) *opb.Observation_ValueX {
	return &opb.Observation_ValueX{Choice: &opb.Observation_ValueX_DateTime{DateTime: d}}
}

// observe builds the Observation of a finding.
func (b *builder) observe(f finding) {
	ref := b.observation(f.key)
	o := &opb.Observation{
		Id:          r4.ID(ref.ID),
		Identifier:  []*dpb.Identifier{b.identifier("observation", f.key.number())},
		Status:      &opb.Observation_StatusCode{Value: cpb.ObservationStatusCode_FINAL},
		Code:        f.code,
		Subject:     r4.Ref(b.patientRef()),
		Encounter:   r4.Ref(b.encounterRef(f.rec.Record)),
		Effective:   b.effective(f),
		Value:       f.value,
		BodySite:    b.toeSite(f.place.side, f.place.digit),
		Extension:   b.siteExtension(f.place.side, f.place.digit, f.place.border),
		Method:      f.method,
		PartOf:      r4.Refs(f.partOf...),
		DerivedFrom: r4.Refs(f.derived...),
		Component:   f.component,
		Meta:        r4.Meta(profileList(b.profileOf(f))),
	}
	category := f.category
	if category == "" {
		category = "observation-category-exam"
	}
	o.Category = []*dpb.CodeableConcept{b.element(category)}
	if f.computed {
		o.Performer = r4.Refs(b.orgRef())
		o.Device = r4.Ref(b.deviceRef())
	} else {
		o.Performer = []*dpb.Reference{b.whoOrClinic(f.performer)}
	}
	if f.limb != "" {
		o.BodySite = b.translate("limb", f.limb)
	}
	if f.specimen != nil {
		o.Specimen = r4.Ref(*f.specimen)
	}
	if f.rec.Kind != "surgery" && b.planned {
		o.BasedOn = r4.Refs(b.planRef())
	}
	if f.value == nil && (f.absent != "" || len(f.component) == 0) {
		o.DataAbsentReason = b.element(cmp.Or(f.absent, "data-absent-unknown"))
	}
	t := r4.NewText(f.title).Row("Status", "final").Row("Place", placeText(f.place.side, f.place.digit, f.place.border)).
		Row("Limb", b.s.Terms.Translate("limb", f.limb, b.s.Codes).Text).Row("Value", f.valueText).Row("At", whenText(b.findingAt(f)))
	if f.computed {
		t.Line("Computed from the record; local protocol, the product label and the licensed clinician decide.")
	}
	o.Text = t.Narrative()
	b.observed[f.rec.Record] = append(b.observed[f.rec.Record], ref)
	b.add(o)
}

func profileList(p string) []string {
	if p == "" {
		return nil
	}
	return []string{p}
}

// findingAt is when a finding was made: its own time, else the record's.
func (b *builder) findingAt(f finding) *record.When {
	if f.at != nil {
		return f.at
	}
	return f.rec.HappenedAt()
}

// effective is a time of the finding; not recorded: the element with a reason
// only (D5.5).
func (b *builder) effective(f finding) *opb.Observation_EffectiveX {
	at := b.when(b.findingAt(f))
	if at == nil {
		at = r4.AbsentDateTime("unknown")
	}
	return &opb.Observation_EffectiveX{Choice: &opb.Observation_EffectiveX_DateTime{DateTime: at}}
}

// profileOf is the profile that the finding claims. R4's profiles of vital
// signs take no time that is less precise than the day (vs-1): a finding dated
// by its month, or not at all, claims none.
func (b *builder) profileOf(f finding) string {
	if at := b.findingAt(f); at == nil || at.Precision < record.PrecisionDay {
		return ""
	}
	return f.profile
}

// performerOf is who examined, operated or answered in a record.
func performerOf(r *record.Record) *record.Person {
	switch {
	case r.Surgery != nil && r.Surgery.Operator != nil:
		return r.Surgery.Operator
	case r.Review != nil && r.Review.Reviewer != nil:
		return r.Review.Reviewer
	case r.Contact != nil && r.Contact.TakenBy != nil:
		return r.Contact.TakenBy
	}
	return nil
}

// named starts a finding of the code system "finding".
func (b *builder) named(rec *record.Record, code string, at place, keys ...string) finding {
	c := b.s.Terms.Translate("finding", record.Code(code), b.s.Codes)
	return finding{
		key: observationKey{code, rec.Record, keys}, rec: rec, code: r4.Concept(c), title: c.Text,
		place: at, performer: performerOf(rec),
	}
}

// answer builds a yes, no or unknown answer as a finding; absent: none.
func (b *builder) answer(rec *record.Record, code string, a record.Code, at place, partOf resource.Ref, keys ...string) {
	if a == "" {
		return
	}
	f := b.named(rec, code, at, keys...)
	f.partOf = present(partOf)
	f.setAnswer(b, a)
	b.observe(f)
}

// setAnswer gives a finding the value yes or no; asked and not known is a
// reason for no value, not a value (R-CONT-17).
func (f *finding) setAnswer(b *builder, a record.Code) {
	f.valueText = record.AnswerSet.Display(a)
	if a == "unknown" {
		f.absent = "data-absent-asked-unknown"
		return
	}
	f.value = conceptValue(b.translate("answer", a))
}

func present(ref resource.Ref) []resource.Ref {
	if ref == (resource.Ref{}) {
		return nil
	}
	return []resource.Ref{ref}
}

// codeFinding builds a finding whose value is a code of a set; absent: none.
func (b *builder) codeFinding(rec *record.Record, code string, set record.Set, v record.Code, at place, keys ...string) {
	if v == "" {
		return
	}
	f := b.named(rec, code, at, keys...)
	f.value, f.valueText = conceptValue(b.translate(set.Name, v)), set.Display(v)
	b.observe(f)
}

// textFinding builds a finding whose value is free text; absent: none.
func (b *builder) textFinding(rec *record.Record, code, text string, at place, partOf resource.Ref, keys ...string) {
	if r4.Clean(text) == "" {
		return
	}
	f := b.named(rec, code, at, keys...)
	f.partOf, f.value, f.valueText = present(partOf), stringValue(text), text
	b.observe(f)
}

// quantityFinding builds a finding whose value has a unit; absent: none.
func (b *builder) quantityFinding(rec *record.Record, code string, v *record.Decimal, unit, ucum string, at place, partOf resource.Ref, keys ...string) {
	if v == nil {
		return
	}
	f := b.named(rec, code, at, keys...)
	f.partOf = present(partOf)
	f.value, f.valueText = quantityValue(r4.Quantity(v.String(), unit, ucum)), v.String()+" "+unit
	b.observe(f)
}

// perfusion builds the findings on the circulation of a toe.
func (b *builder) perfusion(rec *record.Record, side, digit record.Code, p *record.Perfusion, key string) {
	if p == nil {
		return
	}
	at := place{side, digit, ""}
	set := func(f finding) {
		f.at = p.At
		b.observe(f)
	}
	for _, x := range []struct {
		code   string
		answer record.Code
	}{{"perfusion-returned", p.Returned}, {"toe-cold", p.Cold}, {"toe-numb", p.Numb}} {
		if x.answer != "" {
			f := b.named(rec, x.code, at, key)
			f.setAnswer(b, x.answer)
			set(f)
		}
	}
	if p.RefillSeconds != nil {
		f := b.named(rec, "capillary-refill", at, key)
		f.value, f.valueText = quantityValue(r4.Quantity(p.RefillSeconds.String(), "s", "s")), p.RefillSeconds.String()+" s"
		set(f)
	}
	if p.Colour != "" {
		f := b.named(rec, "colour-of-toe", at, key)
		f.value, f.valueText = conceptValue(b.translate("toe-colour", p.Colour)), record.ToeColourSet.Display(p.Colour)
		set(f)
	}
}

// component is a part of a finding with its own code.
func (b *builder) component(code string, value *opb.Observation_Component_ValueX) *opb.Observation_Component {
	return &opb.Observation_Component{Code: b.translate("finding", record.Code(code)), Value: value}
}

func componentInteger(n int) *opb.Observation_Component_ValueX {
	return &opb.Observation_Component_ValueX{Choice: &opb.Observation_Component_ValueX_Integer{Integer: r4.Integer(n)}}
}

func componentQuantity(q *dpb.Quantity) *opb.Observation_Component_ValueX {
	return &opb.Observation_Component_ValueX{Choice: &opb.Observation_Component_ValueX_Quantity{Quantity: q}}
}

func componentString(s string) *opb.Observation_Component_ValueX {
	return &opb.Observation_Component_ValueX{Choice: &opb.Observation_Component_ValueX_StringValue{StringValue: r4.String(s)}}
}

// contact builds one Observation per application of the chemical, partOf the
// treatment, with its ordinal as component (D5.3).
func (c *caseFold) contact(m *record.Matrix, at place, matrix resource.Ref, key, bk string) {
	for i, ak := range record.ApplicationKeys(m.Applications) {
		x := &m.Applications[i]
		f := c.named(c.rec, "contact-time", at, key, bk, ak)
		f.at, f.category, f.partOf = x.At, "observation-category-procedure", []resource.Ref{matrix}
		f.component = []*opb.Observation_Component{c.component("application-ordinal", componentInteger(i+1))}
		f.valueText = "application " + strconv.Itoa(i+1)
		if x.Seconds != nil {
			f.value = quantityValue(r4.Quantity(x.Seconds.String(), "s", "s"))
			f.valueText += ", " + x.Seconds.String() + " s"
		}
		c.observe(f)
	}
}
