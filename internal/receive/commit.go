package receive

import (
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"

	"nailbridge/internal/store"
	"nailbridge/internal/validate"
	"nailbridge/mapping"
	"nailbridge/mapping/resource"
)

// commit compares the fold with what is stored and puts only what changed;
// what vanished becomes entered-in-error.
func (v *Receiver) commit(w store.Writer, a attempt, f *folded) error {
	flags, err := w.Flags(a.owner)
	if err != nil {
		return err
	}
	if err := v.replaceLists(w, a); err != nil {
		return err
	}
	owned, err := w.Owned(a.owner)
	if err != nil {
		return err
	}
	f.results = append(f.results, a.res)
	f.raise(a, flags)
	c := v.committer(w, a, f)
	if !a.res.Shared {
		return c.withdraw(owned)
	}
	clinic, err := w.Owned(store.Owner{Clinic: a.owner.Clinic})
	if err != nil {
		return err
	}
	if err := c.put(owned, clinic); err != nil {
		return err
	}
	made := map[resource.Ref]bool{}
	for _, ch := range a.checked {
		made[ch.Resource().Ref()] = true
	}
	if err := c.vanish(owned, func(h store.Held) bool { return !made[h.Ref] }); err != nil {
		return err
	}
	if err := c.endRoles(clinic, made); err != nil {
		return err
	}
	if err := c.provenance(); err != nil {
		return err
	}
	return c.announceFlags(flags, owned)
}

// openFlags are the open ones of stored flags, by what makes a flag another.
func openFlags(stored []store.Flag) map[[2]string]bool {
	out := map[[2]string]bool{}
	for _, fl := range stored {
		if fl.Open {
			out[[2]string{fl.ID, fl.InputsHash}] = true
		}
	}
	return out
}

// raise notes the patient's open flags that were not open among those stored
// before.
func (f *folded) raise(a attempt, before []store.Flag) {
	was := openFlags(before)
	for _, fl := range a.res.Flags {
		if fl.Open() && !was[[2]string{fl.ID, fl.InputsHash}] {
			f.raised = append(f.raised, raised{a.res.Patient, fl})
		}
	}
}

// contain does what cannot wait when even the fold without the held arrival
// fails: its sharing value acts, and cases that it endangers become
// entered-in-error. All else stays as it is stored (D2, held).
func (v *Receiver) contain(w store.Writer, a attempt, f *folded) error {
	must := mapping.Contain(v.Settings, a.in)
	owned, err := w.Owned(a.owner)
	if err != nil {
		return err
	}
	a.res = mapping.Result{Patient: a.in.Patient, Moved: must.Moved, CaseOf: map[resource.Ref]string{}}
	c := v.committer(w, a, f)
	c.contained = true
	if !must.Sharing.Shared {
		return c.withdraw(owned)
	}
	if err := c.vanish(owned, func(h store.Held) bool { return slices.Contains(must.Endangered, h.Case) }); err != nil {
		return err
	}
	return c.provenance()
}

// committer is one patient's commit.
type committer struct {
	v     *Receiver
	w     store.Writer
	a     attempt
	f     *folded
	stamp *store.Stamp
	made  []string // versions of this patient's part of the commit
	// contained: nothing that our own check finds may stop the commit.
	contained bool
	prov      map[provKey][]mapping.VersionedRef
}

// provKey is what one Provenance tells of: one case and one activity.
type provKey struct {
	caseID   string
	activity mapping.Activity
}

func (v *Receiver) committer(w store.Writer, a attempt, f *folded) *committer {
	return &committer{v: v, w: w, a: a, f: f, prov: map[provKey][]mapping.VersionedRef{}}
}

// take takes the place in the order on the first change.
func (c *committer) take() error {
	if c.stamp != nil {
		return nil
	}
	s, err := c.w.Stamp(c.v.Clock())
	c.stamp, c.f.stamp = &s, &s
	return err
}

func (c *committer) ownerOf(ref resource.Ref) store.Owner {
	if mapping.FoldedPerClinic(ref.Type) {
		return store.Owner{Clinic: c.a.owner.Clinic}
	}
	return c.a.owner
}

// put puts what differs from what the patient and the clinic own.
func (c *committer) put(owned, clinic []store.Held) error {
	before := map[resource.Ref]store.Held{}
	for _, h := range slices.Concat(owned, clinic) {
		before[h.Ref] = h
	}
	for _, ch := range c.a.checked {
		r := ch.Resource()
		was, had := before[r.Ref()]
		if had && !was.Deleted && was.Content.Equal(r) {
			c.same(r.Ref(), was.VersionID)
			continue
		}
		what, activity := Created, mapping.ActivityCreate
		if had {
			what, activity = Updated, mapping.ActivityUpdate
		}
		if err := c.putOne(ch, c.a.res.CaseOf[r.Ref()], what, activity); err != nil {
			return err
		}
	}
	return nil
}

func (c *committer) putOne(ch validate.Checked, caseID string, what Change, activity mapping.Activity) error {
	if err := c.take(); err != nil {
		return err
	}
	r := ch.Resource()
	ver, err := c.w.Put(c.ownerOf(r.Ref()), caseID, ch, c.v.Index.Rows(r))
	if err != nil {
		return err
	}
	c.changed(r.Ref(), ver.VersionID, what, caseID)
	if r.Type() != "Provenance" {
		k := provKey{caseID, activity}
		c.prov[k] = append(c.prov[k], mapping.VersionedRef{Ref: r.Ref(), VersionID: ver.VersionID})
	}
	return nil
}

func (c *committer) changed(ref resource.Ref, versionID string, what Change, caseID string) {
	c.f.changes[ref] = change{ResourceVersion{Reference: ref.String(), VersionID: versionID, Change: what}, caseID}
	c.made = append(c.made, mapping.VersionedRef{Ref: ref, VersionID: versionID}.String())
}

// same notes a resource that stays as it is, unless another patient's fold
// changed it in this commit.
func (c *committer) same(ref resource.Ref, versionID string) {
	if _, changed := c.f.changes[ref]; !changed {
		c.f.changes[ref] = change{ResourceVersion{Reference: ref.String(), VersionID: versionID, Change: Same}, c.a.res.CaseOf[ref]}
	}
}

// vanish marks what the fold no longer makes (D6), masked when its case now
// belongs to another patient (D1.5).
func (c *committer) vanish(owned []store.Held, gone func(store.Held) bool) error {
	for _, h := range owned {
		if h.Deleted || h.Ref.Type == "Provenance" || !gone(h) {
			continue
		}
		// What is folded per patient carries no case: it is masked when it
		// vanishes in the commit that takes a record away from the patient.
		masked := slices.Contains(c.a.res.Moved, h.Case) || h.Case == "" && c.a.moved && !mapping.FoldedPerClinic(h.Ref.Type)
		r, changed, err := mapping.EnterInError(c.v.Settings, h.Content, masked)
		if err != nil {
			return err
		}
		if !changed || r.Equal(h.Content) {
			continue
		}
		ok, err := c.checkWithdrawn(r, h, masked)
		if c.contained && isOutput(err) {
			err = c.remove(h) // what cannot be shown as entered in error may not stay
		} else if err == nil {
			err = c.putOne(ok, h.Case, EnteredInError, mapping.ActivityNullify)
		}
		if err != nil {
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

// checkWithdrawn checks r, which shows h as entered in error. What was right
// under yesterday's code settings may carry a coding that today's do not permit;
// withdrawing it must not fail for that, and is then done with the masked form.
func (c *committer) checkWithdrawn(r resource.Resource, h store.Held, masked bool) (validate.Checked, error) {
	ok, err := c.checkOwn(r)
	if masked || !isOutput(err) {
		return ok, err
	}
	r, _, err = mapping.EnterInError(c.v.Settings, h.Content, true)
	if err != nil {
		return ok, err
	}
	return c.checkOwn(r)
}

// isOutput reports an outputError.
func isOutput(err error) bool {
	var failed *outputError
	return errors.As(err, &failed)
}

// endRoles ends the role at the clinic of those whom this fold names and of
// whom nothing published states a role any more (D3.1, D6). clinic is what the
// clinic owned before.
func (c *committer) endRoles(clinic []store.Held, made map[resource.Ref]bool) error {
	return c.vanish(clinic, func(h store.Held) bool {
		return h.Ref.Type == "PractitionerRole" && !made[h.Ref] && slices.ContainsFunc(h.Content.References(), func(s string) bool {
			ref, ok := resource.ParseRef(s)
			return ok && ref.Type == "Practitioner" && made[ref]
		})
	})
}

// checkOwn checks a resource that the commit adds of its own. One that does not
// pass is an outputError.
func (c *committer) checkOwn(r resource.Resource) (validate.Checked, error) {
	ok, issues, err := c.v.check(c.w, []resource.Resource{r})
	if err != nil {
		return validate.Checked{}, err
	}
	if len(issues) > 0 {
		return validate.Checked{}, &outputError{issues}
	}
	return ok[0], nil
}

// withdraw takes everything of the patient from every door out: sharing was
// declined, or never agreed (D3.1).
func (c *committer) withdraw(owned []store.Held) error {
	for _, h := range owned {
		if h.Deleted {
			continue
		}
		if err := c.remove(h); err != nil {
			return err
		}
	}
	return c.announce()
}

// remove takes one resource out.
func (c *committer) remove(h store.Held) error {
	if err := c.take(); err != nil {
		return err
	}
	ver, err := c.w.Delete(c.ownerOf(h.Ref), h.Ref)
	if err != nil {
		return err
	}
	c.changed(h.Ref, ver.VersionID, Removed, h.Case)
	return nil
}

// provenance adds one Provenance per case and activity over the versions that
// this commit made (D5.9): none when no target changed.
func (c *committer) provenance() error {
	keys := slices.SortedFunc(maps.Keys(c.prov), func(a, b provKey) int {
		return strings.Compare(a.caseID+"\x00"+string(a.activity), b.caseID+"\x00"+string(b.activity))
	})
	for _, k := range keys {
		r, err := mapping.MakeProvenance(c.v.Settings, mapping.ProvenanceInput{
			Targets: c.prov[k], Activity: k.activity, Recorded: c.stamp.LastUpdated,
			Sources: sourcesOf(c.a.res.Sources, k.caseID), Owner: c.a.owner.Patient, Case: k.caseID,
			Commit: fmt.Sprintf("%s-%d", c.stamp.Epoch, c.stamp.Seq),
		})
		if err != nil {
			return err
		}
		ok, err := c.checkOwn(r)
		if c.contained && isOutput(err) {
			continue
		}
		if err != nil {
			return err
		}
		if err := c.putOne(ok, k.caseID, Created, k.activity); err != nil {
			return err
		}
	}
	return c.announce()
}

// sourcesOf are the sources of a case, or all for what is folded per patient.
func sourcesOf(all []mapping.Source, caseID string) []mapping.Source {
	var out []mapping.Source
	for _, s := range all {
		if caseID == "" || s.Case == caseID {
			out = append(out, s)
		}
	}
	return out
}

// replaceLists renews the clinic's lists of the patient.
func (v *Receiver) replaceLists(w store.Writer, a attempt) error {
	flags, as, err := a.lists()
	if err != nil {
		return err
	}
	if err := w.ReplaceFlags(a.owner, flags); err != nil {
		return err
	}
	if err := w.ReplaceActivities(a.owner, as); err != nil {
		return err
	}
	return w.SetWaiting(a.owner, v.waitingRows(a))
}

// lists are the patient's flags and activities for the clinic's lists.
func (a attempt) lists() (flags []store.Flag, as []store.Activity, err error) {
	for _, fl := range a.res.Flags {
		b, err := json.Marshal(fl)
		if err != nil {
			return nil, nil, err
		}
		flags = append(flags, store.Flag{
			ID: fl.ID, Owner: a.owner, Case: fl.Case, Code: fl.Code, Level: string(fl.Level),
			InputsHash: fl.InputsHash, Open: fl.Open(), JSON: b,
		})
	}
	for _, cs := range a.res.Cases {
		for _, x := range cs.Activities {
			b, err := json.Marshal(x)
			if err != nil {
				return nil, nil, err
			}
			as = append(as, store.Activity{
				Owner: a.owner, Case: cs.Surgery, ID: x.ID, Status: string(x.Status),
				Start: x.Window.Start, End: x.Window.End, Open: x.Status.Open(), JSON: b,
			})
		}
	}
	return flags, as, nil
}

// waitingRows are the deliveries, by number, that wait for their surgery: the
// current ones of the record ids that do.
func (v *Receiver) waitingRows(a attempt) []int64 {
	var out []int64
	for _, id := range a.res.Waiting {
		var rows []store.Delivery
		for i, row := range a.rows {
			if a.in.Deliveries[i].Record.Record == id {
				rows = append(rows, row)
			}
		}
		if i := v.currentRow(rows); i >= 0 {
			out = append(out, rows[i].Seq)
		}
	}
	return out
}
