package validate

import (
	"encoding/json"
	"slices"
	"strconv"
	"strings"

	"nailbridge/mapping/terms"
)

// invariant is one rule of R4 on resources of a type: its key, the path it
// stands on in R4's StructureDefinition, what it asks, and the places where a
// resource breaks it.
type invariant struct {
	key, path, rule string
	broken          func(tree map[string]any) []string
}

// of reports whether it is on resources of a type.
func (i invariant) of(typ string) bool {
	on, _, _ := strings.Cut(i.path, ".")
	return on == typ || on == "DomainResource"
}

const (
	conditionClinical     = "http://terminology.hl7.org/CodeSystem/condition-clinical"
	conditionVerification = "http://terminology.hl7.org/CodeSystem/condition-ver-status"
	conditionCategory     = "http://terminology.hl7.org/CodeSystem/condition-category"
	allergyVerification   = "http://terminology.hl7.org/CodeSystem/allergyintolerance-verification"
	consentScope          = "http://terminology.hl7.org/CodeSystem/consentscope"
	inError               = "entered-in-error"
)

// invariants are those of the types made. The sentence of R4 counts where its
// expression, as ppc-2's, can never be false. dom-6 is a warning in R4 and a
// rule here: every resource of ours has a narrative.
var invariants = slices.Concat(conditionInvariants, consentInvariants, []invariant{
	{"ait-1", "AllergyIntolerance", "clinicalStatus is present unless entered in error", when(func(t map[string]any) bool {
		return t["clinicalStatus"] == nil && !coded(t["verificationStatus"], allergyVerification, inError)
	}, ".clinicalStatus")},
	{"ait-2", "AllergyIntolerance", "clinicalStatus is absent when entered in error", when(func(t map[string]any) bool {
		return t["clinicalStatus"] != nil && coded(t["verificationStatus"], allergyVerification, inError)
	}, ".clinicalStatus")},
	{"cpl-3", "CarePlan.activity", "an activity has a reference or a detail, not both", each("activity", func(a map[string]any) bool {
		return a["detail"] != nil && a["reference"] != nil
	})},
	{"gol-1", "Goal.target", "a target with detail has a measure", each("target", func(x map[string]any) bool {
		return hasPrefix(x, "detail") && x["measure"] == nil
	})},
	{"mad-1", "MedicationAdministration.dosage", "a dosage has a dose or a rate", when(func(t map[string]any) bool {
		d, ok := t["dosage"].(map[string]any)
		return ok && d["dose"] == nil && !hasPrefix(d, "rate")
	}, ".dosage")},
	{"obs-6", "Observation", "dataAbsentReason is present only without a value", when(func(t map[string]any) bool {
		return t["dataAbsentReason"] != nil && hasPrefix(t, "value")
	}, ".dataAbsentReason")},
	{"obs-7", "Observation", "an observation with the code of one of its components has no value", when(func(t map[string]any) bool {
		return hasPrefix(t, "value") && componentRepeatsCode(t)
	}, ".value")},
	{"obs-3", "Observation.referenceRange", "a reference range has low, high or text", each("referenceRange", lacks("low", "high", "text"))},
	{"vs-1", "Observation.effective[x]", "a vital sign has a dateTime that is precise to the day", vitalSign(when(func(t map[string]any) bool {
		at, _ := t["effectiveDateTime"].(string)
		return len(at) < len("2026-03-02")
	}, ".effectiveDateTime"))},
	{"vs-2", "Observation", "a vital sign without components or members has a value or a reason for none", vitalSign(when(func(t map[string]any) bool {
		return t["component"] == nil && t["hasMember"] == nil && !hasValue(t)
	}, ""))},
	{"vs-3", "Observation.component", "a component of a vital sign has a value or a reason for none", vitalSign(each("component", func(c map[string]any) bool { return !hasValue(c) }))},
	{"org-1", "Organization", "an organization has an identifier or a name", when(lacks("identifier", "name"), "")},
	{"pat-1", "Patient.contact", "a contact has details or an organization", each("contact", lacks("name", "telecom", "address", "organization"))},
	{"dom-2", "DomainResource", "contained resources contain none", each("contained", func(x map[string]any) bool { return x["contained"] != nil })},
	{"dom-3", "DomainResource", "a contained resource is referred to, or refers to what contains it", containedUnused},
	{"dom-4", "DomainResource", "a contained resource has no versionId and no lastUpdated", each("contained", hasMeta("versionId", "lastUpdated"))},
	{"dom-5", "DomainResource", "a contained resource has no security label", each("contained", hasMeta("security"))},
	{"dom-6", "DomainResource", "a resource has a narrative", when(func(t map[string]any) bool {
		text, _ := t["text"].(map[string]any)
		_, ok := text["div"].(string)
		return !ok
	}, ".text")},
})

var conditionInvariants = []invariant{
	{"con-1", "Condition.stage", "a stage has a summary or an assessment", each("stage", lacks("summary", "assessment"))},
	{"con-2", "Condition.evidence", "evidence has a code or a detail", each("evidence", lacks("code", "detail"))},
	{"con-3", "Condition", "clinicalStatus is present for a problem-list-item unless entered in error", when(func(t map[string]any) bool {
		return t["clinicalStatus"] == nil && coded(t["category"], conditionCategory, "problem-list-item") &&
			!coded(t["verificationStatus"], conditionVerification, inError)
	}, ".clinicalStatus")},
	{"con-4", "Condition", "an abated condition is inactive, resolved or in remission", when(func(t map[string]any) bool {
		return hasPrefix(t, "abatement") && !coded(t["clinicalStatus"], conditionClinical, "resolved", "remission", "inactive")
	}, ".clinicalStatus")},
	{"con-5", "Condition", "clinicalStatus is absent when entered in error", when(func(t map[string]any) bool {
		return t["clinicalStatus"] != nil && coded(t["verificationStatus"], conditionVerification, inError)
	}, ".clinicalStatus")},
}

var consentInvariants = []invariant{
	{"ppc-1", "Consent", "a consent has a policy or a policyRule", when(lacks("policy", "policyRule"), ".policy")},
	{"ppc-2", "Consent", "a consent to privacy names the patient", withoutPatient("patient-privacy")},
	{"ppc-3", "Consent", "a consent to research names the patient", withoutPatient("research")},
	{"ppc-4", "Consent", "an advance directive names the patient", withoutPatient("adr")},
	{"ppc-5", "Consent", "a consent to treatment names the patient", withoutPatient("treatment")},
}

func withoutPatient(scope string) func(map[string]any) []string {
	return when(func(t map[string]any) bool { return t["patient"] == nil && coded(t["scope"], consentScope, scope) }, ".patient")
}

// when breaks at one place if the whole resource is as said.
func when(bad func(map[string]any) bool, path string) func(map[string]any) []string {
	return func(t map[string]any) []string {
		if bad(t) {
			return []string{path}
		}
		return nil
	}
}

// each breaks at every element of a list that is as said.
func each(list string, bad func(map[string]any) bool) func(map[string]any) []string {
	return func(t map[string]any) []string {
		var out []string
		items, _ := t[list].([]any)
		for i, v := range items {
			if m, ok := v.(map[string]any); ok && bad(m) {
				out = append(out, "."+list+"["+strconv.Itoa(i)+"]")
			}
		}
		return out
	}
}

// lacks reports an element that has none of the members.
func lacks(names ...string) func(map[string]any) bool {
	return func(m map[string]any) bool {
		return !slices.ContainsFunc(names, func(n string) bool { return m[n] != nil })
	}
}

// vitalSign asks a rule of R4's profiles of vital signs, of what claims the one
// that is made here (https://hl7.org/fhir/R4/bodyweight.html).
func vitalSign(broken func(map[string]any) []string) func(map[string]any) []string {
	return func(t map[string]any) []string {
		meta, _ := t["meta"].(map[string]any)
		if profiles, _ := meta["profile"].([]any); slices.Contains(profiles, any(terms.ProfileBodyWeight)) {
			return broken(t)
		}
		return nil
	}
}

// hasValue reports a value of any type, or a reason why there is none.
func hasValue(t map[string]any) bool { return t["dataAbsentReason"] != nil || hasPrefix(t, "value") }

// hasMeta reports a resource whose meta has one of the members.
func hasMeta(names ...string) func(map[string]any) bool {
	return func(m map[string]any) bool {
		meta, _ := m["meta"].(map[string]any)
		return slices.ContainsFunc(names, func(n string) bool { return meta[n] != nil })
	}
}

// coded reports whether a Coding, a CodeableConcept or a list of them has one
// of the codes of a system.
func coded(v any, system string, codes ...string) bool {
	switch v := v.(type) {
	case []any:
		return slices.ContainsFunc(v, func(e any) bool { return coded(e, system, codes...) })
	case map[string]any:
		if code, ok := v["code"].(string); ok {
			return v["system"] == system && slices.Contains(codes, code)
		}
		return coded(v["coding"], system, codes...)
	}
	return false
}

// hasPrefix reports a choice element: a member of any of its types, or the
// extensions of a primitive one without value.
func hasPrefix(m map[string]any, prefix string) bool {
	for k := range m {
		if strings.HasPrefix(strings.TrimPrefix(k, "_"), prefix) {
			return true
		}
	}
	return false
}

// componentRepeatsCode reports a component with a coding of Observation.code.
func componentRepeatsCode(t map[string]any) bool {
	own := codingsOf(t["code"])
	comps, _ := t["component"].([]any)
	return slices.ContainsFunc(comps, func(v any) bool {
		m, _ := v.(map[string]any)
		return slices.ContainsFunc(codingsOf(m["code"]), func(k string) bool { return slices.Contains(own, k) })
	})
}

func codingsOf(v any) []string {
	m, _ := v.(map[string]any)
	list, _ := m["coding"].([]any)
	var out []string
	for _, e := range list {
		c, _ := e.(map[string]any)
		system, _ := c["system"].(string)
		code, _ := c["code"].(string)
		out = append(out, system+"|"+code)
	}
	return out
}

// containedUnused finds contained resources that nothing refers to and that do
// not refer to what contains them.
func containedUnused(t map[string]any) []string {
	list, _ := t["contained"].([]any)
	if len(list) == 0 {
		return nil
	}
	whole, err := json.Marshal(t)
	if err != nil {
		return nil
	}
	var out []string
	for i, v := range list {
		m, _ := v.(map[string]any)
		id, _ := m["id"].(string)
		own, err := json.Marshal(m)
		if err == nil && !strings.Contains(string(whole), `"#`+id+`"`) && !strings.Contains(string(own), `"#"`) {
			out = append(out, ".contained["+strconv.Itoa(i)+"]")
		}
	}
	return out
}
