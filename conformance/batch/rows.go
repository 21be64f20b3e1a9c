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

	"nailbridge/conformance/running"
	"nailbridge/testdata"
)

// export is a generated export: its file, its layout and its settings.
type export struct{ file, layout, settings string }

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
	notes      = []string{"", "", "", "", "tolerated well", "phone call next day, comfortable", "lives alone, daughter will drive", "asked about swimming: after four weeks"}
)

// twoSides is a side that only a person can decide, so that its row waits in the worksheet.
const twoSides = "R/L"

// Of so many rows one waits in the worksheet, one lacks a key and is rejected, one is
// delivered again, and one is a header that a program repeated.
const (
	oneWaits, oneLacksKey, oneAgain, oneHeader = 50, 400, 300, 1000
)

// perPatient is how many rows a patient has in the mean.
const perPatient = 1.5

// write writes an export of so many rows into a folder, from a seed, the same rows for the
// same seed, and beside it what it needs of the shipped one.
func write(dir, shipped string, rows int, seed uint64) (export, error) {
	e := export{filepath.Join(dir, "surgeries.csv"), filepath.Join(dir, "surgeries.layout.json"), filepath.Join(dir, "settings.json")}
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return e, err
	}
	head, err := beside(e, shipped)
	if err != nil {
		return e, err
	}
	f, err := os.Create(e.file)
	if err != nil {
		return e, err
	}
	w := bufio.NewWriterSize(f, 1<<16)
	_, err = w.WriteString(head)
	for n := 0; n < rows && err == nil; n++ {
		_, err = w.WriteString(row(head, n, rows, seed))
	}
	return e, errors.Join(err, w.Flush(), f.Close())
}

// beside writes the layout, the settings and the crosswalk of an export, and gives its
// header with the line's end. The layout is the shipped one with wider keys and without the
// crosswalk of patients, which lists the shipped ones alone.
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
	dir := filepath.Dir(e.file)
	for path, text := range map[string][]byte{e.layout: layout, e.settings: testdata.Settings(),
		filepath.Join(dir, "staff.csv"): staff, filepath.Join(dir, "patients.csv"): patients} {
		err = errors.Join(err, os.WriteFile(path, text, 0o600))
	}
	line, _, _ := strings.Cut(string(file), "\n")
	return line + "\n", err
}

// row is one row of the export, with its line's end.
func row(head string, n, rows int, seed uint64) string {
	r := running.CaseOf(seed, n)
	switch {
	case n%oneHeader == oneHeader/2:
		return head
	case n%oneAgain == oneAgain-1:
		return row(head, n-1, rows, seed)
	}
	key, side := fmt.Sprintf("%08d", n+1), pick(r, sides)
	if n%oneLacksKey == 3 {
		key = ""
	}
	if n%oneWaits == 7 {
		side = twoSides
	}
	patient := r.IntN(int(float64(rows)/perPatient) + 1)
	year, month, day := 2004+r.IntN(20), 1+r.IntN(12), 1+r.IntN(28)
	start, minutes := fmt.Sprintf("%02d:%02d", 8+r.IntN(9), r.IntN(60)), 5+r.IntN(20)
	operation, border, chemical := "PNA", pick(r, borders), pick(r, chemicals)
	if r.IntN(5) == 0 {
		operation, border, chemical = "TNA", "", ""
	}
	cells := []string{key, fmt.Sprintf("%08d", patient+1), "", "", "", fmt.Sprintf("%02d/%02d/%d", day, month, year), start,
		pick(r, clinicians), side, pick(r, toes), border, operation, pick(r, blocks), chemical, fmt.Sprintf("%d min", minutes),
		pick(r, dressings), fmt.Sprintf("%d,%d", 100+r.IntN(120), r.IntN(10)), pick(r, notes)}
	copy(cells[2:], person(patient, seed))
	return strings.Join(cells, ";") + "\n"
}

// person are surname, first name and birth date of a patient, the same in each row.
func person(patient int, seed uint64) []string {
	r := running.CaseOf(^seed, patient)
	return []string{pick(r, surnames), pick(r, givenNames), fmt.Sprintf("%02d/%02d/%02d", 1+r.IntN(28), 1+r.IntN(12), 30+r.IntN(60))}
}

func pick(r *rand.Rand, from []string) string { return from[r.IntN(len(from))] }
