package tree

import (
	"nailbridge/internal/fhirpath/value"
)

// Reference is the text of a Reference, uri or String.
func (t *Tree) Reference(it *value.Item) (string, bool) {
	if obj, ok := it.Val.(map[string]any); ok && it.Kind == value.Element {
		s, ok := obj["reference"].(string)
		return s, ok
	}
	v, ok := t.Native(*it)
	return v.Text(), ok && v.Kind == value.Strings
}

// Codings lists system and code of a coded item: of a Coding, of each coding of
// a CodeableConcept, or of a code or String, which has no system.
func (t *Tree) Codings(it value.Item) ([][2]string, bool) {
	obj, isObject := it.Val.(map[string]any)
	if it.Kind != value.Element || !isObject {
		v, ok := t.Native(it)
		return [][2]string{{"", v.Text()}}, ok && v.Kind == value.Strings
	}
	pair := func(o map[string]any) [2]string {
		system, _ := o["system"].(string)
		code, _ := o["code"].(string)
		return [2]string{system, code}
	}
	if t.Model.Is(it.Type, t.Coding) {
		return [][2]string{pair(obj)}, true
	}
	if !t.Model.Is(it.Type, t.Concept) {
		return nil, false
	}
	var out [][2]string
	list, _ := obj["coding"].([]any)
	for _, c := range list {
		if o, ok := c.(map[string]any); ok {
			out = append(out, pair(o))
		}
	}
	return out, true
}
