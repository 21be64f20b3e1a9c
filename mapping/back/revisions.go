package back

import (
	"bytes"
	"slices"
	"strings"
	"time"

	"nailbridge/mapping/record"
)

// Revisions reads every content of each record that was published, out of all
// versions of its resources (history): the records as they stood after each
// commit, each content once, the earlier ones first.
func Revisions(o Options, files ...Input) (Result, error) {
	in, err := parse(files)
	if err != nil {
		return Result{}, err
	}
	var out Result
	for _, group := range in.byPatient() {
		if err := out.revisions(o, group); err != nil {
			return Result{}, err
		}
	}
	slices.SortStableFunc(out.Records, compareRecords)
	out.count(in.all, in.all)
	out.around(in.wrapping)
	return out, nil
}

// revisions adds the contents that the records of a patient had, one commit after another.
func (out *Result) revisions(o Options, in *input) error {
	last := map[string][]byte{}
	for _, t := range in.commits() {
		r := newReader(o, in.at(t))
		for _, rec := range r.records() {
			b, err := record.Encode(rec)
			if err != nil {
				return err
			}
			if bytes.Equal(last[rec.Record], b) {
				continue
			}
			last[rec.Record] = b
			out.Records = append(out.Records, rec)
		}
		out.findAnew(r.findings)
	}
	return nil
}

// findAnew adds the findings that are not there yet: a resource that stays as it
// is is read again after each commit.
func (out *Result) findAnew(fs []Finding) {
	for _, f := range fs {
		if !slices.Contains(out.Findings, f) {
			out.Findings = append(out.Findings, f)
		}
	}
}

// commits are the instants at which a version of a resource came, in order.
func (in *input) commits() []time.Time {
	var out []time.Time
	for _, r := range in.all {
		if !slices.ContainsFunc(out, r.updated.Equal) {
			out = append(out, r.updated)
		}
	}
	slices.SortFunc(out, time.Time.Compare)
	if len(out) > 1 && out[0].IsZero() {
		out = out[1:] // what has no version is there from the first on
	}
	return out
}

// byPatient parts the resources by patient; what is of no patient, such as the
// staff, is in every part.
func (in *input) byPatient() []*input {
	var order []string
	parts := map[string]*input{}
	var common []*res
	owner := map[string]string{}
	now := in.at(time.Time{})
	for _, r := range in.all {
		if p := now.ownerOf(r); p != "" {
			owner[r.ref] = p
		}
	}
	for _, r := range in.all {
		p := owner[r.ref]
		if r.typ == "Provenance" {
			for _, t := range r.list("target") {
				ref, _, _ := strings.Cut(t.peek("reference"), "/_history/")
				if p == "" {
					p = owner[ref]
				}
			}
		}
		if p == "" {
			common = append(common, r)
			continue
		}
		if parts[p] == nil {
			parts[p] = newInput()
			order = append(order, p)
		}
		parts[p].all = append(parts[p].all, r)
	}
	slices.Sort(order)
	var out []*input
	for _, p := range order {
		parts[p].all = append(parts[p].all, common...)
		out = append(out, parts[p])
	}
	return out
}

// ownerOf is the ref of the patient of a resource, "" where it names none.
func (in *input) ownerOf(r *res) string {
	if r.typ == "Patient" {
		return r.ref
	}
	for _, name := range patientNames {
		text := r.peek(name, "reference")
		if p := in.known(text, ""); p != nil && text != "" {
			return p.ref
		}
		if ref := typeAndID(text); ref != "" {
			return ref
		}
	}
	return ""
}
