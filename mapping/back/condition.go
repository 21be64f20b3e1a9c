package back

import (
	"slices"
	"strings"

	"nailbridge/mapping/record"
	"nailbridge/mapping/terms"
)

// condition reads the indication of a surgery, or an untoward event of the
// sitting. What a clinician diagnosed at a border later stands in the finding of
// that review; its Condition says it again.
func (r *reader) condition(x *res) {
	v := r.of(x)
	if v == nil {
		return
	}
	due := x.ext(terms.ExtConditionDueTo)
	switch {
	case due == nil && v.rec.Surgery != nil:
		r.indication(x, v)
	case v.rec.Surgery != nil:
		r.event(x, v)
	default:
		return
	}
	if due != nil {
		due.take()
	}
	r.samePerson(x.get("recorder"), v.rec.Author)
	r.sameDoer(x.get("asserter"), v)
	x.take("category")
}

func (r *reader) indication(x *res, v *visit) {
	i := indicated(v.rec.Surgery)
	code := x.get("code")
	if i.Condition = r.code("indication", code); i.Condition == "" {
		i.Condition = r.code("indication-hallux", code)
	}
	i.Since = r.when(x.node, "onsetDateTime")
	if st := x.first("stage"); st != nil {
		i.Stage, i.StageSystem = r.code("nail-stage", st.get("summary")), r.code("nail-stage-system", st.get("type"))
		st.get("summary").take("extension")
	}
	if i.Condition == "" {
		i.Text = code.str("text")
	} else {
		i.Text = note(x.node)
	}
	seen := map[spot]bool{}
	for _, site := range x.list("bodySite") {
		if at := r.spotOf(site, site, terms.ExtBodySite); v.operated(at) && !seen[at] {
			seen[at] = true
			site.take("text")
		} else {
			site.leave()
		}
	}
}

func (r *reader) event(x *res, v *visit) {
	of := r.number(x.node, "event")
	k := ""
	if parts := item(of); parts != nil {
		k = strings.Join(parts, "/")
	}
	code := x.get("code")
	e := record.Event{Key: key(k), Code: r.code("surgery-event", code)}
	if e.Code == "" || e.Code == "other" {
		e.Text = r.words("surgery-event", e.Code, code)
	} else {
		e.Text = note(x.node)
	}
	if i := slices.Index(v.wrong, x.ref); i >= 0 {
		k = "#" + number(i)
	}
	v.events = append(v.events, numbered[record.Event]{k, e})
}
