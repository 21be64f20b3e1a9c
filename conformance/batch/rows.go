package main

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"time"

	"nailbridge/conformance/running"
	"nailbridge/testdata"
)

// export is a generated export: its files of surgeries and of reviews, its layout and its
// settings.
type export struct{ surgeries, reviews, layout, settings string }

// files are the files that a conversion reads.
func (e export) files() []string { return []string{e.surgeries, e.reviews} }

// What a row of the export draws from: the words of the shipped one, and such as the rules
// of trade shorthand have as examples.
var (
	surnames   = []string{"Ashgrove", "Marsh", "Quell", "Bracken", "Fenwick", "Thornby", "Oakes", "Pell", "Rushmere", "Sallow", "Tarn", "Wickes"}
	givenNames = []string{"Tilda", "Owen", "Ines", "Joss", "Ada", "Bram", "Cora", "Dov", "Edda", "Finn", "Gwen", "Hale"}
	clinicians = []string{"HB", "JT"}
	sides      = []string{"R", "L"}
	toes       = []string{"hallux", "hallux", "hallux", "hallux", "1st", "big toe", "great toe", "2nd", "3rd", "5th"}
	borders    = []string{"lat", "lat", "med", "both borders", "fibular", "tibial"}
	blocks     = []string{"ligno 2% 3ml plain", "mepivacaine 3% 2x1.8", "2% lignocaine 3 ml", "ligno 1% 4ml", "lido 1% 4ml adr 1:200,000", ""}
	chemicals  = []string{"89% phenol 3x1 min", "phenol 60s x 3", "phenol 3 min", "NaOH 10% 2x30s", "phenol 89% 3x1 min", "no phenol", ""}
	dressings  = []string{"paraffin gauze", "non-adh", "pressure drsg", "non adherent + pressure drsg", ""}
	outcomes   = []string{"no infection, dry scab", "healed, d/c", "healed", "DNA", "dry scab"}
	notes      = []string{"", "", "", "", "tolerated well", "phone call next day, comfortable", "lives alone, daughter will drive", "asked about swimming: after four weeks"}
)

// twoSides is a side that only a person can decide, so that its row waits in the worksheet.
const twoSides = "R/L"

// Of so many rows one waits in the worksheet, one lacks a key and is rejected, one is
// delivered again, and one is a header that a program repeated.
const (
	oneWaits, oneLacksKey, oneAgain, oneHeader = 50, 400, 300, 1000
)

// perPatient is how many surgeries a patient has in the mean.
const perPatient = 1.5

// Of so many rows so many are reviews, each of a surgery whose row is converted.
const reviewsOf, reviewsIn = 3, 5

// reviewsTable describes the reviews, after the shipped workbook's second sheet.
const reviewsTable = `{"url": "reviews.csv", "dialect": {"delimiter": ";", "encoding": "utf-8"}, "tableSchema": {
 "primaryKey": "review",
 "foreignKeys": [{"columnReference": "op", "reference": {"resource": "surgeries*.csv", "columnReference": "op"}}],
 "columns": [
  {"titles": "RevNo", "name": "review", "required": true},
  {"titles": "OpNo", "name": "op", "required": true},
  {"titles": "Pat No", "name": "patient", "required": true, "https://nailbridge.example/layout": {"path": "/patient/identifier/value"}},
  {"titles": "Seen", "name": "seen", "datatype": {"base": "date", "format": "dd/MM/yyyy"}, "https://nailbridge.example/layout": {"path": "/review/at"}},
  {"titles": "Clinician", "name": "by", "https://nailbridge.example/layout": {"path": "/review/reviewer/staffKey", "crosswalk": "staff"}},
  {"titles": "Outcome", "name": "outcome", "https://nailbridge.example/layout": {"read": ["attendance", "wound", "exudate", "finding", "diagnosis", "regrowth", "discharge"]}}]},
 "https://nailbridge.example/layout": {"kind": "review", "clinic": "brindlemere", "zone": "Europe/London", "recordPrefix": "old-review-", "version": "1",
  "constants": {"/patient/identifier/system": "https://brindlemere.example/id/patient", "/author/staffKey": "records-office"},
  "crosswalks": {"staff": {"url": "staff.csv", "from": "initials", "to": "key"}}}}`

const reviewsHead = "RevNo;OpNo;Pat No;Seen;Clinician;Outcome\n"

// write writes an export of so many rows into a folder, from a seed, the same rows for the
// same seed, and beside it what it needs of the shipped one.
func write(dir, shipped string, rows int, seed uint64) (export, error) {
	e := export{filepath.Join(dir, "surgeries.csv"), filepath.Join(dir, "reviews.csv"), filepath.Join(dir, "export.layout.json"), filepath.Join(dir, "settings.json")}
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return e, err
	}
	head, err := beside(e, shipped)
	if err != nil {
		return e, err
	}
	reviews := rows * reviewsOf / reviewsIn
	surgeries := rows - reviews
	err = writeRows(e.surgeries, head, surgeries, func(n int) string { return row(head, n, surgeries, seed) })
	if err != nil {
		return e, err
	}
	return e, writeRows(e.reviews, reviewsHead, reviews, func(n int) string { return review(n, surgeries, seed) })
}

// writeRows writes a file of a header and so many rows.
func writeRows(path, head string, rows int, row func(n int) string) error {
	f, err := os.Create(path)
	if err != nil {
		return err
	}
	w := bufio.NewWriterSize(f, 1<<16)
	_, err = w.WriteString(head)
	for n := 0; n < rows && err == nil; n++ {
		_, err = w.WriteString(row(n))
	}
	return errors.Join(err, w.Flush(), f.Close())
}

// beside writes the layout, the settings and the crosswalk of an export, and gives its
// header with the line's end. The layout is the shipped one with wider keys and without the
// crosswalk of patients, which lists the shipped ones alone, and the table of the reviews.
func beside(e export, shipped string) (head string, err error) {
	read := func(name string) []byte {
		b, fault := os.ReadFile(filepath.Join(shipped, name))
		err = errors.Join(err, fault)
		return b
	}
	file, layout, staff, patients := read("surgeries.csv"), read("surgeries.layout.json"), read("staff.csv"), read("patients.csv")
	layout = bytes.ReplaceAll(layout, []byte("[0-9]{6}"), []byte("[0-9]{8}"))
	layout = bytes.Replace(layout, []byte(`, "crosswalk": "patients"`), nil, 1)
	if err != nil {
		return "", err
	}
	layout = fmt.Appendf(nil, `{"@context": "http://www.w3.org/ns/csvw", "tables": [%s, %s]}`,
		bytes.Replace(layout, []byte(`"@context": "http://www.w3.org/ns/csvw",`), nil, 1), reviewsTable)
	dir := filepath.Dir(e.surgeries)
	for path, text := range map[string][]byte{e.layout: layout, e.settings: testdata.Settings(),
		filepath.Join(dir, "staff.csv"): staff, filepath.Join(dir, "patients.csv"): patients} {
		err = errors.Join(err, os.WriteFile(path, text, 0o600))
	}
	line, _, _ := strings.Cut(string(file), "\n")
	return line + "\n", err
}

// surgery is what a review repeats of the row of its surgery.
type surgery struct {
	key, side string
	patient   int
	day       time.Time
}

// drawn begins a row of the surgeries; r gives the rest of it.
func drawn(n, rows int, seed uint64) (s surgery, r *rand.Rand) {
	r = running.CaseOf(seed, n)
	s = surgery{key: fmt.Sprintf("%08d", n+1), side: pick(r, sides), patient: r.IntN(int(float64(rows)/perPatient) + 1)}
	year, month, day := 2004+r.IntN(20), 1+r.IntN(12), 1+r.IntN(28)
	s.day = time.Date(year, time.Month(month), day, 0, 0, 0, 0, time.UTC)
	return s, r
}

// review is one row of the reviews, with its line's end: of a surgery by its number, or of
// the next whose row is converted.
func review(n, surgeries int, seed uint64) string {
	r := running.CaseOf(seed+1, n)
	of := r.IntN(surgeries)
	for !converts(of) {
		of = (of + 1) % surgeries
	}
	s, _ := drawn(of, surgeries, seed)
	return strings.Join([]string{fmt.Sprintf("R%08d", n+1), s.key, number(s.patient), s.day.AddDate(0, 0, 2+r.IntN(60)).Format(dates), pick(r, clinicians), pick(r, outcomes)}, ";") + "\n"
}

// converts reports whether a row of the surgeries is one of a key of its own that a record
// is made of.
func converts(n int) bool {
	return n%oneHeader != oneHeader/2 && n%oneAgain != oneAgain-1 && n%oneLacksKey != 3 && n%oneWaits != 7
}

// dates are written day, month and year.
const dates = "02/01/2006"

// number is the number of a patient.
func number(patient int) string { return fmt.Sprintf("%08d", patient+1) }

// row is one row of the surgeries, with its line's end.
func row(head string, n, rows int, seed uint64) string {
	switch {
	case n%oneHeader == oneHeader/2:
		return head
	case n%oneAgain == oneAgain-1:
		return row(head, n-1, rows, seed)
	}
	s, r := drawn(n, rows, seed)
	if n%oneLacksKey == 3 {
		s.key = ""
	}
	if n%oneWaits == 7 {
		s.side = twoSides
	}
	start, minutes := fmt.Sprintf("%02d:%02d", 8+r.IntN(9), r.IntN(60)), 5+r.IntN(20)
	operation, border, chemical := "PNA", pick(r, borders), pick(r, chemicals)
	if r.IntN(5) == 0 {
		operation, border, chemical = "TNA", "", ""
	}
	cells := []string{s.key, number(s.patient), "", "", "", s.day.Format(dates), start,
		pick(r, clinicians), s.side, pick(r, toes), border, operation, pick(r, blocks), chemical, fmt.Sprintf("%d min", minutes),
		pick(r, dressings), fmt.Sprintf("%d,%d", 100+r.IntN(120), r.IntN(10)), pick(r, notes)}
	copy(cells[2:], person(s.patient, seed))
	return strings.Join(cells, ";") + "\n"
}

// person are surname, first name and birth date of a patient, the same in each row.
func person(patient int, seed uint64) []string {
	r := running.CaseOf(^seed, patient)
	return []string{pick(r, surnames), pick(r, givenNames), fmt.Sprintf("%02d/%02d/%02d", 1+r.IntN(28), 1+r.IntN(12), 30+r.IntN(60))}
}

func pick(r *rand.Rand, from []string) string { return from[r.IntN(len(from))] }
