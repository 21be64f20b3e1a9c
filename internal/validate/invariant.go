package validate

import (
	"encoding/json"
	"strconv"
	"strings"
)

// invariant is one rule of R4 that the mapping could break: its key, the type
// it stands on ("" for every resource), its sentence, and the places where a
// resource breaks it.
type invariant struct {
	key, on, rule string
	broken        func(tree map[string]any) []string
}

// invariants are written from the StructureDefinitions of R4 4.0.1; each is
// tried in a test that breaks it.
var invariants = []invariant{
	{"cpl-3", "CarePlan", "an activity has a reference or a detail, not both", each("activity", func(a map[string]any) bool {
		return a["detail"] != nil && a["reference"] != nil
	})},
	{"mad-1", "MedicationAdministration", "a dosage has at least one of dose and rate", func(t map[string]any) []string {
		d, ok := t["dosage"].(map[string]any)
		if !ok || d["dose"] != nil || d["rateRatio"] != nil || d["rateQuantity"] != nil {
			return nil
		}
		return []string{".dosage"}
	}},
	{"con-3", "Condition", "clinicalStatus shall be present if verificationStatus is not entered-in-error and category is problem-list-item", when(func(t map[string]any) bool {
		return t["clinicalStatus"] == nil && !coded(t["verificationStatus"], "entered-in-error") && coded(t["category"], "problem-list-item")
	}, ".clinicalStatus")},
	{"con-4", "Condition", "if abated, then clinicalStatus must be inactive, resolved or remission", when(func(t map[string]any) bool {
		abated := hasPrefix(t, "abatement")
		return abated && !coded(t["clinicalStatus"], "resolved") && !coded(t["clinicalStatus"], "remission") && !coded(t["clinicalStatus"], "inactive")
	}, ".clinicalStatus")},
	{"con-5", "Condition", "clinicalStatus shall not be present if verificationStatus is entered-in-error", when(func(t map[string]any) bool {
		return t["clinicalStatus"] != nil && coded(t["verificationStatus"], "entered-in-error")
	}, ".clinicalStatus")},
	{"ait-1", "AllergyIntolerance", "clinicalStatus shall be present if verificationStatus is not entered-in-error", when(func(t map[string]any) bool {
		return t["clinicalStatus"] == nil && !coded(t["verificationStatus"], "entered-in-error")
	}, ".clinicalStatus")},
	{"ait-2", "AllergyIntolerance", "clinicalStatus shall not be present if verificationStatus is entered-in-error", when(func(t map[string]any) bool {
		return t["clinicalStatus"] != nil && coded(t["verificationStatus"], "entered-in-error")
	}, ".clinicalStatus")},
	{"obs-6", "Observation", "dataAbsentReason shall only be present if value is not", when(func(t map[string]any) bool {
		return t["dataAbsentReason"] != nil && hasPrefix(t, "value")
	}, ".dataAbsentReason")},
	{"obs-7", "Observation", "if a component has the code of the observation, the observation has no value", when(func(t map[string]any) bool {
		return hasPrefix(t, "value") && componentRepeatsCode(t)
	}, ".value")},
	{"ppc-1", "Consent", "either a policy or a policyRule", when(func(t map[string]any) bool {
		return t["policy"] == nil && t["policyRule"] == nil
	}, ".policy")},
	{"ppc-2", "Consent", "patient is required if scope is treatment or patient-privacy, and so on", when(func(t map[string]any) bool {
		return t["patient"] == nil
	}, ".patient")},
	{"gol-1", "Goal", "target.measure is required if target.detail is present", each("target", func(x map[string]any) bool {
		return hasPrefix(x, "detail") && x["measure"] == nil
	})},
	{"pat-1", "Patient", "a contact has a name, telecom, address or organization", each("contact", func(x map[string]any) bool {
		return x["name"] == nil && x["telecom"] == nil && x["address"] == nil && x["organization"] == nil
	})},
	{"org-1", "Organization", "an organization has an identifier or a name", when(func(t map[string]any) bool {
		return t["identifier"] == nil && t["name"] == nil
	}, "")},
	{"dom-2", "", "contained resources hold no contained resources", each("contained", func(x map[string]any) bool { return x["contained"] != nil })},
	{"dom-3", "", "a contained resource is referred to from elsewhere in the resource", containedUnused},
	{"dom-4", "", "a contained resource has no versionId and no lastUpdated", each("contained", func(x map[string]any) bool {
		m, _ := x["meta"].(map[string]any)
		return m["versionId"] != nil || m["lastUpdated"] != nil
	})},
	{"dom-5", "", "a contained resource has no security label", each("contained", func(x map[string]any) bool {
		m, _ := x["meta"].(map[string]any)
		return m["security"] != nil
	})},
	{"dom-6", "", "a resource should have a narrative", when(func(t map[string]any) bool {
		text, _ := t["text"].(map[string]any)
		div, _ := text["div"].(string)
		return div == ""
	}, ".text")},
	{"txt-2", "", "the narrative has some text", when(func(t map[string]any) bool {
		text, _ := t["text"].(map[string]any)
		div, ok := text["div"].(string)
		return ok && strings.TrimSpace(stripTags(div)) == ""
	}, ".text.div")},
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

// coded reports whether a CodeableConcept, or a list of them, has the code.
func coded(v any, code string) bool {
	switch v := v.(type) {
	case []any:
		for _, e := range v {
			if coded(e, code) {
				return true
			}
		}
	case map[string]any:
		if v["code"] == code {
			return true
		}
		return coded(v["coding"], code)
	}
	return false
}

func hasPrefix(m map[string]any, prefix string) bool {
	for k := range m {
		if strings.HasPrefix(k, prefix) {
			return true
		}
	}
	return false
}

// componentRepeatsCode reports a component with a coding of Observation.code.
func componentRepeatsCode(t map[string]any) bool {
	own := map[string]bool{}
	for _, k := range codingsOf(t["code"]) {
		own[k] = true
	}
	comps, _ := t["component"].([]any)
	for _, v := range comps {
		m, _ := v.(map[string]any)
		for _, k := range codingsOf(m["code"]) {
			if own[k] {
				return true
			}
		}
	}
	return false
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

// containedUnused finds contained resources that nothing refers to.
func containedUnused(t map[string]any) []string {
	list, _ := t["contained"].([]any)
	if len(list) == 0 {
		return nil
	}
	b, err := json.Marshal(t)
	if err != nil {
		return nil
	}
	var out []string
	for i, v := range list {
		m, _ := v.(map[string]any)
		id, _ := m["id"].(string)
		if !strings.Contains(string(b), `"reference":"#`+id+`"`) {
			out = append(out, ".contained["+strconv.Itoa(i)+"]")
		}
	}
	return out
}

// stripTags leaves the text of an XHTML fragment.
func stripTags(s string) string {
	var b strings.Builder
	in := false
	for _, r := range s {
		switch {
		case r == '<':
			in = true
		case r == '>':
			in = false
		case !in:
			b.WriteRune(r)
		}
	}
	return b.String()
}
