package main

import (
	"cmp"
	"encoding/binary"
	"errors"
	"fmt"
	"slices"
	"strings"

	"github.com/google/uuid"

	"nailbridge/conformance/running"
	"nailbridge/internal/generate"
	"nailbridge/mapping"
	"nailbridge/mapping/record"
	"nailbridge/mapping/resource"
)

// kinds is how many cases are folded; the others are made of them.
const kinds = 100

// seed is that of the invented cases.
const seed = 7

// The types stored of each case, in the order of template.texts.
var types = []string{"CarePlan", "Patient", "Procedure"}

// A blank stands in a text where each case has something of its own.
type blank int

const (
	patientNumber blank = iota
	surgeryNumber
	firstID // and the ids after it
)

// piece is a text and the blank after it; none, if it is negative.
type piece struct {
	text  string
	after blank
}

// template is a folded case of which the others are made.
type template struct {
	texts  [][]piece // of types
	system string    // of the patient's number
	ids    []string  // of what is the patient's own, by blank
}

// filledCase is a case made of a template.
type filledCase struct {
	resources []resource.Resource
	patient   record.Identifier
	surgery   string
}

// templates folds the first cases that have a plan, a patient and a procedure.
func templates(s mapping.Settings, n int) ([]template, error) {
	var out []template
	for number := 0; len(out) < n; number++ {
		if number > 20*n+100 {
			return nil, errors.New("too few of the invented cases have a plan")
		}
		rec := generate.Case(running.CaseOf(seed, number), generate.Options{Clinic: s.Clinic.ID, Zone: s.Clinic.Zone, Number: number})[0]
		rs, err := fold(s, rec)
		if err != nil {
			return nil, err
		}
		if t, ok := newTemplate(rec, rs); ok {
			out = append(out, t)
		}
	}
	return out, nil
}

// fold folds one record as its first save does.
func fold(s mapping.Settings, rec *record.Record) ([]resource.Resource, error) {
	if rec.SavedAt == nil || rec.Patient == nil || rec.Patient.Identifier == nil {
		return nil, nil
	}
	text, err := record.Encode(rec)
	if err != nil {
		return nil, err
	}
	d := record.Read(text, s.Clinic.Zone)
	if d.Refused() {
		return nil, nil
	}
	at, _ := rec.SavedAt.In(s.Clinic.Zone)
	res, err := mapping.FoldPatient(s, mapping.PatientFold{
		Patient:    *rec.Patient.Identifier,
		Deliveries: []mapping.Delivery{{Record: d.Record, Findings: d.Findings, Hash: d.Hash, Received: at}},
	})
	return res.Resources, err
}

// newTemplate makes a template of a fold; false where it has not all of types.
func newTemplate(rec *record.Record, rs []resource.Resource) (template, bool) {
	t := template{system: rec.Patient.Identifier.System}
	own := map[string]blank{rec.Patient.Identifier.Value: patientNumber, rec.Record: surgeryNumber}
	for _, r := range rs {
		if !mapping.FoldedPerClinic(r.Type()) {
			own[r.ID()] = firstID + blank(len(t.ids))
			t.ids = append(t.ids, r.ID())
		}
	}
	for _, typ := range types {
		i := slices.IndexFunc(rs, func(r resource.Resource) bool { return r.Type() == typ && r.Tree()["partOf"] == nil })
		if i < 0 {
			return t, false
		}
		t.texts = append(t.texts, pieces(string(rs[i].JSON()), own))
	}
	return t, true
}

// pieces cuts a text at what is a case's own.
func pieces(text string, own map[string]blank) (out []piece) {
	for {
		at, next := len(text), ""
		for name := range own {
			if i := strings.Index(text, name); i >= 0 && i < at {
				at, next = i, name
			}
		}
		if next == "" {
			return append(out, piece{text, -1})
		}
		out = append(out, piece{text[:at], own[next]})
		text = text[at+len(next):]
	}
}

// fill makes the case with a number, of so many.
func (t template) fill(n, of int) (filledCase, error) {
	f := filledCase{patient: record.Identifier{System: t.system, Value: fmt.Sprintf("P-F%07d", n)}, surgery: fmt.Sprintf("S-F%07d", n)}
	for _, pieces := range t.texts {
		var b strings.Builder
		for _, p := range pieces {
			b.WriteString(p.text)
			switch {
			case p.after < 0:
			case p.after == patientNumber:
				b.WriteString(f.patient.Value)
			case p.after == surgeryNumber:
				b.WriteString(f.surgery)
			default:
				b.WriteString(idOf(t.ids[p.after-firstID], n, of))
			}
		}
		r, err := resource.FromJSON([]byte(b.String()))
		if err != nil {
			return f, err
		}
		f.resources = append(f.resources, r)
	}
	return f, nil
}

// idOf is the id that a case has in place of its template's: it rises with the
// number of the case.
func idOf(id string, n, of int) string {
	u := uuid.NewSHA1(uuid.NameSpaceURL, fmt.Appendf(nil, "%s %d", id, n))
	binary.BigEndian.PutUint32(u[:4], uint32(uint64(n)<<32/uint64(cmp.Or(of, 1))))
	return u.String()
}
