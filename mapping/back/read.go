package back

import (
	"slices"
	"strings"
	"time"

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
	merges   map[string]string          // refs of patients, by record id
	headers  map[[2]string]header       // by owner of what the Provenance is about, and record id
	visits   []*visit
	byEnc    map[string]*visit      // by ref of the Encounter
	unnamed  map[string]string      // who stated an allergy without naming it, by ref of the patient
	statuses []allergyStatus        // what is said of allergies as a whole
	grouped  map[**record.When]bool // times that several findings have, once one was read
	checks   []func()               // of what says again what is read later
	timeRead bool                   // the time of the finding being read went to a field
}

// visit is a record in the making.
type visit struct {
	rec     *record.Record
	patient string // ref
	owner   string // ownerOf its encounter
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
	in, err := parse(files)
	if err != nil {
		return Result{}, err
	}
	now := in.at(time.Time{})
	r := newReader(o, now)
	out := Result{Records: r.records(), Findings: r.findings}
	out.count(in.all, now.all)
	out.around(in.wrapping)
	return out, nil
}

func parse(files []Input) (*input, error) {
	in := newInput()
	for _, f := range files {
		if err := in.read(f); err != nil {
			return nil, err
		}
	}
	return in, nil
}

func newReader(o Options, in *input) *reader {
	return &reader{
		input: in, terms: o.Terms, options: o, people: map[string]*record.Person{}, patients: map[string]*record.Patient{},
		sharing: map[string]record.Code{}, headers: map[[2]string]header{}, byEnc: map[string]*visit{}, grouped: map[**record.When]bool{}, merges: map[string]string{}, unnamed: map[string]string{},
	}
}

// staff reads the resources that parts of an input share.
func (r *reader) staff() {
	r.each("Practitioner", r.practitioner)
	r.each("PractitionerRole", r.role)
}

// records reads the records out of the resources, by clinic, case, kind and id.
func (r *reader) records() []*record.Record {
	r.staff()
	r.each("Patient", r.patient)
	r.each("Provenance", r.provenance)
	r.each("Encounter", r.encounter)
	r.mergeRecords()
	r.link()
	r.each("Procedure", r.procedure)
	r.each("Specimen", r.specimen)
	r.each("Observation", r.observation)
	r.each("MedicationAdministration", r.administration)
	r.each("Condition", r.condition)
	r.each("Consent", r.consent)
	r.each("MedicationStatement", r.antibiotic)
	r.each("Media", r.photo)
	r.each("AllergyIntolerance", r.allergy)
	r.sayWhich()
	for _, check := range r.checks {
		check()
	}
	var out []*record.Record
	for _, v := range r.visits {
		r.finish(v)
		out = append(out, v.rec)
	}
	slices.SortStableFunc(out, compareRecords)
	return out
}

func compareRecords(a, b *record.Record) int {
	x, y := Order(a), Order(b)
	return slices.Compare(x[:], y[:])
}

// Order is what records are ordered by: clinic, case, kind, record id, and, since ids of
// others may be no more than theirs, patient.
func Order(r *record.Record) [5]string {
	who := ""
	if r.Patient != nil && r.Patient.Identifier != nil {
		who = r.Patient.Identifier.Key()
	}
	return [5]string{r.Clinic, r.Case(), kindRank(r), r.Record, who}
}

// each reads every resource of a type that stands.
func (r *reader) each(typ string, f func(*res)) {
	for _, x := range r.all {
		if x.typ == typ && r.stands(x) {
			r.now = x
			f(x)
		}
	}
	r.now = nil
}

// standing are the statuses of resources that state what was found, done or
// given. One of another status, as planned, preliminary or not done where that is
// no outcome, states nothing that a record may hold.
var standing = map[string][]string{
	"Encounter":                {"finished", "cancelled", "unknown"},
	"Procedure":                {"completed", "stopped", "not-done", "unknown"},
	"Observation":              {"final", "amended", "corrected"},
	"MedicationAdministration": {"completed"},
	"MedicationStatement":      {"active", "completed"},
	"Consent":                  {"active", "rejected", "inactive", "draft"},
	"Specimen":                 {"available", "unavailable"},
	"Media":                    {"completed"},
}

// stands reports that a resource may be read. What has a modifier extension may
// mean the opposite of what it says (R4 extensibility.html#modifierExtension).
func (r *reader) stands(x *res) bool {
	if x.get("modifierExtension") != nil || x.get("implicitRules") != nil {
		r.now = x
		r.find("modified", "a modifier extension or rules change what the resource says: nothing of it was read")
		return false
	}
	if s, asked := standing[x.typ]; asked && !slices.Contains(s, x.peek("status")) {
		return false
	}
	for _, c := range x.list("verificationStatus", "coding") {
		if x.typ == "Condition" && c.peek("code") != "confirmed" {
			return false
		}
	}
	return !inError(x)
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

// count counts the leaves of resources and names those that were not read; used
// are those that were looked at, in the versions that count.
func (out *Result) count(all, used []*res) {
	looked := map[*res]bool{}
	for _, x := range used {
		looked[x] = true
	}
	for _, x := range all {
		all, read := x.leaves()
		out.Leaves.All, out.Leaves.Read = out.Leaves.All+all, out.Leaves.Read+read
		past := !looked[x]
		x.unread("", func(ptr string, leaves int) {
			f := Finding{Code: "not-read", Resource: x.ref, From: x.from, Path: ptr, Leaves: leaves, Text: notReadText(x, ptr)}
			if past {
				f.Code, f.Text = "another-version", "another version of the resource counts"
			}
			out.Leaves.Named += leaves
			out.Findings = append(out.Findings, f)
		})
	}
}

// around counts and names the leaves around the resources of Bundles.
func (out *Result) around(leaves int) {
	if leaves > 0 {
		out.Leaves.All, out.Leaves.Named = out.Leaves.All+leaves, out.Leaves.Named+leaves
		out.Findings = append(out.Findings, Finding{Code: "bundle", Leaves: leaves, Text: "what a Bundle says around its resources is of no record"})
	}
}

// notReadText says why an element was not read.
func notReadText(x *res, ptr string) string {
	switch {
	case inError(x):
		return "entered in error: no record says it"
	case standing[x.typ] != nil && !slices.Contains(standing[x.typ], x.peek("status")):
		return "by its status it states nothing that was found, done or given"
	case ptr == "/text":
		return "a narrative says again what the elements say"
	case ptr == "/meta" || strings.HasPrefix(ptr, "/meta/"):
		return "profiles, tags and versions are of the resource, not of a record"
	case x.typ == "Provenance":
		return "says when and by what the resources were made, and of which contents; not what was recorded"
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

func kindRank(r *record.Record) string {
	if r.Kind == "surgery" {
		return ""
	}
	return string(r.Kind)
}
