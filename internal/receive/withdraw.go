package receive

import (
	"errors"
	"slices"

	"nailbridge/internal/store"
	"nailbridge/internal/validate"
	"nailbridge/mapping"
	"nailbridge/mapping/resource"
)

// contain does what cannot wait when even the fold without the held arrival
// fails: its sharing value acts, no link names one who may not be named any more,
// and cases that it endangers become entered-in-error. All else stays as it is stored (D2, held).
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
	if err := c.unlink(owned, nil, must.Joined); err != nil {
		return err
	}
	return c.provenance()
}

// takeOff takes everything of an owner from hubs.
func (v *Receiver) takeOff(w store.Writer, a attempt) (*folded, error) {
	owned, err := w.Owned(a.owner)
	if err != nil {
		return nil, err
	}
	f := v.newFolded()
	return f, v.committer(w, a, f).withdraw(owned)
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
		r, changed, err := c.v.enterInError(h.Content, masked)
		if err != nil {
			return err
		}
		if !changed || r.Equal(h.Content) {
			continue
		}
		ok, err := c.checkWithdrawn(r, h, masked)
		if err == nil {
			c.f.differ(h.Content, ok.Resource())
		}
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

// enterInError shows a resource as entered in error.
func (v *Receiver) enterInError(r resource.Resource, masked bool) (out resource.Resource, changed bool, err error) {
	enter := v.EnterInError
	if enter == nil {
		enter = mapping.EnterInError
	}
	return enter(v.Settings, r, masked)
}

// checkWithdrawn checks r, which shows h as entered in error. What was right
// under yesterday's code settings may carry a coding that today's do not permit;
// withdrawing it must not fail for that, and is then done with the masked form,
// which is logged. Where the stored form is still right, the fault is in how it
// was entered in error, and holds the record as any other does (D2, held): only a
// commit of what cannot wait, whose cause was told by then, goes on with less.
func (c *committer) checkWithdrawn(r resource.Resource, h store.Held, masked bool) (validate.Checked, error) {
	ok, err := c.checkOwn(r)
	var failed *outputError
	if masked || !errors.As(err, &failed) {
		return ok, err
	}
	if stood, fault := c.stood(h, failed.issues); fault != nil || !stood && !c.contained {
		return ok, errors.Join(fault, err)
	}
	if r, _, err = c.v.enterInError(h.Content, true); err != nil {
		return ok, err
	}
	if ok, err = c.checkOwn(r); err == nil {
		c.v.logIssues("what is entered in error did not pass the check as it stood, it is shown masked", failed.issues)
	}
	return ok, err
}

// stood reports whether the stored form of h has all the issues too.
func (c *committer) stood(h store.Held, issues []validate.Issue) (bool, error) {
	_, had, err := c.v.check(c.w, []resource.Resource{h.Content})
	for _, i := range issues {
		if !slices.ContainsFunc(had, func(x validate.Issue) bool { return x.Key == i.Key && x.Path == i.Path }) {
			return false, err
		}
	}
	return true, err
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
	c.f.count(h.Ref, Removed)
	c.changed(h.Ref, ver.VersionID, Removed, h.Case)
	return nil
}
