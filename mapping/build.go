package mapping

import (
	"errors"
	"fmt"
	"strings"
	"time"

	cpb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/codes_go_proto"
	dpb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/datatypes_go_proto"
	"google.golang.org/protobuf/proto"

	"nailbridge/mapping/internal/r4"
	"nailbridge/mapping/profiles"
	"nailbridge/mapping/record"
	"nailbridge/mapping/resource"
	"nailbridge/mapping/terms"
)

// builder gathers the resources of one patient's fold. Each file of this
// package has methods on it that build the resources of one type from records
// and hand their protos to add. It is used by one goroutine and then dropped.
//
// References are made by the *Ref methods, never from a resource built before,
// so that the order of building does not matter. What is referred to but built
// by nobody shows when references are resolved before commit.
type builder struct {
	*built
	s     Settings
	owner record.Identifier // the patient of every resource

	// The case; zero outside inCase.
	caseID  string           // record id of the surgery
	surgery *record.Record   // current content; nil while it is unknown
	later   []*record.Record // current reviews and contacts, by date of attendance and record id
	planned bool             // the case has a follow-up plan
	// received is when each content of the case was received, by record id.
	received map[string]time.Time
}

// built is what all builders of one fold share.
type built struct {
	out        []resource.Resource
	caseOf     map[resource.Ref]string // the case of each resource in out; "" for none
	errs       []error
	structures map[resource.Ref]casePlace      // every BodyStructure referred to
	people     map[resource.Ref]*record.Person // every Practitioner referred to
	observed   map[string][]resource.Ref       // Observations of each review and contact, by record id
	links      []patientLink                   // of the Patient to others of the same person
}

// place is a border of a toe; border is "" for the nail of the toe as such.
type place struct{ side, digit, border record.Code }

type casePlace struct {
	place
	caseID string
}

// newBuilder starts the fold of a patient.
func newBuilder(s Settings, owner record.Identifier) *builder {
	return &builder{s: s, owner: owner, built: &built{
		caseOf:     map[resource.Ref]string{},
		structures: map[resource.Ref]casePlace{},
		people:     map[resource.Ref]*record.Person{},
		observed:   map[string][]resource.Ref{},
	}}
}

// inCase is a builder of the resources of one case, which end up with those of
// b. surgery is nil while it is unknown; later holds the current reviews and
// contacts by date of attendance and record id.
func (b *builder) inCase(caseID string, surgery *record.Record, later []*record.Record) *builder {
	c := *b
	c.caseID, c.surgery, c.later = caseID, surgery, later
	return &c
}

// ahead reports a date that lies later than its record was received: what has
// not come to pass ends and moves nothing.
func (b *builder) ahead(w *record.When, r *record.Record) bool {
	return w.Ahead(b.received[r.Record], b.s.Clinic.Zone)
}

// perPatient is a builder of resources that belong to no case.
func (b *builder) perPatient() *builder { return b.inCase("", nil, nil) }

// has reports whether a resource is built already.
func (b *builder) has(ref resource.Ref) bool {
	_, ok := b.caseOf[ref]
	return ok
}

// add marshals a finished resource proto and keeps it; msg must not be used
// afterwards. What fails is kept as an error, and building goes on. Whether it
// is R4 is checked before commit, with everything else (D5.10).
func (b *builder) add(msg proto.Message) {
	r, err := claimed(msg)
	if err != nil {
		b.errs = append(b.errs, err)
		return
	}
	if b.has(r.Ref()) {
		b.errs = append(b.errs, fmt.Errorf("mapping: %s is built twice", r.Ref()))
		return
	}
	b.caseOf[r.Ref()] = b.caseID
	b.out = append(b.out, r)
}

// claimed marshals a finished resource proto, which claims the profile of its
// type; msg must not be used afterwards. Nothing else makes a resource of a fold,
// and what is masked later loses its claim (D1.5).
func claimed(msg proto.Message) (resource.Resource, error) {
	if url := profiles.Of(string(msg.ProtoReflect().Descriptor().Name())); url != "" {
		r4.Claim(msg, url)
	}
	return r4.Marshal(msg)
}

// finish builds the BodyStructures that were referred to and gives everything
// built, sorted, with the case of each. The error joins all errors of add,
// without patient data.
func (b *builder) finish() (out []resource.Resource, caseOf map[resource.Ref]string, err error) {
	for _, p := range b.structures {
		b.inCase(p.caseID, nil, nil).bodyStructure(p.place)
	}
	resource.Sort(b.out)
	return b.out, b.caseOf, errors.Join(b.errs...)
}

// References.

func (b *builder) patientRef() resource.Ref { return b.s.patientRef(b.owner) }
func (b *builder) orgRef() resource.Ref     { return b.s.organizationRef() }
func (b *builder) deviceRef() resource.Ref  { return b.s.deviceRef() }

// caseRef is a resource of the case; parts say which of its type it is.
func (b *builder) caseRef(typ string, parts ...string) resource.Ref {
	return b.s.caseRef(typ, b.owner, b.caseID, parts...)
}

// ownRef is a resource folded per patient (D1.3); parts say which of its type
// it is.
func (b *builder) ownRef(typ string, parts ...string) resource.Ref {
	return b.s.ownedRef(typ, b.owner, parts...)
}

// encounterRef is the encounter that a record of the case tells of.
func (b *builder) encounterRef(recordID string) resource.Ref {
	return b.caseRef("Encounter", recordID)
}

// conditionRef is the indication of the case; hasIndication says whether it is
// built.
func (b *builder) conditionRef() resource.Ref { return b.caseRef("Condition", "indication") }

// hasIndication reports whether the surgery states an indication.
func (b *builder) hasIndication() bool {
	return b.surgery != nil && b.surgery.Surgery != nil && stated(b.surgery.Surgery.Indication)
}

// procedureRef is one Procedure of the case: ("sitting") for the whole,
// ("block", toe), ("nail", toe, border) for the operation on a nail border,
// ("matrix", toe, border), ("curettage", toe, border), ("flush", toe, border),
// ("tourniquet", toe, period), or ("tourniquet", toe, "none") where no period is
// recorded, ("dressing"). toe, border and period are the keys of record.ToeKeys,
// record.BorderKeys and record.TourniquetKeys.
func (b *builder) procedureRef(parts ...string) resource.Ref {
	return b.caseRef("Procedure", parts...)
}

// observationKey says which Observation of the case: what it is about, the
// record it comes from and the keys of its place.
type observationKey struct {
	name, record string
	keys         []string
}

func (b *builder) observationRef(name, recordID string, keys ...string) resource.Ref {
	return b.observation(observationKey{name, recordID, keys})
}

func (b *builder) observation(k observationKey) resource.Ref {
	return b.caseRef("Observation", append([]string{k.name, k.record}, k.keys...)...)
}

// number is the clinic's own number of the Observation.
func (k observationKey) number() string {
	return partValue(k.record, strings.Join(append([]string{k.name}, k.keys...), "/"))
}

// medicationRef is the Medication of an agent of a block ("agent", toe, agent)
// or of a chemical ("chemical", toe, border).
func (b *builder) medicationRef(parts ...string) resource.Ref {
	return b.caseRef("Medication", parts...)
}

// administrationRef is the injection of an agent of a block.
func (b *builder) administrationRef(toe, agent string) resource.Ref {
	return b.caseRef("MedicationAdministration", toe, agent)
}

// planRef is the follow-up plan of the case.
func (b *builder) planRef() resource.Ref { return b.caseRef("CarePlan", "follow-up") }

// goalRef is a goal of the plan, such as "healed", at a place.
func (b *builder) goalRef(name string, keys ...string) resource.Ref {
	return b.caseRef("Goal", append([]string{name}, keys...)...)
}

// issueRef is the DetectedIssue of a flag, by Flag.ID.
func (b *builder) issueRef(flag string) resource.Ref { return b.caseRef("DetectedIssue", flag) }

// consentRef is the consent to the procedures of the case.
func (b *builder) consentRef() resource.Ref { return b.caseRef("Consent", "procedure") }

// bodyStructureRef is a border of a toe; two borders never share one (D5.1).
// finish builds every BodyStructure referred to. ok is false when side or digit
// is absent.
func (b *builder) bodyStructureRef(side, digit, border record.Code) (ref resource.Ref, ok bool) {
	toe := record.ToeCode(side, digit)
	if toe == "" {
		return resource.Ref{}, false
	}
	ref = b.caseRef("BodyStructure", toe, string(border))
	b.structures[ref] = casePlace{place{side, digit, border}, b.caseID}
	return ref, true
}

// planActivityRef refers to one activity of the plan (D4.1).
func (b *builder) planActivityRef(activity string) *dpb.Reference {
	return r4.RefWithExtension(b.planRef(), r4.Extension(terms.ExtPlanActivity, r4.String(activity)))
}

// practitionerRef is a member of staff by registration, else by staff key
// (D5.2). ok is false when the record identifies nobody. The fold builds every
// Practitioner referred to.
func (b *builder) practitionerRef(p *record.Person) (ref resource.Ref, ok bool) {
	if ref, ok = b.s.staffRef("Practitioner", p); ok {
		b.people[ref] = p
	}
	return ref, ok
}

// who refers to a member of staff: literally when identified, else by name and
// role as text and in parts, else nil.
func (b *builder) who(p *record.Person) *dpb.Reference {
	if ref, ok := b.practitionerRef(p); ok {
		return r4.Ref(ref)
	}
	if p == nil || r4.NameText(p.Name) == "" && p.Role == "" {
		return nil
	}
	out := &dpb.Reference{Display: r4.String(joinText(r4.NameText(p.Name), strings.ToLower(record.RoleSet.Display(p.Role))))}
	var parts []*dpb.Extension
	if r4.NameText(p.Name) != "" {
		parts = append(parts, r4.Extension("name", r4.HumanName(p.Name, cpb.NameUseCode_INVALID_UNINITIALIZED)))
	}
	if p.Role != "" {
		parts = append(parts, r4.Extension("role", r4.Code(string(p.Role))))
	}
	out.Extension = []*dpb.Extension{r4.ComplexExtension(terms.ExtUnnumberedPerson, parts...)}
	return out
}

// whoOrClinic is who, with the clinic's Organization for nobody: every
// Observation has a performer (D5.4).
func (b *builder) whoOrClinic(p *record.Person) *dpb.Reference {
	if ref := b.who(p); ref != nil {
		return ref
	}
	return r4.Ref(b.orgRef())
}

// Places.

// toeSite is bodySite: the toe with its side and no coding without side (D5.1);
// nil when the toe is not known.
func (b *builder) toeSite(side, digit record.Code) *dpb.CodeableConcept {
	if record.ToeCode(side, digit) == "" {
		return nil
	}
	return r4.Concept(b.s.Terms.ToeConcept(side, digit, b.s.Codes))
}

// siteInWords is toeSite, with a place that is not known in full in words alone:
// no coding goes without its side (D5.1).
func (b *builder) siteInWords(side, digit, border record.Code) *dpb.CodeableConcept {
	if site := b.toeSite(side, digit); site != nil {
		return site
	}
	return r4.CodeableConcept(placeText(side, digit, border))
}

// targetExtension is procedure-targetBodyStructure on a Procedure (D5.1), nil
// when the border is not known.
func (b *builder) targetExtension(side, digit, border record.Code) []*dpb.Extension {
	return b.structureExtension(terms.ExtTargetBodyStructure, side, digit, border)
}

// siteExtension is the core extension bodySite on an Observation or on
// MedicationAdministration.dosage (D5.1), nil when the border is not known.
func (b *builder) siteExtension(side, digit, border record.Code) []*dpb.Extension {
	return b.structureExtension(terms.ExtBodySite, side, digit, border)
}

func (b *builder) structureExtension(url string, side, digit, border record.Code) []*dpb.Extension {
	if border == "" {
		return nil
	}
	ref, ok := b.bodyStructureRef(side, digit, border)
	if !ok {
		return nil
	}
	return []*dpb.Extension{r4.Extension(url, r4.Ref(ref))}
}

// Values.

// when is a dateTime in the clinic's zone where the record has no offset.
func (b *builder) when(w *record.When) *dpb.DateTime { return r4.DateTime(w, b.s.Clinic.Zone) }

// period is the Period from start to end, nil when neither was recorded. An
// end not recorded is said to be unknown, since a Period without end would say
// that it goes on.
func (b *builder) period(start, end *record.When) *dpb.Period {
	if start != nil && end == nil {
		return r4.Period(b.when(start), r4.AbsentDateTime("unknown"))
	}
	return r4.Period(b.when(start), b.when(end))
}

// translate is a local code of a set with the standard codes that may leave;
// nil when code is absent.
func (b *builder) translate(set string, code record.Code) *dpb.CodeableConcept {
	return r4.Concept(b.s.Terms.Translate(set, code, b.s.Codes))
}

// translateText is translate with the recorded text in place of the meaning of
// the code.
func (b *builder) translateText(set string, code record.Code, text string) *dpb.CodeableConcept {
	c := b.s.Terms.Translate(set, code, b.s.Codes)
	if r4.Clean(text) != "" {
		c.Text = text
	}
	return r4.Concept(c)
}

// element is a fixed concept, such as "procedure-category-surgical".
func (b *builder) element(name string) *dpb.CodeableConcept {
	return r4.Concept(b.s.Terms.Element(name, b.s.Codes))
}

// identifier numbers a thing of the clinic: kind names the numbering, such as
// "surgery", under the clinic's base.
func (b *builder) identifier(kind, value string) *dpb.Identifier {
	return r4.Identifier(0, nil, b.s.numbering(kind), value, resource.Ref{})
}

// numbering is the system of identifiers that the clinic gives itself.
func (s Settings) numbering(kind string) string {
	return strings.TrimSuffix(s.Clinic.IdentifierBase, "/") + "/" + kind
}

// placeText is a place in words: "left hallux, lateral (fibular) border".
func placeText(side, digit, border record.Code) string {
	parts := []string{strings.TrimSpace(strings.ToLower(record.SideSet.Display(side) + " " + record.DigitSet.Display(digit)))}
	if border != "" {
		parts = append(parts, strings.ToLower(record.BorderSet.Display(border)))
	}
	return strings.Join(parts, ", ")
}

// whenText is a date or time as people read it: what was recorded, to the
// minute at the finest unless seconds were recorded; "" when w is nil.
func whenText(w *record.When) string {
	if w == nil {
		return ""
	}
	switch w.Precision {
	case record.PrecisionYear:
		return fmt.Sprintf("%04d", w.Year)
	case record.PrecisionMonth:
		return fmt.Sprintf("%04d-%02d", w.Year, w.Month)
	case record.PrecisionDay:
		return fmt.Sprintf("%04d-%02d-%02d", w.Year, w.Month, w.Day)
	case record.PrecisionMinute:
		return fmt.Sprintf("%04d-%02d-%02d %02d:%02d", w.Year, w.Month, w.Day, w.Hour, w.Minute)
	}
	return fmt.Sprintf("%04d-%02d-%02d %02d:%02d:%02d", w.Year, w.Month, w.Day, w.Hour, w.Minute, w.Second)
}

// stated reports whether an indication says anything.
func stated(i *record.Indication) bool {
	return i != nil && (i.Condition != "" || i.Stage != "" || i.StageSystem != "" || i.Since != nil || r4.Clean(i.Text) != "")
}
