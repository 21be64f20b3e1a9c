package receive

import (
	"slices"
	"strings"
	"time"

	"nailbridge/mapping"
	"nailbridge/mapping/record"
	"nailbridge/mapping/safety"
)

// waits reports whether the record is a review or contact without a surgery.
func (f *folded) waits(id string) bool {
	return slices.ContainsFunc(f.results, func(r mapping.Result) bool { return slices.Contains(r.Waiting, id) })
}

// describe fills the answer with everything made of the record's case and
// everything a clinician should see about it.
func (f *folded) describe(a *Answer, r *record.Record) {
	caseID := caseOf(r)
	for _, res := range f.results {
		if !names(r, res.Patient) {
			continue
		}
		a.Shared, a.Sharing = res.Shared, res.SharingBasis
		for _, fl := range res.Flags {
			if fl.Case == caseID || fl.Case == "" || fl.Record == r.Record {
				a.Flags = append(a.Flags, fl)
			}
		}
		for _, fg := range res.Figures {
			if fg.Case == caseID {
				a.Figures = append(a.Figures, fg)
			}
		}
		for _, cs := range res.Cases {
			if cs.Surgery == caseID {
				a.Activities = activitiesOf(cs)
			}
		}
	}
	for _, c := range f.changes {
		a.Resources = append(a.Resources, c)
	}
	slices.SortFunc(a.Resources, func(x, y ResourceVersion) int { return strings.Compare(x.Reference, y.Reference) })
	if len(a.Flags) > 0 || len(a.Figures) > 0 {
		a.Caution = safety.Caution
	}
}

func activitiesOf(c mapping.Case) []Activity {
	var out []Activity
	for _, x := range c.Activities {
		out = append(out, Activity{
			Activity: x.ID, Status: string(x.Status), Title: x.Title, Proposed: x.Proposed,
			Start: day(x.Window.Start), End: day(x.Window.End.Add(-time.Second)),
		})
	}
	return out
}

func day(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return t.Format(time.DateOnly)
}

// caseOf is the surgery record id of the case a record belongs to.
func caseOf(r *record.Record) string {
	switch {
	case r.Review != nil:
		return r.Review.Surgery
	case r.Contact != nil:
		return r.Contact.Surgery
	}
	return r.Record
}

func names(r *record.Record, p record.Identifier) bool {
	return r.Patient != nil && r.Patient.Identifier != nil && *r.Patient.Identifier == p
}
