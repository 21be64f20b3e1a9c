package engine

import (
	"errors"
	"reflect"
	"regexp"
	"slices"
	"strings"

	"nailbridge/internal/fhirpath"
	"nailbridge/internal/spec"
	"nailbridge/internal/validate/defs"
	"nailbridge/internal/xhtml"
)

// same reports whether two objects are one.
func same(a, b map[string]any) bool { return address(a) == address(b) }

// address tells objects apart.
func address(m map[string]any) uintptr { return reflect.ValueOf(m).Pointer() }

// section is the page of R4 that defines a type.
func section(of string) string {
	head, _, _ := strings.Cut(of, ".")
	t := spec.R4().Type(spec.R4().Named(head))
	switch {
	case t == nil || t.Kind == spec.Resource:
		return strings.ToLower(head) + ".html"
	case head == "Reference", head == "Extension", head == "Narrative", head == "Dosage", head == "ElementDefinition", head == "Element":
		return strings.ToLower(head) + ".html"
	}
	return "datatypes.html#" + head
}

// hold evaluates invariants on an element.
func (r *run) hold(list []*invariant, it fhirpath.Item) {
	for _, i := range list {
		if i.quick != nil {
			if holds, known := i.quick(r, it); known {
				if r.quickSeen != nil {
					r.quickSeen(r, i, it, holds)
				}
				if !holds {
					r.broken(&i.Invariant, i.section)
				}
				continue
			}
		}
		r.evaluate(i, it)
	}
}

// evaluate asks FHIRPath. What an empty result means R4 does not say: a
// comparison that cannot be decided is not shown to hold, as of quantities of two
// kinds (rng-2), while a function of text has nothing to be about where the
// text is absent (ref-1, bdl-8), nor has a rule about a primitive without a value
// (vs-1).
func (r *run) evaluate(i *invariant, it fhirpath.Item) {
	truth, err := i.program.Test(&r.env, it)
	switch {
	case errors.Is(err, fhirpath.ErrEnded):
		r.ended = true
	case err != nil: // an error that cannot be shown to hold is none that holds
		u := ruleBroken
		u.severity = severityOf(&i.Invariant)
		r.report(u, i.Key)
	case truth == fhirpath.False:
		r.broken(&i.Invariant, i.section)
	case truth == fhirpath.Unknown && !i.ofText && !slices.Contains(overlapping, i.Key) && it.Val != nil:
		r.broken(&i.Invariant, i.section)
	}
}

// overlapping are the invariants that compare two moments of which one may be
// within the other, as a time in the day that a period ends on: "The high value
// includes any matching date/time. i.e. 2012-02-03T10:00:00 is in a period that has an
// end value of 2012-02-03" (R4 datatypes.html#Period, on Period.end). FHIRPath
// comes to nothing there, and per-1 is not broken.
var overlapping = []string{"per-1"}

// ofText finds invariants that ask a function of text about one element.
var ofText = regexp.MustCompile(`^[A-Za-z.]+\.(matches|contains|startsWith)\(`)

func severityOf(i *spec.Invariant) Severity {
	if i.Severity == "warning" {
		return Warning
	}
	return Error
}

func (r *run) broken(i *spec.Invariant, section string) {
	r.add(Issue{Severity: severityOf(i), Type: "invariant", Key: i.Key, Section: section, Text: i.Human})
}

// quick holds invariants that are decided without FHIRPath, by key and
// expression: those on every element, and those that hold unless a resource
// contains others.
var quick = map[string]func(*run, fhirpath.Item) (holds, known bool){
	"ele-1 hasValue() or (children().count() > id.count())": func(r *run, it fhirpath.Item) (bool, bool) {
		m, ok := it.Val.(map[string]any)
		if !ok {
			return true, true // primitives are seen to where they are read
		}
		return len(m) > 1 || len(m) == 1 && m["id"] == nil, true
	},
	"ext-1 extension.exists() != value.exists()": func(r *run, it fhirpath.Item) (bool, bool) {
		m, ok := it.Val.(map[string]any)
		if !ok {
			return true, false
		}
		value := false
		for name := range m {
			value = value || strings.HasPrefix(name, "value") || strings.HasPrefix(name, "_value")
		}
		return (m["extension"] != nil) != value, true
	},
	"dom-2 contained.contained.empty()": uncontained,
	"dom-3 " + dom3:                     uncontained,
	"dom-4 contained.meta.versionId.empty() and contained.meta.lastUpdated.empty()": uncontained,
	"dom-5 contained.meta.security.empty()":                                         uncontained,
	"dom-6 text.`div`.exists()": func(r *run, it fhirpath.Item) (bool, bool) {
		if r.inside {
			return true, true // R4 narrative.html: a contained resource has none
		}
		m, _ := it.Val.(map[string]any)
		text, _ := m["text"].(map[string]any)
		return text["div"] != nil || text["_div"] != nil, true
	},
	"ref-1 reference.startsWith('#').not() or (reference.substring(1).trace('url') in %rootResource.contained.id.trace('ids'))": func(r *run, it fhirpath.Item) (bool, bool) {
		m, _ := it.Val.(map[string]any)
		s, _ := m["reference"].(string)
		return true, !strings.HasPrefix(s, "#")
	},
	"con-3 " + con3:      problemListItem,
	"txt-1 htmlChecks()": narrative(false),
	"txt-2 htmlChecks()": narrative(true),
}

// uncontained holds where nothing is contained.
func uncontained(_ *run, it fhirpath.Item) (bool, bool) {
	m, ok := it.Val.(map[string]any)
	return true, ok && m["contained"] == nil
}

// narrative tells the two invariants on Narrative.div apart: txt-2 is about
// content, txt-1 about all other rules (R4 narrative.html).
func narrative(content bool) func(*run, fhirpath.Item) (bool, bool) {
	return func(r *run, it fhirpath.Item) (bool, bool) {
		div, ok := it.Val.(string)
		if !ok {
			return true, true
		}
		for _, p := range r.narrativeProblems(div) {
			if (p.Rule == xhtml.NoContent) == content {
				return false, true
			}
		}
		return true, true
	}
}

// narrativeProblems checks a div once for the two invariants.
func (r *run) narrativeProblems(div string) []xhtml.Problem {
	if r.div != div {
		r.div, r.problems = div, xhtml.Check(div)
	}
	return r.problems
}

// Resolve finds a resource for resolve(): in the bundle around, else outside.
func (r *run) Resolve(reference string) (map[string]any, bool) {
	if r.bundle != nil {
		if m := r.bundle.find(reference, r.bundle.urlOf(r.root)); m != nil {
			return m, true
		}
	}
	if r.options.Resolve == nil {
		return nil, false
	}
	return r.options.Resolve(reference)
}

// MemberOf answers memberOf().
func (r *run) MemberOf(system, code, valueSet string) (member, known bool) {
	k := r.v.defs.MemberOf(valueSet, system, code)
	return k == defs.Yes, k != defs.Unknown
}

// Subsumes answers subsumes(): the hierarchies of code systems are not held here.
func (r *run) Subsumes(_, _, _ string) (subsumes, known bool) { return false, false }

// ConformsTo answers conformsTo(), without telling what is wrong.
func (r *run) ConformsTo(it fhirpath.Item, url string) (conforms, known bool) {
	m, ok := it.Val.(map[string]any)
	if !ok || it.Type == spec.None {
		return false, false
	}
	return r.conformsThere(url, r.core.shapes[it.Type], m)
}

// dom3 is the expression of dom-3.
const dom3 = `contained.where((('#'+id in (%resource.descendants().reference | %resource.descendants().as(canonical) | %resource.descendants().as(uri) | %resource.descendants().as(url))) or descendants().where(reference = '#').exists() or descendants().where(as(canonical) = '#').exists() or descendants().where(as(canonical) = '#').exists()).not()).trace('unmatched', id).empty()`

// con3 is the expression of con-3. It compares a CodeableConcept with a string,
// which is never true, so that it asks for clinicalStatus wherever there is a
// category; the sentence, which is about problem-list-item, counts.
const con3 = `clinicalStatus.exists() or verificationStatus.coding.where(system='http://terminology.hl7.org/CodeSystem/condition-ver-status' and code = 'entered-in-error').exists() or category.select($this='problem-list-item').empty()`

func problemListItem(_ *run, it fhirpath.Item) (bool, bool) {
	m, _ := it.Val.(map[string]any)
	if m["clinicalStatus"] != nil {
		return true, true
	}
	verification, _ := m["verificationStatus"].(map[string]any)
	if coded(verification, "entered-in-error") {
		return true, true
	}
	for _, c := range listOf(m, "category") {
		if coded(c, "problem-list-item") {
			return false, true
		}
	}
	return true, true
}

// coded reports a CodeableConcept with a code, which is of the bound system or of
// none that means anything here.
func coded(concept map[string]any, code string) bool {
	for _, c := range listOf(concept, "coding") {
		if str(c, "code") == code {
			return true
		}
	}
	return false
}
