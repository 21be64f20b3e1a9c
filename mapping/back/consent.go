package back

import (
	"strings"

	"nailbridge/mapping/record"
)

// consent reads the consent to the procedures, the word on the letter, or the
// patient's statement on sharing (D3.1, D3.3).
func (r *reader) consent(x *res) {
	p := r.follow(x.get("patient"))
	if p == nil {
		return
	}
	parts := item(r.number(x.node, "consent"))
	status := x.peek("status")
	word := map[string]record.Code{"active": "agreed", "rejected": "declined"}[status]
	switch {
	case parts != nil && parts[0] == "letter":
		v := r.caseVisit(r.caseOfConsent(x), p.ref)
		if v == nil {
			return
		}
		v.rec.Surgery.Letter = word
	case parts != nil && parts[0] == "procedure":
		v := r.caseVisit(r.caseOfConsent(x), p.ref)
		if v == nil {
			return
		}
		r.procedureConsent(x, consented(v.rec.Surgery), p)
	case r.isElement("consent-category-sharing", x.first("category")) && r.isElement("consent-scope-patient-privacy", x.get("scope")):
		r.sharing[p.ref] = word
		x.take("provision")
	default:
		return
	}
	scope, category := "consent-scope-patient-privacy", "consent-category-sharing"
	if parts != nil && parts[0] == "procedure" {
		scope, category = "consent-scope-treatment", "consent-category-procedure"
	}
	if r.isElement(scope, x.get("scope")) {
		x.take("scope")
	}
	if r.isElement(category, x.first("category")) {
		x.take("category")
	}
	for _, name := range []string{"status", "policy", "organization"} {
		x.take(name)
	}
}

func (r *reader) caseOfConsent(x *res) string { return unescaped(r.number(x.node, "consent")) }

func (r *reader) procedureConsent(x *res, c *record.Consent, patient *res) {
	c.Status = map[string]record.Code{"active": "given", "rejected": "refused", "inactive": "withdrawn"}[x.peek("status")]
	c.At = r.when(x.node, "dateTime")
	for _, ref := range x.list("performer") {
		r.giver(ref, c, patient)
	}
	for _, p := range x.list("provision", "provision") {
		c.For = append(c.For, r.consentItem(p))
	}
	for _, d := range x.list("provision", "data") {
		d.take()
	}
}

// giver reads who consented: the patient, or an adult for the patient.
func (r *reader) giver(ref *node, c *record.Consent, patient *res) {
	if ref.str("display") == record.ConsentGiverSet.Display("other") {
		c.GivenBy = "other"
	}
	who := r.follow(ref)
	switch {
	case who == nil:
	case who == patient:
		c.GivenBy = "patient"
	case who.typ == "RelatedPerson":
		c.Giver = name(who.first("name"))
		c.Relationship = r.code("relationship", who.first("relationship"))
		who.take("patient")
	}
}

// consentItem reads one border and procedure that consent was given for.
func (r *reader) consentItem(p *node) record.ConsentItem {
	var out record.ConsentItem
	if s := r.follow(p.first("data").get("reference")); s != nil {
		p.take("data")
		at := r.structure(s)
		out.Side, out.Digit, out.Border = at.side, at.digit, at.border
	}
	code := p.first("code")
	out.Procedure = r.code("nail-procedure", code)
	if out.Side == "" && out.Digit == "" {
		at := inWords(strings.TrimPrefix(code.str("text"), record.ProcedureSet.Display(out.Procedure)))
		out.Side, out.Digit, out.Border = at.side, at.digit, at.border
	}
	p.take("type")
	return out
}

// inWords reads a place that is not known in full out of the text that stands
// for it (placeText of the fold).
func inWords(text string) spot {
	var out spot
	text = strings.ToLower(text)
	for _, s := range []struct {
		set record.Set
		to  *record.Code
	}{{record.BorderSet, &out.border}, {record.SideSet, &out.side}, {record.DigitSet, &out.digit}} {
		for _, v := range s.set.Values {
			if w := strings.ToLower(v.Display); strings.Contains(text, w) {
				*s.to, text = v.Code, strings.Replace(text, w, "", 1)
				break
			}
		}
	}
	return out
}
