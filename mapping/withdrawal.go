package mapping

import (
	"encoding/json"
	"fmt"
	"maps"
	"slices"

	"nailbridge/mapping/internal/r4"
	"nailbridge/mapping/resource"
	"nailbridge/mapping/terms"
)

// withdrawal says how a resource type shows that its source is withdrawn or
// re-mapped away (D6), and what of it may stay when it belonged to another
// patient (D1.5).
type withdrawal struct {
	status string   // element that takes entered-in-error; "" for the others
	system string   // its code system where it is a CodeableConcept
	active bool     // active becomes false
	drop   []string // elements that may not stand beside entered-in-error
	keep   []string // required elements and subject, which a masked one keeps
}

const (
	conditionVerification = "http://terminology.hl7.org/CodeSystem/condition-ver-status"
	allergyVerification   = "http://terminology.hl7.org/CodeSystem/allergyintolerance-verification"
)

// withdrawals are the types of the table of D6. Those not listed stay
// untouched: Patient, RelatedPerson, Practitioner, Organization, Device and
// Provenance.
var withdrawals = map[string]withdrawal{
	"Procedure":                {status: "status", keep: []string{"subject"}},
	"Observation":              {status: "status", keep: []string{"code", "subject"}},
	"MedicationAdministration": {status: "status", keep: []string{"subject"}},
	"MedicationStatement":      {status: "status", keep: []string{"subject"}},
	"Medication":               {status: "status"},
	"Encounter":                {status: "status", keep: []string{"class", "subject"}},
	"CarePlan":                 {status: "status", keep: []string{"intent", "subject"}},
	"DetectedIssue":            {status: "status", keep: []string{"patient"}},
	"Specimen":                 {status: "status", keep: []string{"subject"}},
	"Consent":                  {status: "status", keep: []string{"scope", "category", "patient", "policy"}},
	"Composition":              {status: "status", keep: []string{"type", "subject", "author", "title"}},
	"Media":                    {status: "status", keep: []string{"subject"}},
	"Goal":                     {status: "lifecycleStatus", keep: []string{"description", "subject"}},
	"Condition": {status: "verificationStatus", system: conditionVerification, keep: []string{"subject"}, drop: []string{
		"clinicalStatus",                                                                                                  // con-5
		"abatementDateTime", "abatementAge", "abatementPeriod", "abatementRange", "abatementString", "_abatementDateTime", // con-4
	}},
	"AllergyIntolerance": {status: "verificationStatus", system: allergyVerification, keep: []string{"patient"},
		drop: []string{"clinicalStatus"}}, // ait-2
	"BodyStructure":    {active: true, keep: []string{"patient"}},
	"PractitionerRole": {active: true, keep: []string{"practitioner", "organization"}},
}

// EnterInError gives r as it stands when its source is withdrawn or re-mapped
// away (D6). masked takes out all that could tell of the patient it really
// belonged to (D1.5). changed is false for types that stay untouched, and for a
// resource that stands so already.
func EnterInError(s Settings, r resource.Resource, masked bool) (out resource.Resource, changed bool, err error) {
	w, ok := withdrawals[r.Type()]
	if !ok {
		return r, false, nil
	}
	tree := maps.Clone(r.Tree())
	if masked {
		tree = w.mask(s, r)
	}
	w.mark(tree)
	b, err := json.Marshal(tree)
	if err != nil {
		return resource.Resource{}, false, fmt.Errorf("mapping: %s entered in error: %w", r.Type(), err)
	}
	msg, err := r4.Unmarshal(b)
	if err != nil {
		return resource.Resource{}, false, err
	}
	if out, err = r4.Marshal(msg); err != nil {
		return resource.Resource{}, false, err
	}
	return out, !out.Equal(r), nil
}

// mark sets the status, and takes out what may not stand beside it. The tree's
// own members are replaced, never changed.
func (w withdrawal) mark(tree map[string]any) {
	for _, name := range w.drop {
		delete(tree, name)
	}
	switch {
	case w.active:
		tree["active"] = false
	case w.system != "":
		tree[w.status] = map[string]any{"coding": []any{
			map[string]any{"system": w.system, "code": "entered-in-error", "display": "Entered in Error"},
		}}
	default:
		tree[w.status] = "entered-in-error"
		delete(tree, "_"+w.status)
	}
	untag(tree)
	markActivities(tree)
	said := "This resource was entered in error."
	if w.active {
		said = "This resource is no longer in use."
	}
	tree["text"] = map[string]any{"status": "generated", "div": r4.Div("<p>" + said + "</p>")}
}

// untag takes off the tags of work in hand: what is entered in error is
// neither an open flag (D5.11) nor waiting for a newer record.
func untag(tree map[string]any) {
	meta, ok := tree["meta"].(map[string]any)
	if !ok {
		return
	}
	meta = maps.Clone(meta)
	delete(meta, "tag")
	tree["meta"] = meta
	if len(meta) == 0 {
		delete(tree, "meta")
	}
}

// markActivities marks the activities of a CarePlan too.
func markActivities(tree map[string]any) {
	activities, ok := tree["activity"].([]any)
	if !ok {
		return
	}
	out := slices.Clone(activities)
	for i, a := range out {
		activity, _ := a.(map[string]any)
		detail, ok := activity["detail"].(map[string]any)
		if !ok {
			continue
		}
		activity, detail = maps.Clone(activity), maps.Clone(detail)
		detail["status"] = "entered-in-error"
		activity["detail"] = detail
		out[i] = activity
	}
	tree["activity"] = out
}

// mask gives a tree with only what D1.5 lets stay.
func (w withdrawal) mask(s Settings, r resource.Resource) map[string]any {
	from := r.Tree()
	tree := map[string]any{"resourceType": r.Type(), "id": r.ID()}
	for _, name := range w.keep {
		if v, ok := from[name]; ok {
			tree[name] = bare(v)
		}
	}
	switch r.Type() {
	case "Observation":
		tree["performer"] = []any{map[string]any{"reference": s.organizationRef().String()}}
		tree["_effectiveDateTime"] = maskedValue()
	case "MedicationAdministration":
		tree["_effectiveDateTime"] = maskedValue()
		tree["medicationCodeableConcept"] = maskedValue()
	case "MedicationStatement":
		tree["medicationCodeableConcept"] = maskedValue()
	case "Composition":
		tree["_date"] = maskedValue()
	case "Media":
		tree["content"] = onlyContentType(from["content"])
	}
	return tree
}

// bare is a required element without words that may tell of the patient: a
// literal reference without display, a concept with its codings alone. A
// concept or a reference that has only words or an identifier is masked.
func bare(v any) any {
	switch v := v.(type) {
	case []any:
		out := make([]any, len(v))
		for i := range v {
			out[i] = bare(v[i])
		}
		return out
	case map[string]any:
		for _, name := range []string{"reference", "coding"} {
			if v[name] != nil {
				return map[string]any{name: v[name]}
			}
		}
		for _, name := range []string{"text", "identifier", "display"} {
			if v[name] != nil && v["code"] == nil { // a Coding's display is the code's
				return maskedValue()
			}
		}
	}
	return v
}

// maskedValue is an element without value that says it is masked.
func maskedValue() map[string]any {
	return map[string]any{"extension": []any{map[string]any{
		"url": terms.ExtDataAbsentReason, "valueCode": "masked",
	}}}
}

func onlyContentType(content any) map[string]any {
	c, _ := content.(map[string]any)
	if t, ok := c["contentType"]; ok {
		return map[string]any{"contentType": t}
	}
	return maskedValue()
}
