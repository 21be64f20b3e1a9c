// Package convert turns files of records into FHIR without a store: the same
// fold and the same check as the intake, with the clock as an argument.
package convert

import (
	"bufio"
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"slices"
	"time"

	"nailbridge/internal/validate"
	"nailbridge/mapping"
	"nailbridge/mapping/followup"
	"nailbridge/mapping/record"
	"nailbridge/mapping/resource"
)

// Input is one file of records: one JSON object, an array of them, or NDJSON.
type Input struct {
	Name string
	Data []byte
}

// Outcome is what became of one record read.
type Outcome struct {
	Source   string           `json:"source"` // file, and line or position
	Record   string           `json:"record,omitempty"`
	Refused  bool             `json:"refused,omitempty"`
	Findings []record.Finding `json:"findings,omitempty"`
}

// Result of Convert.
type Result struct {
	Resources []resource.Resource // of all shared patients, by type and id
	Records   []Outcome           // in the order read
	Flags     []mapping.Flag
	Letters   []mapping.Letter // of the cases of shared patients, by case
	Waiting   []string         // record ids of visits without their surgery
	NotShared int              // patients left out, since they are not shared (D3.1)
	Issues    []validate.Issue // our own output that did not pass; its patients are left out
}

// Convert folds every patient of the records of some clinics, each under the
// settings of its own. asOf stands for the time of reception and for the clock:
// windows that ended by then are overdue.
func Convert(clinics []mapping.Settings, files []Input, asOf time.Time) (Result, error) {
	var out Result
	byClinic := map[string]patients{}
	for _, f := range files {
		err := Split(f, func(source string, text []byte) error {
			s, d := readFor(clinics, text)
			del, findings := delivered(s, d, asOf)
			out.Records = append(out.Records, Outcome{Source: source, Record: d.Record.Record, Refused: del.Refused, Findings: findings})
			byClinic[s.Clinic.ID] = byClinic[s.Clinic.ID].with(s, del)
			return nil
		})
		if err != nil {
			return out, err
		}
	}
	for _, s := range clinics {
		if err := out.clinic(s, byClinic[s.Clinic.ID], asOf); err != nil {
			return out, err
		}
	}
	resource.Sort(out.Resources)
	return out, nil
}

// patients are the deliveries that name each patient of a clinic.
type patients map[record.Identifier][]mapping.Delivery

// with takes in a delivery that counts for a fold.
func (p patients) with(s mapping.Settings, d mapping.Delivery) patients {
	if d.Refused && !d.EndsSharing(s.Clinic) { // D3.1
		return p
	}
	if p == nil {
		p = patients{}
	}
	id := *d.Record.Patient.Identifier
	p[id] = append(p[id], d)
	return p
}

// delivered is a record as it reached a clinic, and what was found: one of another
// clinic is refused.
func delivered(s mapping.Settings, d record.Decoded, asOf time.Time) (mapping.Delivery, []record.Finding) {
	del := mapping.Delivery{Record: d.Record, Findings: d.Findings, Hash: d.Hash, Received: asOf, Refused: d.NotJSON || d.Refused()}
	if d.Record.Clinic == s.Clinic.ID || del.Refused {
		return del, d.Findings
	}
	del.Refused = true
	return del, append(slices.Clip(d.Findings), record.Finding{Severity: record.Refusal, Code: "other-clinic", Pointer: "/clinic",
		Text: "the record is of another clinic than the settings name", Rule: "D2.1"})
}

// Records folds the records of one clinic, each one JSON object, as Convert does, and gives
// them beside the result as they were read.
func Records(s mapping.Settings, records [][]byte, asOf time.Time) (Result, []mapping.Delivery, error) {
	var out Result
	var all patients
	read := make([]mapping.Delivery, len(records))
	for i, text := range records {
		read[i], _ = delivered(s, record.Read(text, s.Clinic.Zone), asOf)
		all = all.with(s, read[i])
	}
	err := out.clinic(s, all, asOf)
	resource.Sort(out.Resources)
	return out, read, err
}

// readFor reads a record under the settings of the clinic that it names; one
// that names none of them, under no clinic's but those of the only one.
func readFor(clinics []mapping.Settings, text []byte) (mapping.Settings, record.Decoded) {
	d := record.Read(text, clinics[0].Clinic.Zone)
	for i, s := range clinics {
		if s.Clinic.ID != d.Record.Clinic {
			continue
		}
		if i > 0 {
			d = record.Read(text, s.Clinic.Zone)
		}
		return s, d
	}
	if len(clinics) == 1 {
		return clinics[0], d
	}
	return mapping.Settings{}, d
}

// clinic folds the patients of a clinic.
func (out *Result) clinic(s mapping.Settings, byPatient patients, asOf time.Time) error {
	var all []*made
	for _, in := range foldsOf(s, byPatient) {
		m, err := out.patient(s, in, asOf)
		if err != nil {
			return err
		}
		if m != nil {
			all = append(all, m)
		}
	}
	out.check(s, all)
	clinic := map[resource.Ref]resource.Resource{}
	for _, m := range all {
		if !m.failed {
			out.add(m, clinic)
		}
	}
	for _, r := range clinic {
		out.Resources = append(out.Resources, r)
	}
	return nil
}

// foldsOf are the patients of a clinic with all that their folds rest on.
func foldsOf(s mapping.Settings, byPatient patients) []mapping.PatientFold {
	var folds []mapping.PatientFold
	for _, p := range sortedPatients(byPatient) {
		folds = append(folds, mapping.PatientFold{Patient: p, Deliveries: everyNamed(byPatient, p)})
	}
	folds = mapping.Join(s, folds)
	var staff []mapping.StaffStatement
	for _, in := range folds {
		staff = append(staff, mapping.StaffPublished(s, in)...)
	}
	for i := range folds {
		folds[i].Staff = staff
	}
	return slices.DeleteFunc(folds, func(in mapping.PatientFold) bool { // a refusal alone folds nobody
		of := byPatient[in.Patient]
		return len(of) > 0 && !slices.ContainsFunc(of, func(d mapping.Delivery) bool { return !d.Refused }) && len(in.Merges) == 0
	})
}

// made is what one shared patient's fold made, and whether it does not pass.
type made struct {
	res    mapping.Result
	set    []resource.Resource // with Provenance
	failed bool
}

// patient folds one patient, with the facts of windows that ended by asOf; nil
// for one who is not shared.
func (out *Result) patient(s mapping.Settings, in mapping.PatientFold, asOf time.Time) (*made, error) {
	res, err := foldAsOf(s, in, asOf)
	if err != nil {
		return nil, err
	}
	out.Flags = append(out.Flags, res.Flags...)
	out.Waiting = append(out.Waiting, res.Waiting...)
	if !res.Shared {
		if len(in.Deliveries) > 0 { // else known by its number alone
			out.NotShared++
		}
		return nil, nil
	}
	prov, err := provenance(s, res, asOf)
	if err != nil {
		return nil, err
	}
	return &made{res: res, set: append(res.Resources, prov...)}, nil
}

// check checks what each patient's fold made. A Patient may name another's (D1.5),
// which is not there to be named where that one does not pass.
func (out *Result) check(s mapping.Settings, all []*made) {
	for again := true; again; {
		again = false
		patients := map[resource.Ref]bool{}
		for _, m := range all {
			for _, r := range m.set {
				patients[r.Ref()] = patients[r.Ref()] || r.Type() == "Patient" && !m.failed
			}
		}
		exists := func(ref resource.Ref) bool { return patients[ref] }
		for _, m := range all {
			if m.failed {
				continue
			}
			if _, issues := validate.Check(m.set, exists, s.Terms, s.Codes); len(issues) > 0 {
				out.Issues = append(out.Issues, issues...)
				m.failed, again = true, true
			}
		}
	}
}

// add takes over what passed; what is folded per clinic is there once.
func (out *Result) add(m *made, clinic map[resource.Ref]resource.Resource) {
	out.Letters = append(out.Letters, m.res.Letters...)
	for _, r := range m.set {
		if mapping.FoldedPerClinic(r.Type()) {
			clinic[r.Ref()] = r
			continue
		}
		out.Resources = append(out.Resources, r)
	}
}

// foldAsOf folds until no further window has ended: a fact may open nothing
// new, so two rounds are enough; a third would be a fault.
func foldAsOf(s mapping.Settings, in mapping.PatientFold, asOf time.Time) (mapping.Result, error) {
	for round := 0; ; round++ {
		res, err := mapping.FoldPatient(s, in)
		if err != nil {
			return res, err
		}
		facts := Ended(res, asOf)
		if len(facts) == len(in.Facts) {
			return res, nil
		}
		if round == 2 {
			return res, fmt.Errorf("facts of the clock do not settle")
		}
		in.Facts = facts
	}
}

// Ended lists the facts of a fold's open activities whose window ended by now
// (D1.6).
func Ended(res mapping.Result, now time.Time) []mapping.OverdueFact {
	var out []mapping.OverdueFact
	for _, c := range res.Cases {
		for _, a := range c.Activities {
			if followup.State(a, now) == followup.Overdue {
				out = append(out, mapping.OverdueFact{Case: c.Surgery, Activity: a.ID, End: a.Window.End})
			}
		}
	}
	return out
}

// provenance says of each case, and of what is folded per patient, which
// records it comes from.
func provenance(s mapping.Settings, res mapping.Result, asOf time.Time) ([]resource.Resource, error) {
	byCase := map[string][]mapping.VersionedRef{}
	var cases []string
	for _, r := range res.Resources {
		c := res.CaseOf[r.Ref()]
		if byCase[c] == nil {
			cases = append(cases, c)
		}
		byCase[c] = append(byCase[c], mapping.VersionedRef{Ref: r.Ref()})
	}
	slices.Sort(cases)
	var out []resource.Resource
	for _, c := range cases {
		in := mapping.ProvenanceInput{
			Targets: byCase[c], Activity: mapping.ActivityCreate, Recorded: asOf,
			Owner: mapping.PatientKey(res.Patient), Case: c, Commit: "file",
		}
		for _, src := range res.Sources {
			if c == "" || src.Case == c {
				in.Sources = append(in.Sources, src)
			}
		}
		r, err := mapping.MakeProvenance(s, in)
		if err != nil {
			return nil, err
		}
		out = append(out, r)
	}
	return out, nil
}

// everyNamed gives the deliveries that the patient's fold sees: all of every
// record id that ever named the patient, and of the surgeries that these name,
// though they may be another patient's.
func everyNamed(by map[record.Identifier][]mapping.Delivery, p record.Identifier) []mapping.Delivery {
	ids := map[string]bool{}
	for _, d := range by[p] {
		ids[d.Record.Record], ids[d.Record.Case()] = true, true
	}
	var out []mapping.Delivery
	for _, q := range sortedPatients(by) {
		for _, d := range by[q] {
			if ids[d.Record.Record] {
				out = append(out, d)
			}
		}
	}
	return out
}

func sortedPatients(by map[record.Identifier][]mapping.Delivery) []record.Identifier {
	out := make([]record.Identifier, 0, len(by))
	for p := range by {
		out = append(out, p)
	}
	slices.SortFunc(out, func(a, b record.Identifier) int { return bytes.Compare([]byte(a.Key()), []byte(b.Key())) })
	return out
}

// Split calls fn with each record of a file: an object over any lines, each
// line of NDJSON, or each element of an array. The first error ends it.
func Split(f Input, fn func(source string, text []byte) error) error {
	text := bytes.TrimSpace(f.Data)
	if bytes.HasPrefix(text, []byte("[")) {
		var items []json.RawMessage
		if err := json.Unmarshal(text, &items); err != nil {
			return fmt.Errorf("%s: not a JSON array", f.Name)
		}
		for i, item := range items {
			if err := fn(fmt.Sprintf("%s[%d]", f.Name, i), item); err != nil {
				return err
			}
		}
		return nil
	}
	if json.Valid(text) || !ndjson(text) {
		return fn(f.Name, text)
	}
	in := bufio.NewReader(bytes.NewReader(text))
	for n := 1; ; n++ {
		l, err := in.ReadBytes('\n')
		if l = bytes.TrimSpace(l); len(l) > 0 {
			if err := fn(fmt.Sprintf("%s:%d", f.Name, n), l); err != nil {
				return err
			}
		}
		if err == io.EOF {
			return nil
		}
		if err != nil {
			return fmt.Errorf("%s: %w", f.Name, err)
		}
	}
}

// ndjson reports that text, which is no JSON value as a whole, holds one on a
// line of its own: a bad line then costs no other.
func ndjson(text []byte) bool {
	lines := bytes.Split(text, []byte("\n"))
	return len(lines) > 1 && slices.ContainsFunc(lines, func(l []byte) bool { return json.Valid(bytes.TrimSpace(l)) })
}
