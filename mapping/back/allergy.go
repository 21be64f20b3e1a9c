package back

import (
	"cmp"
	"slices"
	"strings"
	"time"

	"nailbridge/mapping/record"
)

// allergy reads an allergy as it stands for the patient. It goes to the record
// that its number names; one without a number, to the latest record of the
// patient by who stated it that may hold one.
func (r *reader) allergy(x *res) {
	p := r.follow(x.get("patient"))
	if p == nil {
		return
	}
	code := x.get("code")
	if status, ok := r.terms.Reverse("allergy-status", concept(code)); ok && x.get("reaction") == nil && x.get("criticality") == nil && x.get("identifier") == nil {
		if status == "present" {
			r.unnamed[p.ref] = r.person(x.get("recorder")).Key()
		}
		x.take() // said again by what each record answered, or sayWhich leaves it
		r.statuses = append(r.statuses, allergyStatus{x, p.ref, status})
		if !hasCode(x.get("clinicalStatus"), "active") {
			x.leave("clinicalStatus")
		}
		return
	}
	a := record.Allergy{Substance: r.code("allergen", code), Criticality: record.Code(x.str("criticality"))}
	if a.Substance == "" && r.code("allergy-status", code) == "" {
		a.Text = code.str("text")
	} else if a.Substance == "other" {
		a.Text = r.words("allergen", a.Substance, code)
	}
	a.Refuted = hasCode(x.get("verificationStatus"), "refuted")
	recordID, k := "", ""
	if number := r.number(x.node, "allergy"); number != "" {
		i := strings.LastIndexByte(number, '/')
		recordID, k = number[:max(i, 0)], number[i+1:]
	}
	a.Key = k
	to := r.allergyRecord(recordID, p.ref, r.person(x.get("recorder")).Key())
	if to == nil {
		return
	}
	(*to).Items = append((*to).Items, r.statements(x, a)...)
	if hasCode(x.get("clinicalStatus"), map[bool]string{true: "inactive", false: "active"}[a.Refuted]) {
		x.take("clinicalStatus")
	}
	if a.Refuted {
		x.take("verificationStatus")
	}
	x.take("recorder")
}

// statements are an allergy as often as it has reactions and notes, each in
// words of its own.
func (r *reader) statements(x *res, a record.Allergy) []record.Allergy {
	reactions, notes := x.list("reaction"), x.list("note")
	out := make([]record.Allergy, max(1, len(reactions), len(notes)))
	for i := range out {
		out[i] = a
		if i < len(reactions) {
			out[i].Reaction = reactions[i].first("manifestation").str("text")
		}
		if i < len(notes) {
			out[i].Text = annotation(notes[i])
		}
	}
	return out
}

// allergyRecord is the statement of the record that an allergy goes to.
func (r *reader) allergyRecord(id, patient, by string) *record.Allergies {
	able := r.mayState(patient)
	if len(able) == 0 {
		return nil
	}
	return stating(slices.MaxFunc(able, func(a, b *visit) int {
		return cmp.Or(cmp.Compare(a.rank(id, by), b.rank(id, by)), compareSaved(a, b))
	}))
}

// mayState are the records of a patient that may state allergies, the latest
// saved last.
func (r *reader) mayState(patient string) []*visit {
	var able []*visit
	for _, v := range r.visits {
		if v.patient == patient && (v.rec.Surgery != nil || v.rec.Review != nil) {
			able = append(able, v)
		}
	}
	slices.SortFunc(able, compareSaved)
	return able
}

func compareSaved(a, b *visit) int {
	return cmp.Or(a.saved().Compare(b.saved()), strings.Compare(a.rec.Record, b.rec.Record))
}

// stating is the allergy statement of a record, started where there is none.
func stating(v *visit) *record.Allergies {
	if v.rec.Surgery != nil {
		return allergies(&v.rec.Surgery.Allergies)
	}
	return allergies(&v.rec.Review.Allergies)
}

// stated is the allergy statement of a record, nil for none.
func stated(v *visit) *record.Allergies {
	if v.rec.Surgery != nil {
		return v.rec.Surgery.Allergies
	}
	return v.rec.Review.Allergies
}

// allergyStatus is a resource that says of a patient "none known", or that an
// allergy was stated.
type allergyStatus struct {
	res     *res
	patient string
	status  record.Code
}

// sayWhich gives a record that says "allergy stated", and whose allergies a
// later record stated again, what that one states: saying nothing, it would
// state an allergy without name. Where one without name stands, the latest record
// of who stated it goes on saying no more. A status that no record holds, since
// the one that said it is not published, is left.
func (r *reader) sayWhich() {
	for _, s := range r.statuses {
		if !slices.ContainsFunc(r.mayState(s.patient), func(v *visit) bool { a := stated(v); return a != nil && a.Status == s.status }) {
			s.res.leave("code")
			s.res.leave("recorder")
		}
	}
	for ref := range r.patients {
		able := r.mayState(ref)
		by, kept := r.unnamed[ref]
		for i := len(able) - 1; i >= 0; i-- {
			a := stated(able[i])
			if a == nil || a.Status != "present" || len(a.Items) > 0 {
				continue
			}
			if kept && able[i].rec.Author.Key() == by {
				kept = false
				continue
			}
			a.Items = restated(able[i+1:])
		}
	}
}

// restated is what the first of some records states that states an allergy.
func restated(later []*visit) []record.Allergy {
	for _, v := range later {
		if a := stated(v); a != nil && len(a.Items) > 0 {
			return slices.Clone(a.Items)
		}
	}
	return nil
}

// rank says how well a record fits a statement of an id and an author.
func (v *visit) rank(id, author string) int {
	switch {
	case v.rec.Record == id:
		return 2
	case v.rec.Author.Key() == author:
		return 1
	}
	return 0
}

func (v *visit) saved() time.Time {
	if v.rec.SavedAt == nil {
		return time.Time{}
	}
	at, _ := v.rec.SavedAt.In(time.UTC)
	return at
}
