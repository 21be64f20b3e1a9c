package r4

import (
	"strings"

	cpb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/codes_go_proto"
	dpb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/datatypes_go_proto"
	"google.golang.org/protobuf/proto"

	"nailbridge/mapping/record"
	"nailbridge/mapping/resource"
	"nailbridge/mapping/terms"
)

// Ref is a literal reference "Type/id". Its target type is checked when the
// resource is marshalled (D5.10).
func Ref(r resource.Ref) *dpb.Reference {
	return &dpb.Reference{Reference: &dpb.Reference_Uri{Uri: &dpb.String{Value: r.String()}}}
}

// Refs is one literal reference per target, nil for none.
func Refs(rs ...resource.Ref) []*dpb.Reference {
	var out []*dpb.Reference
	for _, r := range rs {
		out = append(out, Ref(r))
	}
	return out
}

// RefWithExtension is a literal reference that carries extensions, such as the
// one naming an activity of a plan (D4.1).
func RefWithExtension(r resource.Ref, ext ...*dpb.Extension) *dpb.Reference {
	ref := Ref(r)
	ref.Extension = ext
	return ref
}

// Identifier is a business identifier. use may be zero and kind, of R4's own
// identifier types (D5.9), nil; assigner may be the zero Ref.
func Identifier(use cpb.IdentifierUseCode_Value, kind *dpb.CodeableConcept, system, value string, assigner resource.Ref) *dpb.Identifier {
	id := &dpb.Identifier{Type: kind, System: URI(system), Value: String(value)}
	if use != cpb.IdentifierUseCode_INVALID_UNINITIALIZED {
		id.Use = &dpb.Identifier_UseCode{Value: use}
	}
	if assigner != (resource.Ref{}) {
		id.Assigner = Ref(assigner)
	}
	return id
}

// Coding is a coding without version (D8.1).
func Coding(system, code, display string) *dpb.Coding {
	return &dpb.Coding{System: URI(system), Code: Code(code), Display: String(display)}
}

// CodeableConcept is text with codings; nil when it would be empty.
func CodeableConcept(text string, codings ...*dpb.Coding) *dpb.CodeableConcept {
	t := String(text)
	if t == nil && len(codings) == 0 {
		return nil
	}
	return &dpb.CodeableConcept{Text: t, Coding: codings}
}

// Concept is a concept of the code maps; nil when it is absent.
func Concept(c terms.Concept) *dpb.CodeableConcept {
	return CodeableConcept(c.Text, codings(c)...)
}

// Concepts is one CodeableConcept per concept that is not absent.
func Concepts(cs ...terms.Concept) []*dpb.CodeableConcept {
	var out []*dpb.CodeableConcept
	for _, c := range cs {
		if v := Concept(c); v != nil {
			out = append(out, v)
		}
	}
	return out
}

// ConceptCoding is the first coding of a concept, for elements of type Coding;
// nil when it has none.
func ConceptCoding(c terms.Concept) *dpb.Coding {
	if cs := codings(c); len(cs) > 0 {
		return cs[0]
	}
	return nil
}

func codings(c terms.Concept) []*dpb.Coding {
	var out []*dpb.Coding
	for _, x := range c.Codings {
		out = append(out, Coding(x.System, x.Code, x.Display))
	}
	return out
}

// AbsentConcept is a CodeableConcept that only says why it holds nothing.
func AbsentConcept(reason string) *dpb.CodeableConcept {
	return &dpb.CodeableConcept{Extension: []*dpb.Extension{AbsentReason(reason)}}
}

// Quantity is a quantity with a UCUM code. value is a JSON number as text;
// unit is what people read, ucum the code without annotations (D5.8). Nil when
// value is empty.
func Quantity(value, unit, ucum string) *dpb.Quantity {
	if value == "" {
		return nil
	}
	return &dpb.Quantity{Value: DecimalText(value), Unit: String(unit), System: URI(terms.UCUM), Code: Code(ucum)}
}

// SimpleQuantity is Quantity in R4's profile type without comparator, as
// dosage doses and ratios of ingredients want it.
func SimpleQuantity(value, unit, ucum string) *dpb.SimpleQuantity {
	if value == "" {
		return nil
	}
	return &dpb.SimpleQuantity{Value: DecimalText(value), Unit: String(unit), System: URI(terms.UCUM), Code: Code(ucum)}
}

// Duration is Quantity in R4's type of a length of time.
func Duration(value, ucum string) *dpb.Duration {
	if value == "" {
		return nil
	}
	return &dpb.Duration{Value: DecimalText(value), Unit: String(ucum), System: URI(terms.UCUM), Code: Code(ucum)}
}

// HumanName is a name in parts with the whole as text; nil when n is empty.
func HumanName(n *record.Name, use cpb.NameUseCode_Value) *dpb.HumanName {
	text := NameText(n)
	if text == "" {
		return nil
	}
	h := &dpb.HumanName{Text: String(text), Family: String(n.Family), Given: Strings(n.Given...), Prefix: Strings(n.Prefix)}
	if use != cpb.NameUseCode_INVALID_UNINITIALIZED {
		h.Use = &dpb.HumanName_UseCode{Value: use}
	}
	return h
}

// NameText is a name as people write it: prefix, given, family.
func NameText(n *record.Name) string {
	if n == nil {
		return ""
	}
	var parts []string
	for _, p := range append(append([]string{n.Prefix}, n.Given...), n.Family) {
		if p = Clean(p); p != "" {
			parts = append(parts, p)
		}
	}
	return strings.Join(parts, " ")
}

// Address is a postal address; nil when every part is blank.
func Address(line, city, postalCode string) *dpb.Address {
	a := &dpb.Address{Line: Strings(line), City: String(city), PostalCode: String(postalCode)}
	if a.Line == nil && a.City == nil && a.PostalCode == nil {
		return nil
	}
	return a
}

// Phone is a telephone contact; nil when number is blank.
func Phone(number string) *dpb.ContactPoint {
	v := String(number)
	if v == nil {
		return nil
	}
	return &dpb.ContactPoint{System: &dpb.ContactPoint_SystemCode{Value: cpb.ContactPointSystemCode_PHONE}, Value: v}
}

// Annotation is a note; author may be the zero Ref and at nil. Nil when text
// is blank.
func Annotation(text string, author resource.Ref, at *dpb.DateTime) *dpb.Annotation {
	t := Markdown(text)
	if t == nil {
		return nil
	}
	a := &dpb.Annotation{Text: t, Time: at}
	if author != (resource.Ref{}) {
		a.Author = &dpb.Annotation_AuthorX{Choice: &dpb.Annotation_AuthorX_Reference{Reference: Ref(author)}}
	}
	return a
}

// Claim adds a profile to those that a resource claims in meta.profile.
func Claim(msg proto.Message, profile string) {
	m := msg.ProtoReflect()
	meta := m.Mutable(m.Descriptor().Fields().ByName("meta")).Message().Interface().(*dpb.Meta)
	meta.Profile = append(meta.Profile, Canonical(profile))
}

// Meta is a meta element with profiles and tags; nil when both are empty.
func Meta(profiles []string, tags ...*dpb.Coding) *dpb.Meta {
	if len(profiles) == 0 && len(tags) == 0 {
		return nil
	}
	m := &dpb.Meta{Tag: tags}
	for _, p := range profiles {
		m.Profile = append(m.Profile, Canonical(p))
	}
	return m
}
