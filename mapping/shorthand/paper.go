package shorthand

import (
	"slices"
	"strings"

	"nailbridge/mapping/record"
)

// This file says where a consent, or another paper, names another toe than the rest of a text.

// consented makes every toe ambiguous where the consent names another side than the
// rest of the text: which of them is wrong is for a person to say.
func (r *reader) consented(groups []*group) {
	sides := func(consent bool) (out []record.Code) {
		for _, g := range groups {
			if g.complete() && r.inConsent(g) == consent {
				out = append(out, g.sides...)
			}
		}
		return out
	}
	said, done := sides(true), sides(false)
	if len(said) == 0 || len(done) == 0 || !slices.ContainsFunc(done, func(s record.Code) bool { return !slices.Contains(said, s) }) {
		return
	}
	for _, g := range groups {
		if g.complete() && g.wrong == "" {
			g.wrong = "toe.consent-of-another"
		}
	}
}

// papers are what may name another toe than the one that was operated on.
var papers = []string{"plan", "consent", "form", "list", "sheet", "booking", "letter", "referral", "request", "wristband", "label", "photo", "picture", "notes", "note", "chart", "diagram", "sketch", "card", "op note", "system", "computer", "record", "records", "photos", "email", "template"}

// onPapers doubts the toes of different sides of which a paper names one (L hallux on plan, R hallux on
// consent), and a toe of whose borders one does: R hallux lat (form), med (photo).
func (r *reader) onPapers(groups []*group) {
	for _, g := range groups {
		of := func(b mention) bool { return r.onPaper(b.items[len(b.items)-1]) }
		if r.siteColumn() && len(g.borders) > 1 && g.borders[0].border != g.borders[1].border && slices.ContainsFunc(g.borders, of) {
			g.wrong = "border.papers"
		}
		if !g.complete() || g.both || !r.onPaper(g.last()) {
			continue
		}
		for _, o := range groups {
			if o.complete() && !o.both && !slices.Equal(o.sides, g.sides) {
				g.wrong, o.wrong = "toe.consent-of-another", "toe.consent-of-another"
			}
		}
	}
}

// onPaper reports whether the words right after the last one of a toe say that it is on, or per, a paper, or
// a bracket that it is of one: L hallux on the plan; lat (form).
func (r *reader) onPaper(last *item) bool {
	if k := last.index + 1; k+2 < len(r.items) && r.items[k].text == "(" && r.isPaper(r.items[k+1]) && r.items[k+2].text == ")" {
		return true
	}
	for k := last.index + 1; k+1 < len(r.items) && r.items[k].segment == last.segment; k++ {
		switch o, next := r.items[k], r.items[k+1]; {
		case slices.Contains([]string{"on", "per", "in"}, o.text):
			if next.text == "the" && k+2 < len(r.items) {
				next = r.items[k+2]
			}
			return r.isPaper(next)
		case o.is(procedure): // R hallux PNA on the consent
		case isLetter(o.text):
			return false
		}
	}
	return false
}

// isPaper reports whether an item is a paper, or what is seen on one: consent form.
func (r *reader) isPaper(it *item) bool {
	words := strings.Fields(r.said(it))
	return slices.Contains(papers, r.said(it)) || len(words) > 0 && slices.Contains(papers, words[len(words)-1])
}

// forms are the words of what was written before the surgery.
var forms = []string{"consent", "consented", "header", "marked", "booked"}

func (r *reader) inConsent(g *group) bool {
	return slices.ContainsFunc(r.segments[g.first().segment], func(it *item) bool {
		return it.is(planWord) && slices.Contains(forms, it.text) && it.from < g.first().from
	})
}
