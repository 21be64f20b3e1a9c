package receive

import (
	"slices"

	"nailbridge/internal/store"
	"nailbridge/mapping"
	"nailbridge/mapping/record"
	"nailbridge/mapping/resource"
)

// A merge joins the folds of several patients (D1.5): what is received of one may
// change what the others show, and the store knows of each whom merges join to it.

// keepMerged notes whom a delivery names that is a merge, a refused one too: it
// is among what is erased with each of them.
func (v *Receiver) keepMerged(w store.Writer, row store.Delivery, r *record.Record) error {
	if r.Merge == nil {
		return nil
	}
	var keys []string
	for _, id := range r.Names() {
		keys = append(keys, mapping.PatientKey(id))
	}
	return w.SetMerged(row, keys)
}

// gatherMerges reads the merges that concern a patient, and who of those whom
// they name may be named.
func (v *Receiver) gatherMerges(r store.Reader, in *mapping.PatientFold, o store.Owner) error {
	rows, err := r.Merges(o)
	if err != nil {
		return err
	}
	in.Merges = v.deliveries(rows)
	for _, other := range mapping.MergeNames(in.Merges) {
		if other == in.Patient {
			continue
		}
		of, err := r.DeliveriesOf(store.Owner{Clinic: o.Clinic, Patient: mapping.PatientKey(other)})
		if err != nil {
			return err
		}
		if mapping.MayLeave(v.Settings, v.deliveries(of), other) {
			in.Joined = append(in.Joined, other)
		}
	}
	return nil
}

// losesLink reports that a Patient no longer names another. Its earlier versions
// may then not be read any more: the other is not shared (D3.1), or was named
// for this person wrongly (D1.5).
func losesLink(was, is resource.Resource) bool {
	if is.Type() != "Patient" {
		return false
	}
	named := is.References()
	return slices.ContainsFunc(was.References(), func(s string) bool {
		ref, ok := resource.ParseRef(s)
		return ok && ref.Type == "Patient" && !slices.Contains(named, s)
	})
}

// unlink takes links back from Patients that the fold did not make, but those to
// some others.
func (c *committer) unlink(owned []store.Held, made map[resource.Ref]bool, keep []resource.Ref) error {
	for _, h := range owned {
		if h.Deleted || h.Ref.Type != "Patient" || made[h.Ref] {
			continue
		}
		r, changed, err := mapping.Unlink(h.Content, keep)
		if err != nil {
			return err
		}
		if !changed {
			continue
		}
		ok, err := c.checkOwn(r)
		switch {
		case c.contained && isOutput(err):
			err = c.remove(h)
		case err == nil:
			err = c.putOne(ok, h.Case, Updated, mapping.ActivityUpdate)
		}
		if err != nil {
			return err
		}
		if err := c.w.Mask(h.Ref); err != nil {
			return err
		}
	}
	return nil
}
