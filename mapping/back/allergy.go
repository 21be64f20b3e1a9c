package back

import (
	"cmp"
	"slices"
	"strings"

	"nailbridge/mapping/record"
)

// allergy reads an allergy as it stands for the patient. It goes to the record
// that its number names; one without a number, to the latest record of the
// patient that may hold one.
func (r *reader) allergy(x *res) {
	p := r.follow(x.get("patient"))
	if p == nil {
		return
	}
	code := x.get("code")
	if _, ok := r.terms.Reverse("allergy-status", concept(code)); ok && x.get("reaction") == nil && x.get("criticality") == nil && x.get("identifier") == nil {
		x.take() // said again by what each record answered
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
	to := r.allergyRecord(recordID, p.ref)
	if to == nil {
		return
	}
	(*to).Items = append((*to).Items, r.statements(x, a)...)
	for _, name := range []string{"clinicalStatus", "verificationStatus", "patient", "recorder"} {
		x.take(name)
	}
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
func (r *reader) allergyRecord(id, patient string) *record.Allergies {
	var able []*visit
	for _, v := range r.visits {
		if v.patient == patient && (v.rec.Surgery != nil || v.rec.Review != nil) {
			able = append(able, v)
		}
	}
	if len(able) == 0 {
		return nil
	}
	slices.SortFunc(able, func(a, b *visit) int {
		return cmp.Or(cmp.Compare(rank(a, id), rank(b, id)), strings.Compare(saved(a), saved(b)), strings.Compare(a.rec.Record, b.rec.Record))
	})
	last := able[len(able)-1]
	if last.rec.Surgery != nil {
		return allergies(&last.rec.Surgery.Allergies)
	}
	return allergies(&last.rec.Review.Allergies)
}

func rank(v *visit, id string) int {
	if v.rec.Record == id {
		return 1
	}
	return 0
}

func saved(v *visit) string {
	if v.rec.SavedAt == nil {
		return ""
	}
	return v.rec.SavedAt.String()
}
