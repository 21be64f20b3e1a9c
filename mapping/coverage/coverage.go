// Package coverage reads mapping/COVERAGE.md: which FHIR paths each place of the
// clinic record reaches, and, turned round, where the value at a FHIR path comes
// from. A FHIR path is "Type.element.path" without indexes; an extension is named
// by the end of its URL in brackets.
package coverage

import (
	"fmt"
	"slices"
	"strings"
)

// Claim is one record path that reaches one FHIR path.
type Claim struct {
	Record    string // such as "/surgery/toes/*/digit"
	FHIR      string
	Transform string
	Words     string // why it stands in words or in an extension of ours; "" for none
}

// Computed is a FHIR path that no record path reaches by itself, with what is
// below it. A "*" at its start stands for anything before.
type Computed struct {
	FHIR string
	How  string
}

// Table is what COVERAGE.md says.
type Table struct {
	Claims     []Claim // of the values
	Provenance []Claim // of what comes out in the Provenance
	Computed   []Computed
	Steering   map[string]string // why the value goes nowhere else, by record path
	Kept       map[string]string // why the value is kept back, by record path
	Alike      map[string]string // why values that differ give one output

	byFHIR map[string][]Claim
}

// Read reads the tables under the headings of COVERAGE.md. A record path may hold
// one alternative in braces, "/{review,contact}/at".
func Read(text string) (*Table, error) {
	t := &Table{Steering: map[string]string{}, Kept: map[string]string{}, Alike: map[string]string{}, byFHIR: map[string][]Claim{}}
	heading := ""
	for line := range strings.Lines(text) {
		if h, ok := strings.CutPrefix(line, "## "); ok {
			heading = strings.TrimSpace(h)
		}
		if !strings.HasPrefix(line, "| `") {
			continue
		}
		cells := strings.Split(strings.TrimSuffix(strings.TrimPrefix(strings.TrimSpace(line), "|"), "|"), "|")
		for i := range cells {
			cells[i] = strings.TrimSpace(cells[i])
		}
		if err := t.row(heading, cells); err != nil {
			return nil, err
		}
	}
	for _, c := range slices.Concat(t.Claims, t.Provenance) {
		t.byFHIR[c.FHIR] = append(t.byFHIR[c.FHIR], c)
	}
	return t, nil
}

func (t *Table) row(heading string, cells []string) error {
	if heading == "Computed" {
		if len(cells) != 2 || cells[1] == "" {
			return fmt.Errorf("coverage: %s: a computed path has a sentence, and no more", cells[0])
		}
		for _, f := range ticked(cells[0]) {
			t.Computed = append(t.Computed, Computed{f, cells[1]})
		}
		return nil
	}
	for _, path := range spread(strings.Trim(cells[0], "`")) {
		if err := t.place(heading, path, cells[1:]); err != nil {
			return err
		}
	}
	return nil
}

// place takes a row of one record path.
func (t *Table) place(heading, path string, cells []string) error {
	into := map[string]map[string]string{"Steering": t.Steering, "Kept, never published": t.Kept, "Values told apart by nothing": t.Alike}[heading]
	switch {
	case heading == "Values" && len(cells) == 3 && cells[1] != "":
		return add(&t.Claims, path, cells[0], Claim{Transform: cells[1], Words: cells[2]})
	case heading == "Provenance" && len(cells) == 2 && cells[1] != "":
		return add(&t.Provenance, path, cells[0], Claim{Transform: cells[1]})
	case into != nil && len(cells) == 1 && cells[0] != "":
		into[path] = cells[0]
		return nil
	}
	return fmt.Errorf("coverage: the row of %s under the heading %q has the wrong cells", path, heading)
}

func add(to *[]Claim, path, fhir string, c Claim) error {
	for _, f := range ticked(fhir) {
		if slices.ContainsFunc(*to, func(o Claim) bool { return o.Record == path && o.FHIR == f }) {
			return fmt.Errorf("coverage: %s claims %s twice", path, f)
		}
		c.Record, c.FHIR = path, f
		*to = append(*to, c)
	}
	return nil
}

// ticked are the paths of a cell, each between backticks.
func ticked(cell string) []string {
	var out []string
	for _, f := range strings.Fields(cell) {
		out = append(out, strings.Trim(f, "`,"))
	}
	return out
}

// spread writes out the alternatives in braces.
func spread(path string) []string {
	before, rest, ok := strings.Cut(path, "{")
	if !ok {
		return []string{path}
	}
	list, after, _ := strings.Cut(rest, "}")
	var out []string
	for alt := range strings.SplitSeq(list, ",") {
		out = append(out, spread(before+strings.TrimSpace(alt)+after)...)
	}
	return out
}

// Origin is where the value at a FHIR path comes from. The zero Origin is unknown.
type Origin struct {
	Claims   []Claim  // the record paths that reach it
	With     string   // the path of a value that it is part of, or the words of; "" for none
	Computed []string // how it is made otherwise
}

// Known reports whether the table says anything of the path.
func (o Origin) Known() bool { return len(o.Claims) > 0 || o.With != "" || len(o.Computed) > 0 }

// items are the lists of which a claim says that one is there or not, as a bare
// type says it of a resource: the elements within have claims of their own.
var items = []string{"CarePlan.activity", "Observation.component"}

// parts are the members of a Coding or Quantity, which counts as one value.
var parts = []string{"system", "version", "code", "display", "userSelected", "value", "comparator", "unit"}

// Of tells where the value at a path comes from.
func (t *Table) Of(path string) Origin {
	o := Origin{Claims: t.byFHIR[path], With: t.with(path)}
	below := len(o.Claims) == 0 && o.With == ""
	for _, c := range t.Computed {
		if c.covers(path, below) {
			o.Computed = append(o.Computed, c.How)
		}
	}
	return o
}

// with is the Coding or Quantity that the path is a member of, or the Coding whose
// meaning it has in words, where that is claimed.
func (t *Table) with(path string) string {
	i := strings.LastIndexByte(path, '.')
	if i < 0 {
		return ""
	}
	whole, name := path[:i], path[i+1:]
	if name == "text" && len(t.byFHIR[whole+".coding"]) > 0 {
		return whole + ".coding"
	}
	claimed := strings.Contains(whole, ".") && len(t.byFHIR[whole]) > 0 && len(t.byFHIR[path]) == 0
	if claimed && slices.Contains(parts, name) && !slices.Contains(items, whole) {
		return whole
	}
	return ""
}

// covers reports whether the entry says how a path is made: its own, or where
// nothing else is known of it, also one below.
func (c Computed) covers(path string, below bool) bool {
	want := c.FHIR
	if rest, any := strings.CutPrefix(want, "*"); any {
		i := strings.Index(path, rest)
		if i < 0 {
			return false
		}
		want = path[:i] + rest
	}
	return path == want || below && strings.HasPrefix(path, want+".")
}
