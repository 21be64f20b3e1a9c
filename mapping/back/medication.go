package back

import (
	"math/big"
	"strings"

	"nailbridge/mapping/record"
	"nailbridge/mapping/terms"
)

// administration reads an injection of a local anaesthetic.
func (r *reader) administration(x *res) {
	v := r.of(x)
	if v == nil || v.rec.Surgery == nil {
		return
	}
	parts := item(r.number(x.node, "administration"))
	for len(parts) < 2 {
		parts = append(parts, "")
	}
	d := x.get("dosage")
	t := v.toe(parts[0], r.spotOf(d.get("site"), d, terms.ExtBodySite))
	a := record.Agent{Key: key(parts[1])}
	a.Site = r.code("injection-site", d.get("site"))
	a.At = r.when(x.node, "effectiveDateTime")
	a.ML = quantity(d.get("dose"), "mL")
	if p := x.first("performer"); p != nil {
		a.Giver = r.person(p.get("actor"))
		p.take("function")
	}
	if m := r.follow(x.get("medicationReference")); m != nil {
		r.drawnUp(m, &a)
	} else {
		a.Agent = r.code("anaesthetic", x.get("medicationCodeableConcept"))
	}
	t.agents = append(t.agents, numbered[record.Agent]{parts[1], a})
	for _, name := range []string{"status", "subject", "partOf", "reasonReference", "_effectiveDateTime"} {
		x.take(name)
	}
	if t.op.Block != nil {
		if route, ok := r.terms.Reverse("route", concept(d.get("route"))); ok && route == routes[t.op.Block.Technique] {
			d.take("route")
		}
	}
	if a.ML == nil {
		d.get("dose").take("extension")
	}
}

// routes are the routes that block techniques take (routeOf of the fold).
var routes = map[record.Code]record.Code{"digital-block": "perineural", "ring-block": "perineural", "infiltration": "infiltration"}

// drawnUp reads the agent of an injection: strength, vasoconstrictor and batch.
func (r *reader) drawnUp(m *res, a *record.Agent) {
	m.take("identifier")
	m.take("status")
	r.batch(m, &a.Batch, &a.Expiry)
	code := m.get("code")
	none := record.VasoconstrictorSet.Display("none")
	if strings.HasSuffix(strings.ToLower(code.peek("text")), strings.ToLower(none)) {
		a.Vasoconstrictor = "none"
		code.take("text")
	}
	a.Agent = r.code("anaesthetic", code)
	for _, in := range m.list("ingredient") {
		r.ingredient(in, a)
	}
}

// ingredient reads the agent with its strength, or the vasoconstrictor with its
// ratio. One whose substance is not known is told by the form of its strength:
// so much in 1 mL, or 1 g in so many.
func (r *reader) ingredient(in *node, a *record.Agent) {
	what := in.get("itemCodeableConcept")
	over, under := in.get("strength", "numerator"), in.get("strength", "denominator")
	isAgent := false
	if code := r.code("anaesthetic", what); code != "" {
		isAgent = true
		if a.Agent == "" {
			a.Agent = code
		} else if a.Agent != code {
			r.find("codings-disagree", "the code of a medication and its ingredient stand for different agents; the code counts")
		}
	} else if code := r.code("vasoconstrictor", what); code != "" {
		a.Vasoconstrictor = code
	} else {
		isAgent = under.peek("value") == "1"
		what.take("extension")
	}
	if in.peek("isActive") == "true" {
		in.take("isActive")
	}
	if isAgent {
		if mg := decimal(over, "value"); mg != nil && over.peek("code") == "mg" && under.peek("code") == "mL" {
			a.Percent = ratio(new(big.Rat).Quo(mg.Rat(), new(big.Rat).Mul(orOne(decimal(under, "value")), big.NewRat(10, 1))))
			in.take("strength")
		}
		return
	}
	if mg, ml := decimal(over, "value"), decimal(under, "value"); mg != nil && ml != nil && mg.Rat().Sign() > 0 {
		n := new(big.Rat).Quo(new(big.Rat).Mul(ml.Rat(), big.NewRat(1000, 1)), mg.Rat())
		if n.IsInt() && n.Num().IsInt64() {
			v := n.Num().Int64()
			a.Ratio = &v
			in.take("strength")
		}
	}
}

func orOne(d *record.Decimal) *big.Rat {
	if d == nil || d.Rat().Sign() == 0 {
		return big.NewRat(1, 1)
	}
	return d.Rat()
}

// ratio is a finite decimal in full; nil for one that does not end.
func ratio(x *big.Rat) *record.Decimal {
	n, exact := x.FloatPrec()
	if !exact {
		return nil
	}
	d, err := record.ParseDecimal(x.FloatString(n))
	if err != nil {
		return nil
	}
	return &d
}

func (r *reader) batch(m *res, lot *string, expiry **record.When) {
	b := m.get("batch")
	*lot, *expiry = b.str("lotNumber"), r.when(b, "expirationDate")
}

// chemical reads the Medication of a matrix chemical.
func (r *reader) chemical(m *res, to *record.Matrix) {
	m.take("identifier")
	m.take("status")
	r.batch(m, &to.Batch, &to.Expiry)
	if code := r.code("chemical", m.get("code")); code != "" && to.Agent == "" {
		to.Agent = code
	} else if code != "" && code != to.Agent {
		r.find("codings-disagree", "an act and its medication stand for different chemicals; the act counts")
	}
	in := m.first("ingredient")
	if in == nil {
		return
	}
	if code := r.code("chemical", in.get("itemCodeableConcept")); code != "" && code != to.Agent {
		r.find("codings-disagree", "a medication and its ingredient stand for different chemicals; the code counts")
	}
	in.get("itemCodeableConcept").take("extension")
	if in.peek("isActive") == "true" {
		in.take("isActive")
	}
	under := in.get("strength", "denominator")
	if q := in.get("strength", "numerator"); q.peek("code") == "%" && (under == nil || under.peek("value") == "1" && under.peek("code") == "1") {
		to.Percent = decimal(q, "value")
		in.take("strength")
	}
}
