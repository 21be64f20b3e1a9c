package back

import (
	"cmp"
	"net/url"
	"slices"
	"strings"

	"nailbridge/mapping/record"
	"nailbridge/mapping/terms"
)

// Finding names what was not read, or not read without doubt. It holds no value
// of the input.
type Finding struct {
	Code     string `json:"code"`
	Resource string `json:"resource,omitempty"` // "Type/id"
	From     string `json:"from,omitempty"`     // where it stands in the input
	Path     string `json:"path,omitempty"`     // element
	Leaves   int    `json:"leaves,omitempty"`   // not read there
	Text     string `json:"text"`
}

// Leaves counts the strings, numbers and booleans of the input: Read and Named
// (in findings) make up All.
type Leaves struct {
	All   int `json:"all"`
	Read  int `json:"read"`
	Named int `json:"named"`
}

// Result is what was read.
type Result struct {
	Records  []*record.Record // by clinic, case, kind and record id
	Findings []Finding
	Leaves   Leaves
}

// Options say what the resources do not.
type Options struct {
	Terms *terms.Terms
	// Clinic is the clinic of records whose FHIR names none; "" leaves it out.
	Clinic string
}

// reader reads one input.
type reader struct {
	*input
	terms    *terms.Terms
	options  Options
	now      *res // being read, for findings
	findings []Finding
	people   map[string]*record.Person  // by ref
	patients map[string]*record.Patient // by ref
	sharing  map[string]record.Code     // by ref of the patient
	headers  map[string]header          // by record id
	visits   []*visit
	byEnc    map[string]*visit // by ref of the Encounter
}

// visit is a record in the making.
type visit struct {
	rec     *record.Record
	patient string // ref
	sitting string // ref of the sitting's Procedure, of a visit
	caseID  string
	toes    []*toe
	events  []numbered[record.Event]
	wrong   []string // refs of the complications, in their order
	sent    sent
	legs    []string // item keys of the legs
	day     string   // of one made of acts without an encounter
}

// numbered is an item of a list with what it is ordered by.
type numbered[T any] struct {
	key  string
	item T
}

// Read reads records out of FHIR resources: all that ours hold (package
// comment), and of others as much as their codes allow. The error says that a
// file holds no FHIR in JSON.
func Read(o Options, files ...Input) (Result, error) {
	in := &input{byRef: map[string]*res{}, byURL: map[string]*res{}}
	for _, f := range files {
		if err := in.read(f); err != nil {
			return Result{}, err
		}
	}
	in.sort()
	r := &reader{
		input: in, terms: o.Terms, options: o, people: map[string]*record.Person{}, patients: map[string]*record.Patient{},
		sharing: map[string]record.Code{}, headers: map[string]header{}, byEnc: map[string]*visit{},
	}
	r.each("Practitioner", r.practitioner)
	r.each("PractitionerRole", r.role)
	r.each("Patient", r.patient)
	r.each("Provenance", r.provenance)
	r.each("Encounter", r.encounter)
	r.link()
	r.each("Procedure", r.procedure)
	r.each("Observation", r.observation)
	r.each("MedicationAdministration", r.administration)
	r.each("Condition", r.condition)
	r.each("Consent", r.consent)
	r.each("Specimen", r.specimen)
	r.each("MedicationStatement", r.antibiotic)
	r.each("Media", r.photo)
	r.each("AllergyIntolerance", r.allergy)
	return r.result(), nil
}

// each reads every resource of a type that stands.
func (r *reader) each(typ string, f func(*res)) {
	for _, x := range r.all {
		if x.typ == typ && !inError(x) {
			r.now = x
			f(x)
		}
	}
	r.now = nil
}

// inError reports that a resource was entered in error: no record says it.
func inError(x *res) bool {
	if x.peek("status") == "entered-in-error" || x.peek("lifecycleStatus") == "entered-in-error" {
		return true
	}
	for _, c := range x.list("verificationStatus", "coding") {
		if c.peek("code") == "entered-in-error" {
			return true
		}
	}
	return false
}

func (r *reader) find(code, text string) {
	f := Finding{Code: code, Text: text}
	if r.now != nil {
		f.Resource, f.From = r.now.ref, r.now.from
	}
	r.findings = append(r.findings, f)
}

// result finishes the records and counts the leaves.
func (r *reader) result() Result {
	out := Result{Findings: r.findings}
	for _, v := range r.visits {
		r.finish(v)
		out.Records = append(out.Records, v.rec)
	}
	slices.SortFunc(out.Records, func(a, b *record.Record) int {
		return cmp.Or(strings.Compare(a.Clinic, b.Clinic), strings.Compare(caseOf(a), caseOf(b)),
			strings.Compare(kindRank(a), kindRank(b)), strings.Compare(a.Record, b.Record))
	})
	for _, x := range r.all {
		all, read := x.leaves()
		out.Leaves.All, out.Leaves.Read = out.Leaves.All+all, out.Leaves.Read+read
		x.unread("", func(ptr string, leaves int) {
			out.Leaves.Named += leaves
			out.Findings = append(out.Findings, Finding{
				Code: "not-read", Resource: x.ref, From: x.from, Path: ptr, Leaves: leaves,
				Text: notReadText(x, ptr),
			})
		})
	}
	if r.wrapping > 0 {
		out.Leaves.All, out.Leaves.Named = out.Leaves.All+r.wrapping, out.Leaves.Named+r.wrapping
		out.Findings = append(out.Findings, Finding{Code: "bundle", Leaves: r.wrapping, Text: "what a Bundle says around its resources is of no record"})
	}
	return out
}

// notReadText says why an element was not read.
func notReadText(x *res, ptr string) string {
	switch {
	case inError(x):
		return "entered in error: no record says it"
	case ptr == "/text":
		return "a narrative says again what the elements say"
	case computed(x):
		return "computed from the records, not recorded"
	}
	return "no field of the record holds it, or its code is none of ours"
}

// computed reports that a resource is made of records, and that none states it.
func computed(x *res) bool {
	switch x.typ {
	case "CarePlan", "Goal", "DetectedIssue", "Composition", "Device", "BodyStructure":
		return true
	}
	return x.typ == "Observation" && x.get("device") != nil
}

func caseOf(r *record.Record) string {
	switch {
	case r.Review != nil:
		return r.Review.Surgery
	case r.Contact != nil:
		return r.Contact.Surgery
	}
	return r.Record
}

func kindRank(r *record.Record) string {
	if r.Kind == "surgery" {
		return ""
	}
	return string(r.Kind)
}

// unescaped is the case in a number of ours.
func unescaped(number string) string {
	head, _, _ := strings.Cut(number, "/")
	s, err := url.PathUnescape(head)
	if err != nil {
		return head
	}
	return s
}
