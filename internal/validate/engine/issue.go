package engine

import (
	"cmp"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"
)

// Severity is how bad an issue is (R4 valueset-issue-severity).
type Severity uint8

// The severities, worst first. Only Fatal and Error make a resource invalid.
const (
	Fatal Severity = iota
	Error
	Warning
	Information
)

var severities = [...]string{"fatal", "error", "warning", "information"}

// String is the code of the severity.
func (s Severity) String() string { return severities[s] }

// Issue is one thing that is wrong with a resource.
type Issue struct {
	Severity Severity
	Type     string // code of R4 valueset-issue-type
	Location string // FHIRPath, of element names and indexes alone
	Key      string // of the invariant or rule: "obs-7", "cardinality"
	Section  string // where the standard says so: "json.html#primitive"
	Text     string // says what is wrong without any data
	Detail   string // the data that it is about, or empty
	Slip     bool   // Detail is a slip away from the name of an element that may stand there, and so no data
}

// Invalid reports whether an issue makes a resource invalid.
func (i Issue) Invalid() bool { return i.Severity <= Error }

// Invalid reports whether any of the issues makes the resource invalid.
func Invalid(issues []Issue) bool { return slices.ContainsFunc(issues, Issue.Invalid) }

// rule is a rule of the standard that is no invariant.
type rule struct {
	key      string
	severity Severity
	typ      string // R4 valueset-issue-type
	section  string // page of http://hl7.org/fhir/R4
	text     string
}

// The rules, by subject. A section names a page of R4.
var (
	ruleJSON      = rule{"json", Fatal, "structure", "json.html", "the text is no JSON"}
	ruleEnded     = rule{"ended", Fatal, "timeout", "", "the validation was ended before all was validated"}
	ruleResource  = rule{"resource-type", Fatal, "structure", "json.html#resources", "no resource of a type that R4 has"}
	ruleDuplicate = rule{"json-duplicate", Error, "structure", "json.html", "a member occurs twice"}
	ruleUnknown   = rule{"element-unknown", Error, "structure", "json.html", "R4 has no such element here"}
	ruleNull      = rule{"json-null", Error, "structure", "json.html#primitive", "null stands only in a list of values, where the list beside it has an entry"}
	ruleEmpty     = rule{"json-empty", Error, "structure", "json.html", "objects, lists and strings are not empty"}
	ruleKind      = rule{"json-type", Error, "structure", "json.html", "the JSON type does not fit the element"}
	ruleList      = rule{"json-list", Error, "structure", "json.html#repeating", "an element that may repeat is a list, and no other is"}
	ruleLengths   = rule{"json-list-length", Error, "structure", "json.html#primitive", "the two lists of one element are of one length"}
	ruleMin       = rule{"cardinality-min", Error, "required", "conformance-rules.html#cardinality", "an element that must be there is missing"}
	ruleMax       = rule{"cardinality-max", Error, "structure", "conformance-rules.html#cardinality", "an element occurs too often"}
	ruleChoice    = rule{"choice", Error, "structure", "formats.html#choice", "an element that has several types occurs in one of them"}

	ruleFormat   = rule{"format", Error, "value", "datatypes.html", "the value is not in the form of its type"}
	ruleSpaces   = rule{"spaces", Warning, "value", "datatypes.html#string", "the text begins or ends with white space"}
	ruleLength   = rule{"length", Error, "too-long", "datatypes.html#string", "the text is too long"}
	ruleAbsolute = rule{"absolute", Error, "value", "references.html#canonical", "a canonical is an absolute URL or names a contained resource"}
	ruleURN      = rule{"urn", Error, "value", "datatypes.html#uri", "the URN does not have the form of a UUID or OID"}
	ruleID       = rule{"id", Error, "value", "datatypes.html#id", "an id has 1 to 64 letters, digits, - and ."}
	ruleSample   = rule{"sampled-data", Error, "value", "datatypes-definitions.html#SampledData.data", "the data are decimals, E, U and L with one space between"}

	ruleElementID      = rule{"element-id", Error, "value", "element.html#id", "the id of an element has no spaces"}
	ruleTwiceElementID = rule{"element-id-twice", Error, "duplicate", "element.html#id", "two elements of a resource have one id"}

	ruleTwiceID = rule{"id-twice", Error, "duplicate", "references.html#contained", "two contained resources have one id"}

	ruleBinding     = rule{"binding-required", Error, "code-invalid", "terminologies.html#required", "the code is not one of the value set that is required"}
	ruleExtensible  = rule{"binding-extensible", Warning, "code-invalid", "terminologies.html#extensible", "the code is not one of the value set to be used where it can"}
	ruleMaxSet      = rule{"binding-max", Error, "code-invalid", "terminologies.html#extensible", "the code is not one of the largest value set allowed"}
	ruleCode        = rule{"code-unknown", Error, "code-invalid", "terminologies.html", "the code system has no such code"}
	ruleCodeSystem  = rule{"code-system", Warning, "code-invalid", "datatypes.html#Coding", "a code system is named by an absolute URI"}
	ruleSetAsSystem = rule{"code-system-set", Error, "code-invalid", "datatypes.html#Coding", "a value set is named where a code system belongs"}
	ruleNoSystem    = rule{"code-no-system", Warning, "code-invalid", "datatypes.html#Coding", "a code without system has no meaning"}
	ruleDisplay     = rule{"display", Warning, "code-invalid", "datatypes.html#Coding", "the display is not one that the code system gives the code"}
	ruleUCUM        = rule{"ucum", Error, "code-invalid", "datatypes.html#Quantity", "the unit is no expression of UCUM"}
	ruleSNOMED      = rule{"sct-check", Error, "code-invalid", "snomedct.html", "no SNOMED CT identifier or expression: form, partition or check digit is wrong"}
	ruleLOINC       = rule{"loinc-check", Error, "code-invalid", "loinc.html", "no LOINC code: the check digit is wrong"}
	ruleIdentifier  = rule{"identifier-uri", Error, "code-invalid", "datatypes.html#Identifier", "the value of an identifier in the system of URIs is a full URI"}
	ruleReference   = rule{"reference", Error, "value", "references.html#literal", "no relative or absolute reference, and no fragment"}
	ruleTarget      = rule{"reference-target", Error, "structure", "references.html", "the reference is to a resource of a type that is not allowed here"}
	ruleRefType     = rule{"reference-type", Error, "value", "references.html#Reference", "the type stated is not that of the reference"}
	ruleContainedID = rule{"contained-id", Error, "required", "references.html#contained", "a contained resource has an id"}

	ruleFullURL       = rule{"bundle-fullurl", Error, "required", "bundle.html#bundle-unique", "an entry has a fullUrl, but in a batch or transaction"}
	ruleFullURLForm   = rule{"bundle-fullurl-form", Error, "value", "bundle.html#bundle-unique", "a fullUrl is absolute, and a URN of a UUID or OID in its form"}
	ruleFullURLID     = rule{"bundle-fullurl-id", Error, "value", "bundle.html#bundle-unique", "a fullUrl that is a RESTful URL ends with type and id of the resource"}
	ruleUnresolved    = rule{"bundle-unresolved", Error, "not-found", "bundle.html#references", "the reference does not resolve within the bundle"}
	ruleBundleFirst   = rule{"bundle-first", Error, "invariant", "bundle.html", "a document begins with a Composition, a message with a MessageHeader"}
	ruleExtensionURL  = rule{"extension-url", Error, "value", "extensibility.html#Extension", "the url of an extension is absolute"}
	ruleExtension     = rule{"extension-unknown", Error, "extension", "extensibility.html", "the extension has no definition here"}
	ruleExtensionCore = rule{"extension-unchecked", Information, "not-supported", "extensibility.html", "an extension of HL7 that is not known here was not checked"}
	ruleContext       = rule{"extension-context", Error, "extension", "defining-extensions.html#context", "the extension is not meant for this place"}
	ruleModifier      = rule{"extension-modifier", Error, "extension", "extensibility.html#modifierExtension", "an extension that modifies stands in modifierExtension, and no other does"}
	ruleProfile       = rule{"profile-unknown", Error, "not-found", "profiling.html", "the profile is not known here, so it was not checked"}
	ruleProfileCore   = rule{"profile-unchecked", Warning, "not-supported", "profiling.html", "a profile of HL7 that is not known here was not checked"}
	ruleBroken        = rule{"invariant-failed", Warning, "exception", "conformance-rules.html#constraints", "the invariant could not be worked out"}
)

func (r *run) report(u rule, detail string) {
	r.add(Issue{Severity: u.severity, Type: u.typ, Key: u.key, Section: u.section, Text: u.text, Detail: detail})
}

// add puts the present place into an issue and keeps it.
func (r *run) add(i Issue) {
	if r.quiet > 0 {
		r.silenced = r.silenced || i.Invalid()
		return
	}
	if r.lenient > 0 {
		i.Severity = max(i.Severity, Warning)
	}
	if i.Location == "" {
		i.Location = r.location()
	}
	i.Detail = shortened(i.Detail)
	if n := len(r.issues); n < maxIssues || n < 2*maxIssues && i.Invalid() {
		r.issues = append(r.issues, i)
	} else {
		r.cut = true
	}
}

// maxDetail is how much of the data an issue quotes, in bytes.
const maxDetail = 300

func shortened(s string) string {
	if len(s) <= maxDetail {
		return s
	}
	end := maxDetail
	for !utf8.RuneStart(s[end]) {
		end--
	}
	return s[:end] + "..."
}

// maxIssues bounds what is said about one input; that it is invalid is said past
// that too.
const maxIssues = 10_000

// step is one step of the way from the resource to an element; index is -1 for
// an element that does not repeat.
type step struct {
	name  string
	index int
}

func (r *run) push(name string, index int) { r.path = append(r.path, step{name, index}) }
func (r *run) pop()                        { r.path = r.path[:len(r.path)-1] }

// location writes the way in FHIRPath.
func (r *run) location() string {
	var b strings.Builder
	for i, s := range r.path {
		if i > 0 {
			b.WriteByte('.')
		}
		b.WriteString(s.name)
		if s.index >= 0 {
			b.WriteByte('[')
			b.WriteString(strconv.Itoa(s.index))
			b.WriteByte(']')
		}
	}
	return b.String()
}

// sorted puts issues into an order that does not depend on that of the members,
// and leaves out repeats: what a profile says again after the type.
func sorted(issues []Issue) []Issue {
	slices.SortFunc(issues, func(a, b Issue) int {
		return cmp.Or(cmp.Compare(a.Location, b.Location), cmp.Compare(a.Severity, b.Severity), cmp.Compare(a.Key, b.Key),
			cmp.Compare(a.Text, b.Text), cmp.Compare(a.Detail, b.Detail))
	})
	return slices.CompactFunc(issues, func(a, b Issue) bool {
		return a.Location == b.Location && a.Key == b.Key && a.Severity == b.Severity && a.Detail == b.Detail && a.Text == b.Text
	})
}
