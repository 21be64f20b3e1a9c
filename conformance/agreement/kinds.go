package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"strings"

	"nailbridge/internal/spec"
)

// kind is one way to change a resource in one place.
type kind struct {
	name  string
	legal bool // the standard allows the result: an error that either finds is wanted to be explained
	// fits reports whether a site can be changed so; it is asked of the root with
	// an empty key too.
	fits func(site) bool
	// apply changes the tree.
	apply func(*rand.Rand, site)
	// text changes the JSON of the tree, if it is not nil.
	text func(string) string
}

func anywhere(site) bool { return true }

func atRoot(s site) bool { return s.key == "" }

func primitive(names ...string) func(site) bool {
	return func(s site) bool {
		if s.key == "" {
			return false
		}
		if _, ok := s.value().([]any); ok {
			return false
		}
		for _, n := range names {
			if s.typ.Name == n {
				return true
			}
		}
		return false
	}
}

func of(typ string, also func(map[string]any) bool) func(site) bool {
	return func(s site) bool {
		if s.key == "" {
			return false
		}
		m, ok := s.in(typ)
		return ok && (also == nil || also(m))
	}
}

// put sets the value of a site.
func put(v any) func(*rand.Rand, site) {
	return func(_ *rand.Rand, s site) { s.object[s.key] = v }
}

// inside changes the object at a site.
func inside(typ string, f func(map[string]any)) func(*rand.Rand, site) {
	return func(_ *rand.Rand, s site) {
		m, _ := s.in(typ)
		f(m)
	}
}

func isList(s site) bool {
	list, ok := s.value().([]any)
	return s.key != "" && ok && len(list) > 0
}

func isObject(s site) bool {
	_, ok := s.value().(map[string]any)
	return s.key != "" && ok && s.typ.Kind != spec.Resource
}

func required(s site) bool {
	return s.key != "" && s.element.Min > 0 && s.object["_"+s.key] == nil
}

func bound(strength string, types ...string) func(site) bool {
	return func(s site) bool {
		if s.key == "" || s.element.Binding == nil || s.element.Binding.Strength != strength {
			return false
		}
		for _, t := range types {
			if s.typ.Name == t {
				return true
			}
		}
		return false
	}
}

func has(names ...string) func(map[string]any) bool {
	return func(m map[string]any) bool {
		for _, n := range names {
			if m[n] == nil {
				return false
			}
		}
		return true
	}
}

func both(a, b func(site) bool) func(site) bool { return func(s site) bool { return a(s) && b(s) } }

func narrative(f func(div string) string) func(*rand.Rand, site) {
	return func(_ *rand.Rand, s site) { s.object["div"] = f(s.object["div"].(string)) }
}

func hasDiv(s site) bool {
	d, ok := s.object["div"].(string)
	return s.key == "div" && ok && strings.HasSuffix(d, "</div>")
}

func before(end string) func(string) string {
	return func(div string) string { return strings.TrimSuffix(div, "</div>") + end + "</div>" }
}

var structureKinds = []kind{
	{name: "unknown-member", fits: isObject, apply: func(_ *rand.Rand, s site) { s.value().(map[string]any)["toenail"] = "x" }},
	{name: "unknown-member-root", fits: atRoot, apply: func(_ *rand.Rand, s site) { s.root["toenail"] = "x" }},
	{name: "member-in-capitals", fits: func(s site) bool { return s.key != "" && s.key != "id" && s.key != "extension" }, apply: func(_ *rand.Rand, s site) {
		v := s.value()
		delete(s.object, s.key)
		s.object[strings.ToUpper(s.key[:1])+s.key[1:]] = v
	}},
	{name: "required-missing", fits: required, apply: func(_ *rand.Rand, s site) { delete(s.object, s.key) }},
	{name: "required-null", fits: required, apply: put(nil)},
	{name: "single-as-list", fits: func(s site) bool { return s.key != "" && s.element.Max == 1 }, apply: func(_ *rand.Rand, s site) { s.object[s.key] = []any{s.value()} }},
	{name: "list-as-single", fits: isList, apply: func(_ *rand.Rand, s site) { s.object[s.key] = s.value().([]any)[0] }},
	// Of primitives the Java validator does not see it; the battery does (R4 json.html).
	{name: "empty-list", fits: both(isList, func(s site) bool { return s.typ.Kind != spec.Primitive }), apply: put([]any{})},
	{name: "null-in-list", fits: both(isList, func(s site) bool { return s.typ.Kind == spec.Primitive }), apply: func(_ *rand.Rand, s site) { s.object[s.key] = append(s.value().([]any), nil) }},
	{name: "empty-text", fits: primitive("string", "code", "uri", "markdown"), apply: put("")},
	{name: "empty-object", fits: isObject, apply: put(map[string]any{})},
	{name: "two-types-of-choice", fits: func(s site) bool {
		return s.key != "" && s.element.Choice && len(s.element.Types) > 1 && s.key != s.element.Name+"String" && hasType(s.element, "string")
	}, apply: func(_ *rand.Rand, s site) { s.object[s.element.Name+"String"] = "x" }},
	{name: "wrong-type-of-choice", fits: func(s site) bool {
		return s.key != "" && s.element.Choice && !hasType(s.element, "base64Binary")
	}, apply: func(_ *rand.Rand, s site) {
		delete(s.object, s.key)
		s.object[s.element.Name+"Base64Binary"] = "aGk="
	}},
	{name: "object-as-text", fits: isObject, apply: put("x")},
	{name: "text-as-object", fits: primitive("string", "code"), apply: put(map[string]any{"value": "x"})},
	{name: "resource-type-unknown", fits: atRoot, apply: func(_ *rand.Rand, s site) { s.root["resourceType"] = "Toenail" }},
	{name: "duplicate-member", fits: atRoot, apply: func(*rand.Rand, site) {}, text: func(t string) string {
		return strings.TrimSuffix(t, "}") + `,"language":"en","language":"en"}`
	}},
}

func hasType(e *spec.Element, typ string) bool {
	for _, t := range e.Types {
		if t.Name == typ {
			return true
		}
	}
	return false
}

var valueKinds = []kind{
	{name: "text-as-number", fits: primitive("string", "code", "uri"), apply: put(json.Number("5"))},
	{name: "boolean-as-text", fits: primitive("boolean"), apply: put("true")},
	{name: "number-as-text", fits: primitive("integer", "positiveInt", "unsignedInt", "decimal"), apply: put("1")},
	{name: "whole-number-with-fraction", fits: primitive("integer", "positiveInt", "unsignedInt"), apply: put(json.Number("1.5"))},
	{name: "number-below-least", fits: primitive("positiveInt", "unsignedInt"), apply: put(json.Number("-1"))},
	{name: "day-that-is-not", fits: primitive("date", "dateTime"), apply: put("2021-02-30")},
	{name: "month-13", fits: primitive("date", "dateTime"), apply: put("2021-13-01")},
	{name: "date-with-slashes", fits: primitive("date", "dateTime"), apply: put("2021/02/03")},
	{name: "time-without-zone", fits: primitive("dateTime", "instant"), apply: put("2021-02-03T10:00:00")},
	{name: "hour-25", fits: primitive("dateTime", "instant"), apply: put("2021-02-03T25:00:00Z")},
	{name: "instant-as-date", fits: primitive("instant"), apply: put("2021-02-03")},
	{name: "id-underscore", fits: both(primitive("id"), func(s site) bool { return s.key == "id" && s.depth == 0 }), apply: put("a_b")},
	{name: "id-too-long", fits: both(primitive("id"), func(s site) bool { return s.key == "id" && s.depth == 0 }), apply: put(strings.Repeat("a", 65))},
	{name: "uri-with-space", fits: primitive("uri", "url", "canonical"), apply: put("http://example.com/a b")},
	{name: "code-with-spaces-around", fits: primitive("code"), apply: func(_ *rand.Rand, s site) { s.object[s.key] = fmt.Sprint(s.value(), " ") }},
	{name: "code-with-two-spaces", fits: both(primitive("code"), func(s site) bool { return s.element.Binding == nil }), apply: put("a  b")},
	{name: "uuid-in-capitals", fits: primitive("uri"), apply: put("urn:uuid:68D043B5-9ECF-4559-A57A-396E0D452311")},
	{name: "oid-malformed", fits: primitive("uri"), apply: put("urn:oid:1.02.3")},
}

var codeKinds = []kind{
	{name: "required-code-unknown", fits: both(bound("required", "code"), primitive("code")), apply: put("no-such-code")},
	{name: "required-concept-unknown", fits: bound("required", "CodeableConcept"), apply: inside("CodeableConcept", func(m map[string]any) {
		m["coding"] = []any{map[string]any{"system": "http://example.com/codes", "code": "x"}}
	})},
	{name: "required-concept-text-only", fits: bound("required", "CodeableConcept"), apply: inside("CodeableConcept", func(m map[string]any) {
		delete(m, "coding")
		m["text"] = "x"
	})},
	{name: "extensible-concept-other-system", legal: true, fits: bound("extensible", "CodeableConcept"), apply: inside("CodeableConcept", func(m map[string]any) {
		m["coding"] = []any{map[string]any{"system": "http://example.com/codes", "code": "x"}}
	})},
	{name: "code-of-known-system-unknown", fits: both(of("Coding", func(m map[string]any) bool {
		s, _ := m["system"].(string)
		c := spec.R4Codes().System(s)
		return c != nil && c.Content == "complete" && m["code"] != nil
	}), anywhere), apply: inside("Coding", func(m map[string]any) { m["code"] = "no-such-code" })},
	{name: "code-system-relative", fits: of("Coding", has("system", "code")), apply: inside("Coding", func(m map[string]any) { m["system"] = "codes/x" })},
	{name: "unit-without-system", fits: of("Quantity", has("system", "code")), apply: inside("Quantity", func(m map[string]any) { delete(m, "system") })},
	{name: "unit-not-ucum", fits: of("Quantity", func(m map[string]any) bool { return m["system"] == "http://unitsofmeasure.org" }), apply: inside("Quantity", func(m map[string]any) { m["code"] = "furlongs/xyzzy" })},
	{name: "language-unknown", fits: atRoot, apply: func(_ *rand.Rand, s site) { s.root["language"] = "zz-not a language" }},
	{name: "identifier-no-uri", fits: of("Identifier", has("value")), apply: inside("Identifier", func(m map[string]any) {
		m["system"], m["value"] = "urn:ietf:rfc:3986", "12 34"
	})},
}

var ruleKinds = []kind{
	{name: "reference-wrong-type", fits: of("Reference", has("reference")), apply: inside("Reference", func(m map[string]any) {
		m["reference"] = "TestScript/1"
		delete(m, "type")
	})},
	{name: "reference-missing-contained", fits: of("Reference", has("reference")), apply: inside("Reference", func(m map[string]any) { m["reference"] = "#none" })},
	{name: "period-reversed", fits: of("Period", nil), apply: inside("Period", func(m map[string]any) { m["start"], m["end"] = "2021-02-03", "2020-02-03" })},
	{name: "contact-point-without-system", fits: of("ContactPoint", has("value", "system")), apply: inside("ContactPoint", func(m map[string]any) { delete(m, "system") })},
	{name: "attachment-without-type", fits: both(atRoot, func(s site) bool { return name(s.root) == "Patient" || name(s.root) == "Practitioner" }), apply: func(_ *rand.Rand, s site) {
		s.root["photo"] = []any{map[string]any{"data": "aGk="}}
	}},
	{name: "narrative-script", fits: hasDiv, apply: narrative(before("<script>x</script>"))},
	{name: "narrative-onclick", fits: hasDiv, apply: narrative(before(`<p onclick="x()">a</p>`))},
	{name: "narrative-form", fits: hasDiv, apply: narrative(before(`<form><p>a</p></form>`))},
	{name: "narrative-empty", fits: hasDiv, apply: narrative(func(string) string { return `<div xmlns="http://www.w3.org/1999/xhtml"> </div>` })},
	{name: "narrative-no-namespace", fits: hasDiv, apply: narrative(func(d string) string {
		return "<div>" + d[strings.IndexByte(d, '>')+1:]
	})},
	{name: "narrative-not-closed", fits: hasDiv, apply: narrative(before("<p>a"))},
	{name: "contained-unused", fits: both(atRoot, isDomain), apply: contain(map[string]any{"resourceType": "Organization", "id": "zz1", "name": "x"})},
	{name: "contained-in-contained", fits: both(atRoot, isDomain), apply: contain(map[string]any{"resourceType": "Organization", "id": "zz1", "name": "x",
		"contained": []any{map[string]any{"resourceType": "Organization", "id": "zz2", "name": "x"}}})},
	{name: "extension-without-url", fits: atDomain, apply: extend(map[string]any{"valueString": "x"})},
	{name: "extension-of-nobody", fits: atDomain, apply: extend(map[string]any{"url": "http://clinic.example/extension", "valueString": "x"})},
	{name: "extension-without-value", fits: atDomain, apply: extend(map[string]any{"url": bodySite})},
	{name: "extension-value-and-inner", fits: atDomain, apply: extend(map[string]any{"url": bodySite,
		"valueReference": map[string]any{"reference": "BodyStructure/1"}, "extension": []any{map[string]any{"url": bodySite, "valueReference": map[string]any{"reference": "BodyStructure/1"}}}})},
	{name: "extension-value-of-other-type", fits: atDomain, apply: extend(map[string]any{"url": bodySite, "valueString": "x"})},
	{name: "extension-target-of-other-type", fits: atDomain, apply: extend(map[string]any{"url": bodySite, "valueReference": map[string]any{"reference": "Patient/1"}})},
	{name: "extension-out-of-place", fits: both(atDomain, func(s site) bool { return name(s.root) != "Patient" }), apply: extend(map[string]any{
		"url": "http://hl7.org/fhir/StructureDefinition/patient-birthPlace", "valueAddress": map[string]any{"city": "x"}})},
	{name: "canonical-relative", fits: primitive("canonical"), apply: put("PlanDefinition/1")},
	{name: "data-absent-beside-value", fits: func(s site) bool {
		return s.parent != nil && s.parent.Name == "Observation" && s.element.Name == "value"
	}, apply: func(_ *rand.Rand, s site) {
		s.object["dataAbsentReason"] = map[string]any{"text": "x"}
	}},
	{name: "bundle-entry-without-fullurl", fits: bundled, apply: bundle(func(e map[string]any) { delete(e, "fullUrl") })},
	{name: "bundle-fullurl-of-other-id", fits: bundled, apply: bundle(func(e map[string]any) { e["fullUrl"] = e["fullUrl"].(string) + "x" })},
	{name: "bundle-fullurl-relative", fits: bundled, apply: bundle(func(e map[string]any) { e["fullUrl"] = "Patient/1" })},
	{name: "bundle-entry-twice", fits: bundled, apply: func(_ *rand.Rand, s site) {
		bundle(func(map[string]any) {})(nil, s)
		s.root["entry"] = append(s.root["entry"].([]any), s.root["entry"].([]any)[0])
	}},
	{name: "bundle-entry-with-search", fits: bundled, apply: bundle(func(e map[string]any) { e["search"] = map[string]any{"mode": "match"} })},
	{name: "bundle-total", fits: bundled, apply: func(_ *rand.Rand, s site) {
		bundle(func(map[string]any) {})(nil, s)
		s.root["total"] = json.Number("1")
	}},
}

// bundled reports a resource that can be put into a bundle.
func bundled(s site) bool { return atDomain(s) && s.root["id"] != nil }

// bundle puts the resource into a collection, and changes the entry.
func bundle(f func(map[string]any)) func(*rand.Rand, site) {
	return func(_ *rand.Rand, s site) {
		inner := clone(s.root)
		clear(s.root)
		e := map[string]any{"fullUrl": fmt.Sprintf("http://clinic.example/fhir/%s/%s", name(inner), inner["id"]), "resource": inner}
		f(e)
		s.root["resourceType"], s.root["type"], s.root["entry"] = "Bundle", "collection", []any{e}
	}
}

const bodySite = "http://hl7.org/fhir/StructureDefinition/bodySite"

func isDomain(s site) bool {
	return s.root["resourceType"] != "Bundle" && s.root["resourceType"] != "Parameters" && s.root["resourceType"] != "Binary"
}

func atDomain(s site) bool { return atRoot(s) && isDomain(s) }

func contain(c map[string]any) func(*rand.Rand, site) {
	return func(_ *rand.Rand, s site) {
		list, _ := s.root["contained"].([]any)
		s.root["contained"] = append(list, clone(c))
	}
}

func extend(x map[string]any) func(*rand.Rand, site) {
	return func(_ *rand.Rand, s site) {
		list, _ := s.root["extension"].([]any)
		s.root["extension"] = append(list, clone(x))
	}
}

// inOrder are elements whose lists have an order that rules ask for: the first
// entry of a document (bundle.html), the first element of a definition (sdf-8a).
var inOrder = map[string]bool{"entry": true, "element": true}

// unasked reports an element that no invariant around it names, and no profile
// may ask for: it may go, or say less.
func unasked(s site) bool {
	if meta, _ := s.root["meta"].(map[string]any); meta["profile"] != nil {
		return false
	}
	table := spec.R4()
	for _, t := range []*spec.Type{s.parent, table.Type(table.Named(name(s.root)))} {
		for ; t != nil; t = table.Type(t.Base) {
			for _, i := range t.Invariants {
				if strings.Contains(i.Expression, s.element.Name) {
					return false
				}
			}
		}
	}
	return true
}

// quantity reports a type whose values rules further out compare: of a Range
// (rng-2), of a ratio (rat-1).
func quantity(t *spec.Type) bool {
	return spec.R4().Is(t.ID, spec.R4().Named("Quantity"))
}

func plainDecimal(s site) bool {
	n, ok := s.value().(json.Number)
	return ok && !strings.ContainsAny(string(n), "eE")
}

var legalKinds = []kind{
	{name: "legal-spaces-in-json", legal: true, fits: atRoot, apply: func(*rand.Rand, site) {}, text: func(t string) string {
		var b bytes.Buffer
		if json.Indent(&b, []byte(t), "\t", " ") != nil {
			return t
		}
		return b.String()
	}},
	{name: "legal-id", legal: true, fits: atRoot, apply: func(_ *rand.Rand, s site) { s.root["id"] = "A-1.b" }},
	{name: "legal-language", legal: true, fits: atRoot, apply: func(_ *rand.Rand, s site) { s.root["language"] = "en-GB" }},
	{name: "legal-bundle", legal: true, fits: bundled, apply: bundle(func(map[string]any) {})},
	{name: "legal-tag", legal: true, fits: atRoot, apply: func(_ *rand.Rand, s site) {
		m, _ := s.root["meta"].(map[string]any)
		if m == nil {
			m = map[string]any{}
			s.root["meta"] = m
		}
		m["tag"] = []any{map[string]any{"system": "http://clinic.example/tags", "code": "x"}}
	}},
	{name: "legal-element-id", legal: true, fits: isObject, apply: func(_ *rand.Rand, s site) { s.value().(map[string]any)["id"] = "a-1" }},
	{name: "legal-extension", legal: true, fits: atDomain, apply: extend(map[string]any{"url": bodySite, "valueReference": map[string]any{"reference": "BodyStructure/1"}})},
	{name: "legal-extension-on-primitive", legal: true, fits: both(primitive("string", "date", "dateTime", "boolean"), func(s site) bool { return s.object["_"+s.key] == nil && s.parent.Name != "Extension" && s.key != "id" }), apply: func(_ *rand.Rand, s site) {
		s.object["_"+s.key] = map[string]any{"extension": []any{map[string]any{"url": bodySite, "valueReference": map[string]any{"reference": "BodyStructure/1"}}}}
	}},
	{name: "legal-data-absent", legal: true, fits: both(primitive("date", "dateTime", "string", "decimal"), func(s site) bool {
		return s.object["_"+s.key] == nil && s.key != "id" && s.parent.Name != "Extension" && !quantity(s.parent) && unasked(s)
	}), apply: func(_ *rand.Rand, s site) {
		delete(s.object, s.key)
		s.object["_"+s.key] = map[string]any{"extension": []any{map[string]any{"url": "http://hl7.org/fhir/StructureDefinition/data-absent-reason", "valueCode": "unknown"}}}
	}},
	{name: "legal-narrative-table", legal: true, fits: hasDiv, apply: narrative(before(`<table><tbody><tr><td colspan="2">a</td></tr></tbody></table><p style="color: red">b &amp; c<br/></p>`))},
	{name: "legal-narrative-missing", legal: true, fits: atDomain, apply: func(_ *rand.Rand, s site) { delete(s.root, "text") }},
	{name: "legal-date-less-precise", legal: true, fits: both(primitive("date", "dateTime"), unasked), apply: func(_ *rand.Rand, s site) {
		if t, ok := s.text(); ok && len(t) >= 4 {
			s.object[s.key] = t[:4]
		}
	}},
	{name: "legal-decimal-zeros", legal: true, fits: both(primitive("decimal"), plainDecimal), apply: func(_ *rand.Rand, s site) {
		n := string(s.value().(json.Number))
		if !strings.Contains(n, ".") {
			n += "."
		}
		s.object[s.key] = json.Number(n + "00") // the same number (R4 datatypes.html#decimal)
	}},
	{name: "legal-concept-text", legal: true, fits: of("CodeableConcept", nil), apply: inside("CodeableConcept", func(m map[string]any) { m["text"] = "Zehennagel, größer" })},
	{name: "legal-coding-of-other-system", legal: true, fits: both(bound("example", "CodeableConcept"), of("CodeableConcept", has("coding"))), apply: inside("CodeableConcept", func(m map[string]any) {
		m["coding"] = append(m["coding"].([]any), map[string]any{"system": "http://clinic.example/codes", "code": "x", "display": "X"})
	})},
	{name: "legal-display", legal: true, fits: of("Reference", has("reference")), apply: inside("Reference", func(m map[string]any) { m["display"] = "x" })},
	{name: "legal-optional-missing", legal: true, fits: func(s site) bool {
		return s.key != "" && s.element.Min == 0 && s.depth == 0 && s.key != "contained" && s.key != "id" && s.root["contained"] == nil && unasked(s)
	}, apply: func(_ *rand.Rand, s site) {
		delete(s.object, s.key)
		delete(s.object, "_"+s.key)
	}},
	{name: "legal-list-turned", legal: true, fits: both(isList, func(s site) bool { return len(s.value().([]any)) > 1 && !inOrder[s.element.Name] }), apply: func(_ *rand.Rand, s site) {
		list := s.value().([]any)
		for i, j := 0, len(list)-1; i < j; i, j = i+1, j-1 {
			list[i], list[j] = list[j], list[i]
		}
	}},
}

// kinds are all of them.
func kinds() []kind {
	var out []kind
	for _, k := range [][]kind{structureKinds, valueKinds, codeKinds, ruleKinds, legalKinds} {
		out = append(out, k...)
	}
	return out
}
