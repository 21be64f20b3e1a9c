package hub

import (
	"encoding/json"
	"slices"
	"strings"

	"nailbridge/internal/searchparam"
	"nailbridge/internal/spec"
	"nailbridge/mapping/resource"
)

// subset is which part of each resource an answer holds; the zero subset is all
// of it (search.html#summary, #elements).
type subset struct {
	summary  string   // true, text or data; "" for none
	elements []string // at the root; nil for all
}

// Where a part of a resource is marked as such.
const (
	subsettedSystem = "http://terminology.hl7.org/CodeSystem/v3-ObservationValue"
	subsettedCode   = "SUBSETTED"
)

// subsetOf reads _summary and _elements; an element that the type does not have
// is a problem.
func subsetOf(typ string, control []searchparam.Pair) (s subset, problems []searchparam.Problem) {
	for _, p := range control {
		switch {
		case p.Value == "":
		case p.Name == "_summary":
			switch p.Value {
			case "true", "text", "data":
				s.summary = p.Value
			case "false", "count":
			default:
				problems = append(problems, refused(p.Name, "must be true, text, data, count or false"))
			}
		case p.Name == "_elements":
			for name := range strings.SplitSeq(p.Value, ",") {
				if spec.R4().Child(spec.R4().Named(typ), name) == nil {
					problems = append(problems, unsupported(p.Name, "names what is no element at the root of what is searched"))
					continue
				}
				s.elements = append(s.elements, name)
			}
		}
	}
	if s.summary != "" && s.elements != nil {
		problems = append(problems, refused("_summary", "and _elements are two ways to ask for a part: send one"))
	}
	return s, problems
}

// of gives the part of a resource's JSON, marked as one.
func (s subset) of(typ string, body []byte) ([]byte, error) {
	if s.summary == "" && s.elements == nil {
		return body, nil
	}
	r, err := resource.FromJSON(body)
	if err != nil {
		return nil, err
	}
	id := spec.R4().Named(typ)
	out := map[string]any{}
	for key, v := range r.Tree() {
		if key == "resourceType" || key == "id" || key == "meta" {
			out[key] = v
			continue
		}
		m := spec.R4().Member(id, strings.TrimPrefix(key, "_"))
		if m.Element != nil && s.keeps(m.Element) {
			if strings.HasPrefix(key, "_") {
				out[key] = v
			} else if part := s.within(m.Type, v); !empty(part) {
				out[key] = part
			}
		}
	}
	out["meta"] = marked(out["meta"])
	b, err := json.Marshal(out)
	if err != nil {
		return nil, err
	}
	return resource.Ordered(b)
}

// keeps reports whether an element at the root is part of the subset.
func (s subset) keeps(e *spec.Element) bool {
	switch s.summary {
	case "true":
		return e.Summary || e.Min > 0
	case "text":
		return e.Name == "text" || e.Min > 0
	case "data":
		return e.Name != "text"
	}
	return e.Min > 0 || e.Modifier || slices.Contains(s.elements, e.Name)
}

// within is the part of a value: _summary=true goes on below the root.
func (s subset) within(typ spec.TypeID, v any) any {
	if s.summary != "true" {
		return v
	}
	switch v := v.(type) {
	case []any:
		out := make([]any, len(v))
		for i := range v {
			out[i] = s.within(typ, v[i])
		}
		return out
	case map[string]any:
		out := map[string]any{}
		for key, value := range v {
			m := spec.R4().Member(typ, strings.TrimPrefix(key, "_"))
			switch {
			case m.Element == nil || m.Element.Name == "id" || m.Element.Name == "extension":
				out[key] = value // whole, as why there is no value; of a primitive, its own id and extensions
			case m.Element.Summary || m.Element.Min > 0:
				if part := s.within(m.Type, value); !empty(part) {
					out[key] = part
				}
			}
		}
		return out
	}
	return v
}

// empty reports whether nothing is left of an object or list, which R4's JSON does
// not have (json.html).
func empty(v any) bool {
	switch v := v.(type) {
	case map[string]any:
		return len(v) == 0
	case []any:
		return !slices.ContainsFunc(v, func(v any) bool { return !empty(v) })
	}
	return false
}

// marked is a meta with the tag of a part; the one given stays as it is.
func marked(meta any) map[string]any {
	out := map[string]any{}
	old, _ := meta.(map[string]any)
	for k, v := range old {
		out[k] = v
	}
	tags, _ := out["tag"].([]any)
	out["tag"] = append(slices.Clone(tags), map[string]any{"system": subsettedSystem, "code": subsettedCode, "display": "subsetted"})
	return out
}
