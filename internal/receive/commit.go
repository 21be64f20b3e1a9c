package receive

import (
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
	if err := c.unlink(owned, made, nil); err != nil {
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
			c.f.differ(was.Content, r)
		}
		if err := c.putOne(ch, c.a.res.CaseOf[r.Ref()], what, activity); err != nil {
			return err
		}
		if had && !was.Deleted && losesLink(was.Content, r) {
			if err := c.w.Mask(r.Ref()); err != nil {
				return err
			}
		}
	}
	return nil
}

func (c *committer) putOne(ch validate.Checked, caseID string, what Change, activity mapping.Activity) error {
	if err := c.take(); err != nil {
		return err
	}
	r := ch.Resource()
	rows, err := c.v.Index.Rows(r)
	if err != nil {
		return err
	}
	ver, err := c.w.Put(c.ownerOf(r.Ref()), caseID, ch, rows)
	if err != nil {
		return err
	}
	c.f.count(r.Ref(), what)
	c.changed(r.Ref(), ver.VersionID, what, caseID)
	if r.Type() != "Provenance" {
		k := provKey{caseID, activity}
		c.prov[k] = append(c.prov[k], mapping.VersionedRef{Ref: r.Ref(), VersionID: ver.VersionID})
	}
	return nil
}

func (c *committer) changed(ref resource.Ref, versionID string, what Change, caseID string) {
	c.f.changes[ref] = change{ResourceVersion: ResourceVersion{Reference: ref.String(), VersionID: versionID, Change: what}, caseID: caseID}
	c.made = append(c.made, mapping.VersionedRef{Ref: ref, VersionID: versionID}.String())
}

// same notes a resource that stays as it is, unless another patient's fold
// changed it in this commit.
func (c *committer) same(ref resource.Ref, versionID string) {
	x, noted := c.f.changes[ref]
	if !noted {
		x = change{ResourceVersion: ResourceVersion{Reference: ref.String(), VersionID: versionID, Change: Same}, caseID: c.a.res.CaseOf[ref]}
	}
	x.folds = append(x.folds, c.a.res.Patient)
	c.f.changes[ref] = x
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
			Commit: fmt.Sprintf("%s-%d", c.stamp.Epoch, c.stamp.Seq), Causes: c.v.causes,
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
