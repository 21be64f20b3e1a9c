package receive

import (
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"

	"nailbridge/internal/store"
	"nailbridge/internal/validate"
	"nailbridge/mapping"
	"nailbridge/mapping/record"
	"nailbridge/mapping/resource"
)

// foldCause says why a patient is folded again.
type foldCause struct {
	// delivery is the arrival that caused it; it is the one held when the
	// fold with it does not pass our own check.
	delivery *store.Delivery
}

// folded gathers what folding one or more patients made and changed.
type folded struct {
	results []mapping.Result
	changes map[resource.Ref]ResourceVersion
	held    bool
	issues  []validate.Issue
}

// foldAll folds each patient again and commits what changed.
func (v *Receiver) foldAll(w store.Writer, patients []record.Identifier, cause foldCause) (*folded, error) {
	f := &folded{changes: map[resource.Ref]ResourceVersion{}}
	for _, p := range patients {
		if err := v.foldPatient(w, p, cause, f); err != nil {
			return nil, err
		}
	}
	return f, nil
}

func (v *Receiver) owner(p record.Identifier) store.Owner {
	return store.Owner{Clinic: v.Settings.Clinic.ID, Patient: mapping.PatientKey(p)}
}

// foldPatient folds one patient. When the output does not pass the check, the
// arrival that caused it is held and the fold is made without it (D2, held).
func (v *Receiver) foldPatient(w store.Writer, p record.Identifier, cause foldCause, f *folded) error {
	owner := v.owner(p)
	in, rows, err := v.gather(w, owner, p)
	if err != nil {
		return err
	}
	res, checked, issues := v.foldChecked(w, in)
	if len(issues) > 0 {
		f.held = true
		f.issues = append(f.issues, issues...)
		v.Log.Error("output did not pass the check", "owner", "patient", "issues", len(issues), "first", issues[0].Key, "path", issues[0].Path, "type", issues[0].Ref.Type)
		if cause.delivery == nil {
			return nil // nothing new came: what is stored stays
		}
		for i := range rows {
			if rows[i].Seq == cause.delivery.Seq {
				in.Deliveries[i].Held = true
			}
		}
		if res, checked, issues = v.foldChecked(w, in); len(issues) > 0 {
			return nil
		}
	}
	f.results = append(f.results, res)
	return v.commit(w, owner, res, checked, f)
}

// gather reads everything that a patient's fold depends on.
func (v *Receiver) gather(w store.Writer, owner store.Owner, p record.Identifier) (mapping.PatientFold, []store.Delivery, error) {
	in := mapping.PatientFold{Patient: p}
	rows, err := w.DeliveriesOf(owner)
	if err != nil {
		return in, nil, err
	}
	in.Deliveries = v.deliveries(rows)
	facts, err := w.Facts(owner)
	if err != nil {
		return in, nil, err
	}
	for _, x := range facts {
		in.Facts = append(in.Facts, mapping.OverdueFact{Case: x.Case, Activity: x.Activity, End: x.End})
	}
	acks, err := w.Acks(owner)
	if err != nil {
		return in, nil, err
	}
	for _, x := range acks {
		var a mapping.Acknowledgement
		if err := json.Unmarshal(x.JSON, &a); err != nil {
			return in, nil, fmt.Errorf("stored acknowledgement: %w", err)
		}
		in.Acks = append(in.Acks, a)
	}
	in.Staff, err = v.staffNamed(w, in.Deliveries)
	return in, rows, err
}

// staffNamed reads the clinic's statements about every person the deliveries
// name.
func (v *Receiver) staffNamed(w store.Writer, ds []mapping.Delivery) ([]mapping.StaffStatement, error) {
	seen := map[string]bool{}
	var out []mapping.StaffStatement
	for _, d := range ds {
		for _, named := range mapping.StaffOf(d.Record, v.Settings.Clinic.Zone) {
			key := named.Person.Key()
			if seen[key] {
				continue
			}
			seen[key] = true
			stored, err := w.Staff(v.Settings.Clinic.ID, key)
			if err != nil {
				return nil, err
			}
			for _, b := range stored {
				var st mapping.StaffStatement
				if err := json.Unmarshal(b, &st); err != nil {
					return nil, fmt.Errorf("stored staff statement: %w", err)
				}
				out = append(out, st)
			}
		}
	}
	return out, nil
}

// foldChecked folds and checks. A fault of the fold itself counts as an issue,
// so that the delivery is kept and held rather than lost.
func (v *Receiver) foldChecked(w store.Writer, in mapping.PatientFold) (res mapping.Result, checked []validate.Checked, issues []validate.Issue) {
	defer func() {
		if p := recover(); p != nil {
			v.Log.Error("fold failed", "fault", fmt.Sprintf("%T", p))
			issues = append(issues, validate.Issue{Key: "fold", Text: "the fold failed"})
		}
	}()
	res, err := mapping.FoldPatient(v.Settings, in)
	if err != nil {
		return res, nil, []validate.Issue{{Key: "fold", Text: "the fold failed"}}
	}
	checked, issues = v.check(w, res.Resources)
	return res, checked, issues
}

func (v *Receiver) check(w store.Writer, set []resource.Resource) ([]validate.Checked, []validate.Issue) {
	exists := func(ref resource.Ref) bool {
		ok, err := w.Exists(ref)
		return err == nil && ok
	}
	return validate.Check(set, exists, v.Settings.Terms, v.Settings.Codes)
}

// commit compares the fold with what is stored and puts only what changed;
// what vanished becomes entered-in-error.
func (v *Receiver) commit(w store.Writer, owner store.Owner, res mapping.Result, checked []validate.Checked, f *folded) error {
	if err := v.replaceLists(w, owner, res); err != nil {
		return err
	}
	owned, err := w.Owned(owner)
	if err != nil {
		return err
	}
	c := &committer{v: v, w: w, owner: owner, res: res, f: f, prov: map[provKey][]mapping.VersionedRef{}}
	if !res.Shared {
		return c.withdraw(owned)
	}
	if err := c.put(owned, checked); err != nil {
		return err
	}
	if err := c.vanish(owned, checked); err != nil {
		return err
	}
	return c.provenance()
}

// committer is one patient's commit.
type committer struct {
	v     *Receiver
	w     store.Writer
	owner store.Owner
	res   mapping.Result
	f     *folded
	stamp *store.Stamp
	prov  map[provKey][]mapping.VersionedRef
}

type provKey struct {
	caseID   string
	activity mapping.Activity
}

// take takes the place in the order on the first change.
func (c *committer) take() error {
	if c.stamp != nil {
		return nil
	}
	s, err := c.w.Stamp(c.v.Clock())
	c.stamp = &s
	return err
}

func (c *committer) ownerOf(ref resource.Ref) store.Owner {
	if mapping.FoldedPerClinic(ref.Type) {
		return store.Owner{Clinic: c.owner.Clinic}
	}
	return c.owner
}

func (c *committer) put(owned []store.Held, checked []validate.Checked) error {
	clinic, err := c.w.Owned(store.Owner{Clinic: c.owner.Clinic})
	if err != nil {
		return err
	}
	before := map[resource.Ref]store.Held{}
	for _, h := range append(owned, clinic...) {
		before[h.Ref] = h
	}
	for _, ch := range checked {
		r := ch.Resource()
		was, had := before[r.Ref()]
		if had && !was.Deleted && was.Content.Equal(r) {
			c.note(r.Ref(), c.v.versionOf(c.w, r.Ref()), Same)
			continue
		}
		change, activity := Created, mapping.ActivityCreate
		if had {
			change, activity = Updated, mapping.ActivityUpdate
		}
		if err := c.putOne(ch, change, activity); err != nil {
			return err
		}
	}
	return nil
}

func (c *committer) putOne(ch validate.Checked, change Change, activity mapping.Activity) error {
	if err := c.take(); err != nil {
		return err
	}
	r := ch.Resource()
	caseID := c.res.CaseOf[r.Ref()]
	ver, err := c.w.Put(c.ownerOf(r.Ref()), caseID, ch, c.v.Index.Rows(r))
	if err != nil {
		return err
	}
	c.note(r.Ref(), ver.VersionID, change)
	if r.Type() != "Provenance" {
		k := provKey{caseID, activity}
		c.prov[k] = append(c.prov[k], mapping.VersionedRef{Ref: r.Ref(), VersionID: ver.VersionID})
	}
	return nil
}

func (c *committer) note(ref resource.Ref, versionID string, change Change) {
	c.f.changes[ref] = ResourceVersion{Reference: ref.String(), VersionID: versionID, Change: change}
}

func (v *Receiver) versionOf(w store.Writer, ref resource.Ref) string {
	ver, err := w.Read(ref)
	if err != nil {
		return ""
	}
	return ver.VersionID
}

// vanish marks what the fold no longer makes (D6), masked when its case now
// belongs to another patient (D1.5).
func (c *committer) vanish(owned []store.Held, checked []validate.Checked) error {
	made := map[resource.Ref]bool{}
	for _, ch := range checked {
		made[ch.Resource().Ref()] = true
	}
	for _, h := range owned {
		if made[h.Ref] || h.Deleted || h.Ref.Type == "Provenance" {
			continue
		}
		masked := slices.Contains(c.res.Moved, h.Case)
		r, changed, err := mapping.EnterInError(c.v.Settings, h.Content, masked)
		if err != nil {
			return err
		}
		if !changed || r.Equal(h.Content) {
			continue
		}
		ok, issues := c.v.check(c.w, []resource.Resource{r})
		if len(issues) > 0 {
			return fmt.Errorf("entered-in-error %s: %s at %s", h.Ref.Type, issues[0].Key, issues[0].Path)
		}
		c.res.CaseOf[h.Ref] = h.Case
		if err := c.putOne(ok[0], EnteredInError, mapping.ActivityNullify); err != nil {
			return err
		}
		if masked {
			if err := c.w.Mask(h.Ref); err != nil {
				return err
			}
		}
	}
	return nil
}

// withdraw takes everything of the patient from every door out: sharing was
// declined, or never agreed (D3.1).
func (c *committer) withdraw(owned []store.Held) error {
	for _, h := range owned {
		if h.Deleted {
			continue
		}
		if err := c.take(); err != nil {
			return err
		}
		ver, err := c.w.Delete(c.owner, h.Ref)
		if err != nil {
			return err
		}
		c.note(h.Ref, ver.VersionID, Removed)
	}
	return nil
}

// provenance adds one Provenance per case and activity over the versions that
// this commit made (D5.9): none when no target changed.
func (c *committer) provenance() error {
	keys := make([]provKey, 0, len(c.prov))
	for k := range c.prov {
		keys = append(keys, k)
	}
	slices.SortFunc(keys, func(a, b provKey) int {
		return strings.Compare(a.caseID+"\x00"+string(a.activity), b.caseID+"\x00"+string(b.activity))
	})
	for _, k := range keys {
		r, err := mapping.MakeProvenance(c.v.Settings, mapping.ProvenanceInput{
			Targets: c.prov[k], Activity: k.activity, Recorded: c.stamp.LastUpdated,
			Sources: sourcesOf(c.res.Sources, k.caseID), Owner: c.owner.Patient, Case: k.caseID,
			Commit: fmt.Sprintf("%s-%d", c.stamp.Epoch, c.stamp.Seq),
		})
		if err != nil {
			return err
		}
		ok, issues := c.v.check(c.w, []resource.Resource{r})
		if len(issues) > 0 {
			return fmt.Errorf("provenance: %s at %s", issues[0].Key, issues[0].Path)
		}
		c.res.CaseOf[r.Ref()] = k.caseID
		if err := c.putOne(ok[0], Created, k.activity); err != nil {
			return err
		}
	}
	return c.announce(keys)
}

func sourcesOf(all []mapping.Source, caseID string) []mapping.Source {
	var out []mapping.Source
	for _, s := range all {
		if caseID == "" || s.Case == caseID {
			out = append(out, s)
		}
	}
	return out
}

// change is the outbox entry of one commit.
type change struct {
	Clinic    string   `json:"clinic"`
	Epoch     string   `json:"epoch"`
	Seq       int64    `json:"seq"`
	Resources []string `json:"resources"`
}

func (c *committer) announce(keys []provKey) error {
	if len(keys) == 0 {
		return nil
	}
	e := change{Clinic: c.owner.Clinic, Epoch: c.stamp.Epoch, Seq: c.stamp.Seq}
	for _, k := range keys {
		for _, t := range c.prov[k] {
			e.Resources = append(e.Resources, t.String())
		}
	}
	b, err := json.Marshal(e)
	if err != nil {
		return err
	}
	return c.w.PutEvent("change", b)
}

// replaceLists renews the clinic's lists of the patient.
func (v *Receiver) replaceLists(w store.Writer, owner store.Owner, res mapping.Result) error {
	var flags []store.Flag
	for _, fl := range res.Flags {
		b, err := json.Marshal(fl)
		if err != nil {
			return err
		}
		flags = append(flags, store.Flag{
			ID: fl.ID, Owner: owner, Case: fl.Case, Code: fl.Code, Level: string(fl.Level),
			InputsHash: fl.InputsHash, Open: fl.Open(), JSON: b,
		})
	}
	if err := w.ReplaceFlags(owner, flags); err != nil {
		return err
	}
	var as []store.Activity
	for _, cs := range res.Cases {
		for _, a := range cs.Activities {
			b, err := json.Marshal(a)
			if err != nil {
				return err
			}
			as = append(as, store.Activity{
				Owner: owner, Case: cs.Surgery, ID: a.ID, Status: string(a.Status),
				Start: a.Window.Start, End: a.Window.End, Open: a.Status.Open(), JSON: b,
			})
		}
	}
	return w.ReplaceActivities(owner, as)
}

// errNoFlag: no such flag in the clinic, or its record is another's.
var errNoFlag = errors.New("no such flag")
