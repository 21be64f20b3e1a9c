package receive

import (
	"fmt"
	"slices"
	"strings"

	"nailbridge/mapping"
	"nailbridge/mapping/record"
	"nailbridge/mapping/safety"
)

// answer starts an answer. While a content is in no fold, as when it is
// refused, held, superseded or a draft, its own red flags are shown, so that
// nobody waits for a fault to be mended to learn of them (D2.1).
func (v *Receiver) answer(in incoming, kind Kind) Answer {
	a := Answer{
		Answer: kind, Clinic: v.Settings.Clinic.ID, Record: in.record.Record, Revision: in.record.Revision,
		Reasons: slices.Clone(in.findings), NotJSON: in.notJSON,
	}
	a.Flags = mapping.RawRedFlags(in.record, in.redFlags)
	for i := range a.Flags {
		a.Flags[i].Case = in.record.Case()
	}
	return a
}

// waits reports whether the record is a review or contact without a surgery.
func (f *folded) waits(id string) bool {
	return slices.ContainsFunc(f.results, func(r mapping.Result) bool { return slices.Contains(r.Waiting, id) })
}

// describe fills the answer with everything made of the record's case and
// everything a clinician should see about it.
func (f *folded) describe(a *Answer, r *record.Record) {
	caseID := r.Case()
	for _, res := range f.results {
		if id := patientOf(r); id == nil || *id != res.Patient {
			continue
		}
		a.Shared, a.Sharing = res.Shared, res.SharingBasis
		for _, fl := range res.Flags {
			if concerns(fl, r.Record, caseID) {
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
	a.Flags = append(a.Flags, f.raisedElsewhere(r)...)
	for _, x := range f.sorted() {
		if x.Change != Same || x.caseID == caseID || x.caseID == "" && x.in(patientOf(r)) {
			a.Resources = append(a.Resources, x.ResourceVersion)
		}
	}
	for _, i := range f.issues {
		a.Reasons = append(a.Reasons, record.Finding{
			Severity: record.Warning, Code: "output-invalid", Rule: i.Key,
			Text: strings.TrimSpace(fmt.Sprintf("our own output did not pass the check at %s: %s", i.Path, i.Text)),
		})
	}
	if len(a.Flags) > 0 || len(a.Figures) > 0 {
		a.Caution = safety.Caution
	}
}

// in reports a resource of the clinic's, or one that the fold of a patient has: a
// commit that changes what is known of staff folds others too, whose Patient is no
// part of the answer.
func (c change) in(patient *record.Identifier) bool {
	typ, _, _ := strings.Cut(c.Reference, "/")
	return patient == nil || mapping.FoldedPerClinic(typ) || slices.Contains(c.folds, *patient)
}

// concerns reports whether a flag is shown with a record: one of its own, of
// its case, or of the patient as a whole.
func concerns(fl mapping.Flag, recordID, caseID string) bool {
	return fl.Case == caseID || fl.Record == recordID || fl.Case == "" && fl.Record == ""
}

// raisedElsewhere are the critical flags that this delivery raised on other
// cases of the patient, or on another patient's: that a review still names the
// patient whom an amendment took the surgery from (D1.5), or that a dose given
// within 24 h makes another's sum one over the limit. Whoever sends the delivery
// is the one to learn of them.
func (f *folded) raisedElsewhere(r *record.Record) (out []mapping.Flag) {
	id := patientOf(r)
	for _, x := range f.raised {
		shown := id != nil && *id == x.patient && concerns(x.flag, r.Record, r.Case())
		if x.flag.Level == mapping.Critical && !shown {
			out = append(out, x.flag)
		}
	}
	return out
}

// sorted gives the changes by reference.
func (f *folded) sorted() []change {
	out := make([]change, 0, len(f.changes))
	for _, x := range f.changes {
		out = append(out, x)
	}
	slices.SortFunc(out, func(x, y change) int { return strings.Compare(x.Reference, y.Reference) })
	return out
}

func activitiesOf(c mapping.Case) []Activity {
	var out []Activity
	for _, x := range c.Activities {
		out = append(out, Activity{
			Activity: x.ID, Status: string(x.Status), Title: x.Title, Proposed: x.Proposed,
			Start: x.Window.First.String(), End: x.Window.Last.String(),
		})
	}
	return out
}
