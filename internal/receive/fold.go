package receive

import (
	"errors"
	"fmt"
	"slices"
	"time"

	"nailbridge/internal/store"
	"nailbridge/internal/validate"
	"nailbridge/mapping"
	"nailbridge/mapping/followup"
	"nailbridge/mapping/record"
	"nailbridge/mapping/resource"
)

// folded gathers what folding patients again made and changed.
type folded struct {
	results []mapping.Result
	changes map[resource.Ref]change
	raised  []raised         // flags that were not open before
	issues  []validate.Issue // why the arrival is held
	stamp   *store.Stamp     // of the commit; nil while nothing changed
	written *Written         // counts of a re-map; nil: nobody counts
}

func (v *Receiver) newFolded() *folded {
	f := &folded{changes: map[resource.Ref]change{}}
	if v.remapping {
		f.written = &Written{}
	}
	return f
}

// raised is an open flag of a patient that was not open before.
type raised struct {
	patient record.Identifier
	flag    mapping.Flag
}

// change is what a commit did to one resource.
type change struct {
	ResourceVersion
	caseID string
	folds  []record.Identifier // the patients whose folds have it
}

// attempt is one patient's fold before it is committed.
type attempt struct {
	owner   store.Owner
	in      mapping.PatientFold
	rows    []store.Delivery // of in.Deliveries
	res     mapping.Result
	checked []validate.Checked
	issues  []validate.Issue
	moved   bool // the patient just lost a record to another patient (D1.5)
	unread  bool // something stored of the patient could not be read
	drawn   bool // folded only since the staff is no longer said to be what it was, or since a merge joins it to another
}

// refold folds every patient that an arrival concerns and commits what
// changed. When the output does not pass the check, or a commit of it did not
// before (failed), the arrival is held and the folds are made without it (D2, held).
func (v *Receiver) refold(w store.Writer, r *record.Record, was mapping.Standing, row *store.Delivery, failed failure) (*folded, error) {
	attempts, err := v.attemptAll(w, r, was)
	if err != nil {
		return nil, err
	}
	f := v.newFolded()
	f.issues = append(slices.Clone(failed.issues), v.ownIssues(attempts)...)
	if len(f.issues) > 0 {
		v.logIssues("output did not pass the check, the record is held", f.issues)
		row.Held = true
		if err := w.MarkDelivery(*row); err != nil {
			return nil, err
		}
		if attempts, err = v.attemptAll(w, r, was); err != nil {
			return nil, err
		}
	}
	return f, v.commitAll(w, attempts, f, failed.twice)
}

// ownIssues are what does not pass of those for whom the folds are made. One who
// was only drawn in, and fails, keeps nobody's record from counting.
func (v *Receiver) ownIssues(attempts []attempt) (out []validate.Issue) {
	for _, a := range attempts {
		if !a.drawn {
			out = append(out, a.issues...)
		} else if len(a.issues) > 0 {
			v.logIssues("a patient of the same staff, or joined by a merge, could not be folded", a.issues)
		}
	}
	return out
}

// commitAll commits each patient's fold, or what cannot wait: of one whose fold
// failed, and of all where they cannot be committed.
func (v *Receiver) commitAll(w store.Writer, attempts []attempt, f *folded, contained bool) (err error) {
	for _, a := range attempts {
		if contained || len(a.issues) > 0 {
			err = v.contain(w, a, f)
			if err == nil && a.drawn {
				err = w.SetMark(v.Settings.Clinic.ID, markFolded, foldAgain)
			}
		} else {
			err = v.commit(w, a, f)
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// refoldPatient folds one patient for a cause that is no arrival. Its result is
// the first. A fold that does not pass is an outputError.
func (v *Receiver) refoldPatient(w store.Writer, p record.Identifier) (*folded, error) {
	attempts, err := v.attemptThese(w, []record.Identifier{p}, "")
	if err != nil {
		return nil, err
	}
	if issues := v.ownIssues(attempts); len(issues) > 0 {
		return nil, &outputError{issues}
	}
	f := v.newFolded()
	return f, v.commitAll(w, attempts, f, false)
}

// containPatient does for one patient whose fold failed what cannot wait, and
// lets the next start fold the store again.
func (v *Receiver) containPatient(w store.Writer, p record.Identifier) (*folded, error) {
	attempts, err := v.attemptThese(w, []record.Identifier{p}, "")
	if err != nil {
		return nil, err
	}
	f := v.newFolded()
	if err := v.commitAll(w, attempts, f, true); err != nil {
		return nil, err
	}
	return f, w.SetMark(v.Settings.Clinic.ID, markFolded, foldAgain)
}

// endSharing lets a refused delivery whose clinic and patient can be read take
// the patient from the hub, where it says so: the word on sharing acts at once,
// whatever else of it cannot be understood (D3.1).
func (v *Receiver) endSharing(w store.Writer, row store.Delivery, a *Answer, failed failure) error {
	d := v.delivery(row)
	if !d.EndsSharing(v.Settings.Clinic) {
		return nil
	}
	attempts, err := v.attemptThese(w, []record.Identifier{*patientOf(d.Record)}, "")
	if err != nil {
		return err
	}
	f := v.newFolded()
	if err := v.commitAll(w, attempts, f, failed.any()); err != nil {
		return err
	}
	must := mapping.Contain(v.Settings, attempts[0].in)
	a.Shared, a.Sharing = must.Sharing.Shared, must.Sharing.Basis
	return nil
}

// attemptAll folds, without committing, every patient concerned: those that
// any delivery of the record id names, as one whom another replaces too (one may
// have lost the record, and a sharing statement counts even when its content does
// not, D3.1), and those of the reviews and contacts of the surgery.
func (v *Receiver) attemptAll(w store.Writer, r *record.Record, was mapping.Standing) ([]attempt, error) {
	rows, err := w.Deliveries(v.Settings.Clinic.ID, r.Record)
	if err != nil {
		return nil, err
	}
	ds := v.deliveries(rows)
	is := mapping.Stand(ds, v.Settings.Clinic.Zone)
	var patients []record.Identifier
	for _, d := range ds {
		if !d.Refused {
			patients = append(patients, d.Record.Names()...)
		}
	}
	out, err := v.attemptThese(w, patients, r.Record)
	for i := range out {
		out[i].moved = lost(out[i].in.Patient, was, is)
	}
	return out, err
}

// attemptThese folds, without committing, the patients, those whose reviews
// and contacts name the surgery, those whom merges join to them, and those whose
// staff is no longer said to be what it was. What each says of the staff is kept before any is folded, since
// Practitioner is one for all.
func (v *Receiver) attemptThese(w store.Writer, patients []record.Identifier, surgery string) ([]attempt, error) {
	out, err := v.gatherThese(w, patients, surgery)
	if err != nil {
		return nil, err
	}
	for i := range out {
		v.try(&out[i])
	}
	return out, v.checkAll(w, out)
}

// gatherThese is attemptThese before anything is folded.
func (v *Receiver) gatherThese(w store.Writer, patients []record.Identifier, surgery string) ([]attempt, error) {
	var out []attempt
	drawn := map[record.Identifier]bool{}
	for i := 0; i < len(patients); i++ { // grows below
		if slices.Contains(patients[:i], patients[i]) {
			continue
		}
		a := attempt{owner: store.Owner{Clinic: v.Settings.Clinic.ID, Patient: mapping.PatientKey(patients[i])}}
		a.in.Patient = patients[i]
		if err := v.gather(w, &a); err != nil {
			return nil, err
		}
		others, err := v.keepStaff(w, &a)
		if err != nil {
			return nil, err
		}
		for _, o := range append(others, mapping.MergeNames(a.in.Merges)...) {
			drawn[o] = drawn[o] || !slices.Contains(patients, o)
			patients = append(patients, o)
		}
		for _, x := range a.rows {
			if id, ok := mapping.ParsePatientKey(x.Patient); ok && surgery != "" && x.Surgery == surgery && !x.Refused {
				delete(drawn, id)
				patients = append(patients, id)
			}
		}
		out = append(out, a)
	}
	for i := range out {
		out[i].drawn = drawn[out[i].in.Patient]
		if len(out) > 1 { // what the others say may have changed
			var err error
			if out[i].in.Staff, err = v.staffNamed(w, out[i].in); err != nil {
				return nil, err
			}
		}
	}
	return out, nil
}

// lost reports that a record named the patient and that its newest content,
// held or not, names another.
func lost(p record.Identifier, was, is mapping.Standing) bool {
	if was.Current == nil || is.Top == nil {
		return false
	}
	before, now := patientOf(was.Current.Record), patientOf(is.Top.Record)
	return before != nil && *before == p && now != nil && *now != p
}

// try folds one patient. What it makes is not committed.
func (v *Receiver) try(a *attempt) {
	fault := a.unread
	if !fault {
		a.res, fault = v.fold(a.in)
	}
	if fault {
		a.issues = foldFailed
	}
}

// tryAt folds as a tick at now would leave it: with the overdue facts of windows
// that ended (D1.6). Where none did that is one fold.
func (v *Receiver) tryAt(a *attempt, now time.Time) {
	for again := true; again; {
		v.try(a)
		again = len(a.issues) == 0 && a.endWindows(now)
	}
}

// endWindows adds the facts of open windows that ended, and reports whether there
// were any that the fold did not know.
func (a *attempt) endWindows(now time.Time) bool {
	known := len(a.in.Facts)
	for _, c := range a.res.Cases {
		for _, f := range followup.DueFacts(c.Activities, a.in.FactsOf(c.Surgery), now) {
			a.in.Facts = append(a.in.Facts, mapping.OverdueFact{Case: c.Surgery, Activity: f.Activity, End: f.WindowEnd})
		}
	}
	return len(a.in.Facts) > known
}

// checkAll checks what each fold made. A Patient may name another of the same
// commit (D1.5); where that one does not pass, it is not there to be named.
func (v *Receiver) checkAll(w store.Writer, as []attempt) (err error) {
	for again := true; again; {
		again = false
		for i := range as {
			a := &as[i]
			if len(a.issues) > 0 {
				continue
			}
			if a.checked, a.issues, err = v.check(w, a.res.Resources, madeBeside(as, i)...); err != nil {
				return err
			}
			again = again || len(a.issues) > 0 && len(as) > 1
		}
	}
	return nil
}

// madeBeside are the Patients that the other folds of a commit make and publish.
func madeBeside(as []attempt, i int) (out []resource.Ref) {
	for j, a := range as {
		if j == i || len(a.issues) > 0 || !a.res.Shared {
			continue
		}
		for _, r := range a.res.Resources {
			if r.Type() == "Patient" {
				out = append(out, r.Ref())
			}
		}
	}
	return out
}

// gather reads everything that a patient's fold depends on but the staff.
func (v *Receiver) gather(r store.Reader, a *attempt) (err error) {
	if a.rows, err = r.DeliveriesOf(a.owner); err != nil {
		return err
	}
	a.in.Deliveries = v.deliveries(a.rows)
	if err := v.gatherMerges(r, &a.in, a.owner); err != nil {
		return err
	}
	facts, err := r.Facts(a.owner)
	if err != nil {
		return err
	}
	for _, x := range facts {
		a.in.Facts = append(a.in.Facts, mapping.OverdueFact{Case: x.Case, Activity: x.Activity, End: x.End})
	}
	acks, err := r.Acks(a.owner)
	if err != nil {
		return err
	}
	if a.in.Acks, err = readAcks(acks); err != nil {
		v.Log.Error("stored acknowledgements could not be read", "fault", fmt.Sprintf("%T", err))
		a.unread = true
	}
	return nil
}

// fold folds. A fault of the fold is no reason to lose a delivery: it is kept
// and held.
func (v *Receiver) fold(in mapping.PatientFold) (res mapping.Result, fault bool) {
	defer v.recovered("fold", func() { fault = true })
	fold := v.Fold
	if fold == nil {
		fold = mapping.FoldPatient
	}
	res, err := fold(v.Settings, in)
	if err != nil {
		v.Log.Error("fold failed", "fault", fmt.Sprintf("%T", err))
	}
	return res, err != nil
}

// check checks a set that is to be committed, beside which some others are. The
// error is the store's. A check that panics passes nothing.
func (v *Receiver) check(r store.Reader, set []resource.Resource, beside ...resource.Ref) (checked []validate.Checked, issues []validate.Issue, fault error) {
	defer v.recovered("check", func() { checked, issues = nil, checkFailed })
	exists := func(ref resource.Ref) bool {
		if slices.Contains(beside, ref) {
			return true
		}
		ok, err := r.Exists(ref)
		fault = errors.Join(fault, err)
		return ok
	}
	check := v.Check
	if check == nil {
		check = validate.Check
	}
	checked, issues = check(set, exists, v.Settings.Terms, v.Settings.Codes)
	return checked, issues, fault
}
