package mapping

import (
	"cmp"
	"maps"
	"slices"
	"strings"

	cpb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/codes_go_proto"
	dpb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/datatypes_go_proto"
	ppb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/resources/practitioner_go_proto"
	rpb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/resources/practitioner_role_go_proto"

	"nailbridge/mapping/internal/r4"
	"nailbridge/mapping/record"
	"nailbridge/mapping/resource"
)

// staff builds Practitioner and PractitionerRole of every person referred to
// so far, so it comes last. statements are those of published sources, in any
// order; each detail is that of the latest statement giving it, by (saved-at,
// record, revision).
func (b *builder) staff(statements []StaffStatement) {
	known := map[resource.Ref]record.Person{}
	for ref, p := range b.people {
		known[ref] = *p
	}
	for _, st := range b.statementsOf(statements) {
		known[st.ref] = overlay(known[st.ref], st.Person)
	}
	for _, ref := range slices.SortedFunc(maps.Keys(known), compareRefs) {
		p := known[ref]
		b.practitioner(ref, &p)
		b.practitionerRole(&p)
	}
}

// statement is a statement of a person whom this fold names.
type statement struct {
	StaffStatement
	ref resource.Ref
}

// statementsOf are the statements of the people whom this fold names, the latest
// last. A clinic has many, so each is compared no further than it must be.
func (b *builder) statementsOf(all []StaffStatement) []statement {
	var out []statement
	refs := map[string]resource.Ref{} // an id is a hash, and few people make many statements
	for _, st := range all {
		parts, ok := personParts(&st.Person)
		if !ok {
			continue
		}
		key := strings.Join(parts, "\x00")
		ref, known := refs[key]
		if !known {
			ref, _ = b.s.staffRef("Practitioner", &st.Person)
			refs[key] = ref
		}
		if b.people[ref] != nil {
			out = append(out, statement{st, ref})
		}
	}
	slices.SortFunc(out, func(a, b statement) int {
		if c := cmp.Or(a.SavedAt.Compare(b.SavedAt), strings.Compare(a.Record, b.Record), cmp.Compare(a.Revision, b.Revision)); c != 0 {
			return c
		}
		return cmp.Or(strings.Compare(r4.NameText(a.Person.Name), r4.NameText(b.Person.Name)),
			strings.Compare(string(a.Person.Role), string(b.Person.Role)), strings.Compare(a.Person.StaffKey, b.Person.StaffKey))
	})
	return out
}

// overlay is what is known of a person after a later statement.
func overlay(p, later record.Person) record.Person {
	if r4.NameText(later.Name) != "" {
		p.Name = later.Name
	}
	if later.Role != "" {
		p.Role = later.Role
	}
	if later.StaffKey != "" {
		p.StaffKey = later.StaffKey
	}
	return p
}

func (b *builder) practitioner(ref resource.Ref, p *record.Person) {
	out := &ppb.Practitioner{
		Id:   r4.ID(ref.ID),
		Text: r4.NewText("Member of staff").Row("Name", r4.NameText(p.Name)).Row("Role", record.RoleSet.Display(p.Role)).Narrative(),
	}
	if r := p.Registration; r != nil && r.Value != "" {
		out.Identifier = append(out.Identifier, r4.Identifier(cpb.IdentifierUseCode_OFFICIAL, b.element("identifier-type-prn"), r.System, r.Value, resource.Ref{}))
	}
	if p.StaffKey != "" {
		out.Identifier = append(out.Identifier, r4.Identifier(0, nil, b.s.numbering("staff"), p.StaffKey, b.orgRef()))
	}
	if n := r4.HumanName(p.Name, cpb.NameUseCode_INVALID_UNINITIALIZED); n != nil {
		out.Name = []*dpb.HumanName{n}
	}
	b.perPatient().add(out)
}

// practitionerRole builds the role of a person at the clinic, where one was
// recorded.
func (b *builder) practitionerRole(p *record.Person) {
	code := b.translate("staff-role", p.Role)
	ref, ok := b.s.staffRef("PractitionerRole", p)
	person, _ := b.s.staffRef("Practitioner", p)
	if code == nil || !ok {
		return
	}
	b.perPatient().add(&rpb.PractitionerRole{
		Id:           r4.ID(ref.ID),
		Active:       r4.Boolean(true),
		Practitioner: r4.Ref(person),
		Organization: r4.Ref(b.orgRef()),
		Code:         []*dpb.CodeableConcept{code},
		Text: r4.NewText("Role at the clinic").Row("Name", r4.NameText(p.Name)).
			Row("Role", record.RoleSet.Display(p.Role)).Row("Status", "active").Narrative(),
	})
}

func compareRefs(a, b resource.Ref) int { return strings.Compare(a.String(), b.String()) }
