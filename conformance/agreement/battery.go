package main

import (
	"context"
	_ "embed"
	"errors"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"nailbridge/conformance/oracles"
	"nailbridge/internal/official"
	"nailbridge/internal/validate/defs"
)

// defect is one line of a battery, or a valid twin: what stands there, and where it is wrong.
type defect struct {
	area string // of the rules of R4, or the profile
	name string // twin, and of a defect the key and the place of what is wrong
	text []byte
}

// twins is the area of what is valid.
const twins = "(valid)"

// readBattery reads a folder with a battery: battery.tsv, the valid twins, and the definitions that they claim.
func readBattery(folder string) (defects []defect, definitions [][]byte, err error) {
	valid := map[string]string{}
	read := func(below string, each func(name string, text []byte)) {
		files, e := filepath.Glob(filepath.Join(folder, below, "*.json"))
		err = errors.Join(err, e)
		for _, f := range files {
			text, e := os.ReadFile(f)
			err = errors.Join(err, e)
			each(strings.TrimSuffix(filepath.Base(f), ".json"), text)
		}
	}
	read("defs", func(_ string, text []byte) { definitions = append(definitions, text) })
	read("twins", func(name string, text []byte) {
		valid[name] = string(text)
		defects = append(defects, defect{twins, name, text})
	})
	table, e := os.ReadFile(filepath.Join(folder, "battery.tsv"))
	if err = errors.Join(err, e); err != nil {
		return nil, nil, err
	}
	nth := map[string]int{}
	for line := range strings.Lines(string(table)) {
		if line[0] == '#' {
			continue
		}
		f := strings.Split(strings.TrimSuffix(line, "\n"), "\t")
		if len(f) != 6 || strings.Count(valid[f[1]], f[4]) != 1 {
			return nil, nil, fmt.Errorf("%s: not to be sown: %q", folder, line)
		}
		name := strings.Join([]string{f[1], f[2], f[3]}, " ")
		if nth[name]++; nth[name] > 1 {
			name = fmt.Sprintf("%s, %d", name, nth[name])
		}
		defects = append(defects, defect{f[0], name, []byte(strings.Replace(valid[f[1]], f[4], f[5], 1))})
	}
	return defects, definitions, nil
}

// sown is what all say of a battery.
type sown struct {
	defects []defect
	pairs   []pair
}

func judgeBattery(ctx context.Context, core, folder string) (sown, error) {
	defects, definitions, err := readBattery(folder)
	if err != nil {
		return sown{}, err
	}
	texts := make([][]byte, len(defects))
	for i, d := range defects {
		texts[i] = d.text
	}
	known := defs.New()
	for _, text := range definitions {
		if _, err := known.Add(text); err != nil {
			return sown{}, err
		}
	}
	pairs, err := verdictsWith(ctx, core, texts, known, definitions)
	return sown{defects, pairs}, err
}

// table tells who finds what, by area.
func (s sown) table() string {
	by := map[string]*[5]int{}
	for i, d := range s.defects {
		if by[d.area] == nil {
			by[d.area] = &[5]int{}
		}
		row := by[d.area]
		row[0]++
		for n, v := range s.pairs[i].all() {
			if !v.valid() {
				row[n+1]++
			}
		}
	}
	var b strings.Builder
	fmt.Fprintf(&b, "battery: %-26s %6s %6s %6s %8s %8s\n", "area", "lines", "ours", "Java", "fhirpath", "medplum")
	for _, area := range slices.Sorted(maps.Keys(by)) {
		row := by[area]
		fmt.Fprintf(&b, "         %-26s %6d %6d %6d %8d %8d\n", area, row[0], row[1], row[2], row[3], row[4])
	}
	return b.String()
}

//go:embed battery-known.tsv
var batteryKnown string

// hold fails unless the lines on which we and the Java validator differ are those listed, with the verdicts listed.
func (s sown) hold(list map[string]known) error {
	c := compared{pairs: s.pairs}
	for _, d := range s.defects {
		c.documents = append(c.documents, official.Document{Name: d.name, Text: d.text})
	}
	return c.hold(list)
}

// others asks the references in JavaScript.
func others(ctx context.Context, core string, lines, definitions [][]byte, pairs []pair) error {
	for script, into := range map[oracles.Script]func(*pair) *verdict{
		oracles.Walker:  func(p *pair) *verdict { return &p.walker },
		oracles.Medplum: func(p *pair) *verdict { return &p.medplum },
	} {
		report, err := script.Ask(ctx, core, oracles.Options{Documents: lines, Definitions: definitions, Uncounted: true})
		if err != nil {
			return err
		}
		if err := place(report, pairs, into); err != nil {
			return err
		}
	}
	return nil
}
