package mapping

import (
	"slices"
	"time"

	"nailbridge/mapping/record"
)

// StaffStatement is what one source, a record or an acknowledgement, says of
// one member of staff.
type StaffStatement struct {
	Person   record.Person
	SavedAt  time.Time
	Record   string // "" for an acknowledgement
	Revision int64
	Patient  string // PatientKey of whom the source is about
}

// StaffPublished is what a patient's published sources say of the clinic's
// staff: the current contents of the patient's cases, of visits that are
// published while they wait, and acknowledgements of such a case's flags. It is
// empty while the patient is not shared. Practitioner and PractitionerRole are
// folded from these alone, since nothing published may name what stands only in
// a record that is not itself published (D3.1).
func StaffPublished(s Settings, in PatientFold) []StaffStatement {
	sharing := decideSharing(in.Deliveries, in.Patient, s.Clinic)
	if !sharing.Shared {
		return nil
	}
	return newPatientView(s, in).staffStatements(sharing)
}

// staffStatements are those of everything that is published once the patient
// is shared.
func (v *patientView) staffStatements(sharing Sharing) []StaffStatement {
	var out []StaffStatement
	published := map[string]bool{}
	add := func(c Current, caseID string) {
		published[caseID] = true
		at, _ := c.SavedAt(v.s.Clinic.Zone)
		out = append(out, staffOf(c.Record, at, PatientKey(v.in.Patient))...)
	}
	for _, c := range v.cases {
		for _, cur := range append([]Current{c.surgery}, c.visits...) {
			add(cur, c.surgery.Record.Record)
		}
	}
	for _, w := range v.waiting {
		if publishedWaiting(w, sharing) {
			add(w, w.Record.Case())
		}
	}
	for _, m := range v.merged(sharing).sources {
		add(m, "")
	}
	published[""] = len(out) > 0 // flags of the patient as such
	for _, a := range v.in.Acks {
		if published[a.Case] && a.Who.Key() != "" {
			out = append(out, StaffStatement{Person: a.Who, SavedAt: a.At, Patient: PatientKey(v.in.Patient)})
		}
	}
	return out
}

// staffSaid is what the fold knows of the staff: what its own published
// sources say, and what those of other patients do.
func (v *patientView) staffSaid(sharing Sharing) []StaffStatement {
	mine := PatientKey(v.in.Patient)
	others := slices.DeleteFunc(slices.Clone(v.in.Staff), func(s StaffStatement) bool { return s.Patient == mine })
	return append(others, v.staffStatements(sharing)...)
}

// StaffNamed are the keys of the staff that a record names.
func StaffNamed(r *record.Record) []string {
	var out []string
	for _, p := range peopleOf(r) {
		if key := p.Key(); key != "" && !slices.Contains(out, key) {
			out = append(out, key)
		}
	}
	return out
}

// staffOf lists what a record says of the clinic's staff, one statement per
// person, later mentions adding to earlier ones. at is when it counts as saved:
// a clock years ahead must not win a name for good (D1.1).
func staffOf(r *record.Record, at time.Time, patient string) []StaffStatement {
	byKey := map[string]int{}
	var out []StaffStatement
	for _, p := range peopleOf(r) {
		key := p.Key()
		if key == "" {
			continue
		}
		if i, ok := byKey[key]; ok {
			out[i].Person = overlay(out[i].Person, *p)
			continue
		}
		byKey[key] = len(out)
		out = append(out, StaffStatement{Person: *p, SavedAt: at, Record: r.Record, Revision: revisionOf(r), Patient: patient})
	}
	return out
}

// peopleOf lists every member of staff that a record names.
func peopleOf(r *record.Record) []*record.Person {
	out := []*record.Person{r.Author}
	if s := r.Surgery; s != nil {
		out = append(out, s.Operator, s.Assistant, s.Chaperone)
		for _, step := range []*record.Step{s.Marking, s.SignIn, s.TimeOut, s.SignOut} {
			if step != nil {
				out = append(out, step.By)
			}
		}
		for i := range s.Toes {
			if b := s.Toes[i].Block; b != nil {
				for j := range b.Agents {
					out = append(out, b.Agents[j].Giver)
				}
			}
			for j := range s.Toes[i].Tourniquets {
				out = append(out, s.Toes[i].Tourniquets[j].Remover)
			}
		}
		for i := range s.PlannedReviews {
			out = append(out, s.PlannedReviews[i].With)
		}
	}
	if v := r.Review; v != nil {
		out = append(out, v.Reviewer)
		if v.NextReview != nil {
			out = append(out, v.NextReview.With)
		}
	}
	if k := r.Contact; k != nil {
		out = append(out, k.TakenBy)
		if k.NextReview != nil {
			out = append(out, k.NextReview.With)
		}
	}
	return out
}
