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
		r.indication(x, v.rec.Surgery)
	case v.rec.Surgery != nil:
		r.event(x, v)
	default:
		return
	}
	if due != nil {
		due.take()
	}
	for _, name := range []string{"category", "subject", "recorder", "asserter", "clinicalStatus"} {
		x.take(name)
	}
}

func (r *reader) indication(x *res, s *record.Surgery) {
	i := indicated(s)
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
	for _, site := range x.list("bodySite") {
		r.spotOf(site, site, siteURL)
		site.take("text")
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
