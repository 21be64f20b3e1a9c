package back

import (
	"slices"

	"nailbridge/mapping/record"
	"nailbridge/mapping/terms"
)

// practitioner reads a member of staff, known by registration or by the
// clinic's own key (D5.2).
func (r *reader) practitioner(x *res) {
	p := &record.Person{Name: name(x.first("name"))}
	for _, id := range x.list("identifier") {
		value := id.peek("value")
		switch {
		case value == "":
			continue
		case hasCode(id.get("type"), "PRN") || id.get("assigner") == nil && p.Registration == nil:
			p.Registration = &record.Identifier{System: id.peek("system"), Value: value}
		case p.StaffKey == "":
			p.StaffKey = value
		default:
			continue
		}
		id.take()
	}
	r.people[x.ref] = p
}

// role reads what a member of staff is at the clinic.
func (r *reader) role(x *res) {
	who := r.follow(x.get("practitioner"))
	if who == nil || r.people[who.ref] == nil {
		return
	}
	for _, c := range x.list("code") {
		if role := r.code("staff-role", c); role != "" {
			r.people[who.ref].Role = role
			return
		}
	}
}

// person reads a reference to a member of staff: nil where it names none, as
// one to the clinic.
func (r *reader) person(ref *node) *record.Person {
	if ref == nil {
		return nil
	}
	if x := ref.ext(terms.ExtUnnumberedPerson); x != nil {
		p := &record.Person{Name: name(x.ext("name").get("valueHumanName")), Role: record.Code(x.ext("role").str("valueCode"))}
		ref.take()
		return p
	}
	who := r.follow(ref)
	if who == nil {
		if display := ref.str("display"); display != "" && ref.peek("reference") == "" {
			return &record.Person{Name: &record.Name{Family: display}}
		}
		return nil
	}
	if who.typ == "PractitionerRole" {
		return r.person(who.get("practitioner"))
	}
	p := r.people[who.ref]
	if p == nil {
		return nil
	}
	out := *p
	return &out
}

// name reads a HumanName in parts; one given as text alone is the family name.
func name(n *node) *record.Name {
	if n == nil {
		return nil
	}
	out := &record.Name{Family: n.str("family"), Prefix: n.first("prefix").str()}
	for _, g := range n.list("given") {
		out.Given = append(out.Given, g.str())
	}
	if out.Family == "" && out.Given == nil && out.Prefix == "" {
		out.Family = n.str("text")
	}
	if out.Family == "" && out.Given == nil && out.Prefix == "" {
		return nil
	}
	if n.get("text") != nil {
		n.take("text")
	}
	return out
}

func hasCode(concept *node, code string) bool {
	for _, c := range concept.list("coding") {
		if c.peek("code") == code {
			return true
		}
	}
	return false
}

// patient reads the demographics that count for all records of the patient.
func (r *reader) patient(x *res) {
	p := &record.Patient{
		Name: name(x.first("name")), BirthDate: r.when(x.node, "birthDate"), DeathDate: r.when(x.node, "deceasedDateTime"),
	}
	for _, id := range x.list("identifier") {
		if p.Identifier == nil && id.peek("value") != "" {
			p.Identifier = &record.Identifier{System: id.peek("system"), Value: id.peek("value")}
			id.take()
		}
	}
	if g := record.Code(x.peek("gender")); record.GenderSet.Has(g) {
		p.Gender = record.Code(x.str("gender"))
	}
	for _, t := range x.list("telecom") {
		if p.Phone == "" && t.peek("system") == "phone" {
			p.Phone = t.str("value")
			t.take()
		}
	}
	if a := x.first("address"); a != nil {
		p.AddressLine, p.City, p.PostalCode = a.first("line").str(), a.str("city"), a.str("postalCode")
	}
	r.patients[x.ref] = p
}

// header is what the Provenance says of a record.
type header struct {
	revision      *int64
	savedAt       *record.When
	status        record.Code
	historical    bool
	followed      bool
	converted     *record.Converted
	schemaVersion string
	author        *record.Person
	kind          record.Code
	recorded      string
}

// convertedFrom is the old row that a record was made of.
func convertedFrom(c *node) *record.Converted {
	out := record.Converted{
		File: c.ext("file").str("valueString"), Row: whole(c.ext("row"), "valueDecimal"), Layout: c.ext("layout").str("valueString"),
	}
	for _, e := range c.exts("decided-by") {
		out.DecidedBy = append(out.DecidedBy, e.str("valueString"))
	}
	if out.File == "" && out.Row == nil && out.Layout == "" && out.DecidedBy == nil {
		return nil
	}
	return &out
}

// provenance reads the headers of the records that a commit folded; the latest
// commit counts.
func (r *reader) provenance(x *res) {
	recorded := x.peek("recorded")
	for _, e := range x.list("entity") {
		c := e.ext(terms.ExtClinicRecord)
		id := c.ext("record").str("valueString")
		if id == "" {
			continue
		}
		h := header{
			recorded: recorded, revision: whole(c.ext("revision"), "valueDecimal"), savedAt: r.when(c.ext("saved-at"), "valueDateTime"),
			status: record.Code(c.ext("status").str("valueCode")), historical: c.ext("historical").str("valueBoolean") == "true",
			schemaVersion: c.ext("schema-version").str("valueString"), kind: record.Code(c.ext("kind").str("valueCode")),
			followed: c.ext("followed").str("valueBoolean") == "true", converted: convertedFrom(c),
			author: r.person(e.first("agent").get("who")),
		}
		c.take()
		e.first("agent").take()
		if h.kind == "merge" {
			r.mergeOf(id, x)
		}
		for _, owner := range r.ownersOf(x) {
			if have, ok := r.headers[[2]string{owner, id}]; !ok || have.recorded <= recorded {
				r.headers[[2]string{owner, id}] = h
			}
		}
	}
}

// ownersOf are whose the targets of a Provenance are: two patients may have records of
// one id, at two clinics. Of targets that are not here nobody is known.
func (r *reader) ownersOf(provenance *res) []string {
	var out []string
	for _, t := range provenance.list("target") {
		x := r.target(t)
		if x == nil {
			continue
		}
		if owner := r.ownerOf(x); owner != "" && !slices.Contains(out, owner) {
			out = append(out, owner)
		}
	}
	if out == nil {
		return []string{""}
	}
	return out
}
