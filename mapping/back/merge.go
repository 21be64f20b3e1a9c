package back

import (
	"maps"
	"slices"

	"nailbridge/mapping/record"
)

// mergeOf remembers which patient a merge of numbers is about: of the targets of
// its commit, the Patient that replaces others (D1.5). No encounter tells of it.
func (r *reader) mergeOf(id string, x *res) {
	for _, t := range x.list("target") {
		p := r.target(t)
		if p != nil && p.typ == "Patient" && len(linked(p, "replaces")) > 0 {
			r.merges[id] = p.ref
		}
	}
}

// linked are the links of a Patient of a type.
func linked(p *res, typ string) []*node {
	return slices.DeleteFunc(slices.Clone(p.list("link")), func(l *node) bool { return l.peek("type") != typ })
}

// mergeRecords are the records of merges: each with the numbers that its patient
// replaces. Where several merges are of one patient, the links do not say which
// number each replaced: all stand in the first, and a finding says so.
func (r *reader) mergeRecords() {
	done := map[string]bool{}
	for _, id := range slices.Sorted(maps.Keys(r.merges)) {
		p := r.byRef[r.merges[id]]
		if done[p.ref] {
			r.now = p
			r.find("merges-together", "several merges are of one patient: the numbers replaced stand in the first of them")
			continue
		}
		done[p.ref] = true
		m := &record.Merge{}
		for _, l := range linked(p, "replaces") {
			other := r.follow(l.get("other"))
			if known := r.patientAt(other); known != nil && known.Identifier != nil {
				m.Replaces = append(m.Replaces, *known.Identifier)
				l.take()
			}
		}
		v := &visit{rec: &record.Record{Clinic: r.clinic(), Record: id, Kind: "merge", Merge: m}, patient: p.ref, owner: p.ref}
		r.headerOf(v)
		r.visits = append(r.visits, v)
	}
	r.now = nil
}

func (r *reader) patientAt(x *res) *record.Patient {
	if x == nil {
		return nil
	}
	return r.patients[x.ref]
}

// clinic is the clinic of records that no encounter names one for: the only one
// there is.
func (r *reader) clinic() string {
	found := r.options.Clinic
	for in := r.input; in != nil; in = in.shared {
		for _, x := range in.all {
			if x.typ != "Organization" {
				continue
			}
			if id := r.number(x.node, "clinic"); id != "" {
				found = id
			}
		}
	}
	return found
}
