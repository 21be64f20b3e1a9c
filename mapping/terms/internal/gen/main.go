// Command gen writes the evidence tables of package terms: which codes of other
// systems may leave, with display, semantic tag, confidence and licence.
//
//	go run ./mapping/terms/internal/gen
//
// It reads the project's table of terminology (a tab-separated file whose fields
// are never quoted) and the core package of FHIR R4, and applies decisions.md
// 7.1: a SNOMED CT row is kept when it stands in SNOMED International's own
// CC BY sets, or when it was verified in two source families and needs an
// affiliate licence; LOINC and HCPCS rows when verified in two; codes of R4's
// own systems as the core package defines them; UCUM units without annotation.
// The SNOMED CT rows of one source family that need an affiliate licence are
// written apart: a deployment may confirm them (decisions.md 7.2).
package main

import (
	"archive/tar"
	"bytes"
	"compress/gzip"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"log"
	"maps"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
)

const (
	snomed = "http://snomed.info/sct"
	loinc  = "http://loinc.org"
	hcpcs  = "http://www.cms.gov/Medicare/Coding/HCPCSReleaseCodeSets"
	ucum   = "http://unitsofmeasure.org"
)

// entry is one code that may leave.
type entry struct {
	Code        string `json:"code"`
	Display     string `json:"display"`
	SemanticTag string `json:"semanticTag,omitempty"`
	Confidence  string `json:"confidence,omitempty"`
	Licence     string `json:"licence"`
	Evidence    string `json:"evidence"`
}

// table is the file of one system.
type table struct {
	System  string  `json:"system"`
	Entries []entry `json:"entries"`
}

func main() {
	log.SetFlags(0)
	tsv := flag.String("terminology", "../shared/reference/terminology.tsv", "table of terminology")
	core := flag.String("core", "../shared/r4/core-4.0.1-subset.tgz", "core package of FHIR R4")
	data := flag.String("data", "mapping/terms/data", "data folder of package terms")
	flag.Parse()
	if err := run(*tsv, *core, *data); err != nil {
		log.Fatal(err)
	}
}

func run(tsv, core, data string) error {
	rows, err := readRows(tsv)
	if err != nil {
		return err
	}
	files, err := readCore(core)
	if err != nil {
		return err
	}
	out := filepath.Join(data, "evidence")
	for system, name := range map[string]string{snomed: "snomed", loinc: "loinc", hcpcs: "hcpcs", ucum: "ucum"} {
		if err := write(filepath.Join(out, name+".json"), []table{{System: system, Entries: outside(rows, system)}}); err != nil {
			return err
		}
	}
	if err := write(filepath.Join(data, "confirmable.json"), []table{{System: snomed, Entries: confirmable(rows)}}); err != nil {
		return err
	}
	wanted, err := wantedR4(rows, data)
	if err != nil {
		return err
	}
	tables, err := files.tables(wanted)
	if err != nil {
		return err
	}
	return write(filepath.Join(out, "r4.json"), tables)
}

// row is one line of the table of terminology, by column name.
type row map[string]string

func readRows(path string) ([]row, error) {
	b, err := os.ReadFile(path)
	if err != nil {
		return nil, err
	}
	lines := strings.Split(strings.TrimRight(string(b), "\r\n"), "\n")
	head := strings.Split(strings.TrimRight(lines[0], "\r"), "\t")
	var rows []row
	for i, l := range lines[1:] {
		cells := strings.Split(strings.TrimRight(l, "\r"), "\t")
		if len(cells) != len(head) {
			return nil, fmt.Errorf("line %d: %d cells, want %d", i+2, len(cells), len(head))
		}
		r := row{}
		for j, h := range head {
			r[h] = cells[j]
		}
		rows = append(rows, r)
	}
	return rows, nil
}

// units are UCUM units by its grammar that the table does not list (D7.1).
var units = []entry{
	{Code: "g", Display: "gram"},
	{Code: "ug", Display: "microgram"},
	{Code: "mmol/L", Display: "millimole per litre"},
	{Code: "ug/mL", Display: "microgram per millilitre"},
}

// outside returns the rows of a system that may leave under some setting.
func outside(rows []row, system string) []entry {
	var out []entry
	for _, r := range rows {
		if r["system"] != system || r["code"] == "" {
			continue
		}
		if e, ok := usable(r); ok {
			out = append(out, e)
		}
	}
	if system == ucum {
		for _, u := range units {
			u.Licence, u.Evidence = "none", "UCUM grammar: prefix and unit atom"
			out = append(out, u)
		}
	}
	slices.SortFunc(out, func(a, b entry) int { return strings.Compare(a.Code, b.Code) })
	return out
}

// confirmable returns the SNOMED CT rows that a deployment may confirm (7.2):
// those that are listed, were verified once and may not leave by themselves. A
// code that may leave by another row is not among them.
func confirmable(rows []row) []entry {
	leaves := map[string]bool{}
	for _, e := range outside(rows, snomed) {
		leaves[e.Code] = true
	}
	var out []entry
	for _, r := range rows {
		e, _ := usable(r)
		if r["system"] == snomed && r["confidence"] == "verified-1" && !never(e) && !leaves[e.Code] {
			leaves[e.Code] = true // once
			out = append(out, e)
		}
	}
	slices.SortFunc(out, func(a, b entry) int { return strings.Compare(a.Code, b.Code) })
	return out
}

// never tells what may not leave whatever was verified: 430903001 is a disorder
// of trauma (7.3), and attributes stand in expressions only.
func never(e entry) bool {
	return e.Code == "" || e.Code == "430903001" || e.SemanticTag == "attribute"
}

// usable applies decisions.md 7.1 and 7.3.
func usable(r row) (entry, bool) {
	e := entry{Code: r["code"], Display: r["preferred_display"], SemanticTag: r["semantic_tag"],
		Confidence: r["confidence"], Licence: "none", Evidence: shorten(r["evidence"])}
	twice := r["confidence"] == "verified-2+"
	switch r["system"] {
	case snomed:
		free := strings.Contains(r["note"], "licence: in a CC BY 4.0 free set")
		e.Licence = "affiliate"
		if free {
			e.Licence = "free"
		}
		return e, (free || twice) && !never(e)
	case loinc:
		byR4 := strings.Contains(r["note"], "defined by R4 itself")
		if byR4 {
			e.Licence = "r4"
		}
		return e, twice || byR4
	case ucum:
		return e, !strings.ContainsAny(e.Code, "{}")
	default:
		return e, twice
	}
}

var (
	count  = regexp.MustCompile(`^\d+: `)
	parens = regexp.MustCompile(` ?\([^()]*\)`)
)

// shorten keeps the names of the sources and drops their places.
func shorten(s string) string {
	s = count.ReplaceAllString(s, "")
	for parens.MatchString(s) {
		s = parens.ReplaceAllString(s, "")
	}
	var names []string
	for part := range strings.SplitSeq(s, "|") {
		if p := strings.TrimSpace(part); p != "" {
			names = append(names, p)
		}
	}
	return strings.Join(names, "; ")
}

// wantedR4 lists the codes of R4's own systems that the table or our own data
// name, by system.
func wantedR4(rows []row, data string) (map[string]map[string]bool, error) {
	wanted := map[string]map[string]bool{}
	add := func(system, code string) {
		if !strings.HasPrefix(system, "http://terminology.hl7.org/") && !strings.HasPrefix(system, "http://hl7.org/fhir/") ||
			strings.Contains(system, "/StructureDefinition/") || strings.Contains(system, "/sid/") {
			return
		}
		if wanted[system] == nil {
			wanted[system] = map[string]bool{}
		}
		wanted[system][code] = true
	}
	for _, r := range rows {
		add(r["system"], r["code"])
	}
	var els struct {
		Elements []struct {
			Codings []struct{ System, Code string } `json:"codings"`
		} `json:"elements"`
	}
	if err := readJSON(filepath.Join(data, "elements.json"), &els); err != nil {
		return nil, err
	}
	for _, e := range els.Elements {
		for _, c := range e.Codings {
			add(c.System, c.Code)
		}
	}
	names, err := filepath.Glob(filepath.Join(data, "conceptmap", "*.json"))
	if err != nil {
		return nil, err
	}
	for _, n := range names {
		var cm struct {
			Group []struct {
				Target  string
				Element []struct{ Target []struct{ Code string } }
			}
		}
		if err := readJSON(n, &cm); err != nil {
			return nil, err
		}
		for _, g := range cm.Group {
			for _, e := range g.Element {
				for _, t := range e.Target {
					add(g.Target, t.Code)
				}
			}
		}
	}
	return wanted, nil
}

func readJSON(path string, v any) error {
	b, err := os.ReadFile(path)
	if err != nil {
		return err
	}
	if err := json.Unmarshal(b, v); err != nil {
		return fmt.Errorf("%s: %w", path, err)
	}
	return nil
}

// concept is a concept of a code system, with what it contains.
type concept struct {
	Code    string
	Display string
	Concept []concept
}

// corePackage is what the generator needs of the core package.
type corePackage struct {
	displays map[string]map[string]string // system, code: display
	sets     map[string][]string          // system: value sets that include it
}

func readCore(path string) (*corePackage, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	gz, err := gzip.NewReader(f)
	if err != nil {
		return nil, err
	}
	p := &corePackage{displays: map[string]map[string]string{}, sets: map[string][]string{}}
	for tr := tar.NewReader(gz); ; {
		h, err := tr.Next()
		if errors.Is(err, io.EOF) {
			return p, nil
		}
		if err != nil {
			return nil, err
		}
		base := filepath.Base(h.Name)
		if !strings.HasPrefix(base, "CodeSystem-") && !strings.HasPrefix(base, "ValueSet-") {
			continue
		}
		if err := p.read(tr); err != nil {
			return nil, fmt.Errorf("%s: %w", base, err)
		}
	}
}

func (p *corePackage) read(r io.Reader) error {
	var d struct {
		ResourceType, URL string
		Concept           []concept
		Compose           struct{ Include []struct{ System string } }
	}
	if err := json.NewDecoder(r).Decode(&d); err != nil {
		return err
	}
	if d.ResourceType == "ValueSet" {
		for _, i := range d.Compose.Include {
			p.sets[i.System] = append(p.sets[i.System], strings.TrimPrefix(d.URL, "http://hl7.org/fhir/ValueSet/"))
		}
		return nil
	}
	m := map[string]string{}
	var walk func([]concept)
	walk = func(cs []concept) {
		for _, c := range cs {
			if _, ok := m[c.Code]; !ok {
				m[c.Code] = c.Display
			}
			walk(c.Concept)
		}
	}
	walk(d.Concept)
	p.displays[d.URL] = m
	return nil
}

// tables looks every wanted code up in the core package.
func (p *corePackage) tables(wanted map[string]map[string]bool) ([]table, error) {
	var out []table
	for _, system := range slices.Sorted(maps.Keys(wanted)) {
		t := table{System: system}
		for _, code := range slices.Sorted(maps.Keys(wanted[system])) {
			display, ok := p.displays[system][code]
			if !ok {
				return nil, fmt.Errorf("the core package does not define %s|%s", system, code)
			}
			t.Entries = append(t.Entries, entry{Code: code, Display: display, Licence: "r4", Evidence: p.cite(system)})
		}
		out = append(out, t)
	}
	return out, nil
}

// cite names one value set of R4 that takes from the system.
func (p *corePackage) cite(system string) string {
	sets := slices.Clone(p.sets[system])
	slices.Sort(sets)
	if len(sets) == 0 {
		return "hl7.fhir.r4.core 4.0.1, the code system"
	}
	tail := system[strings.LastIndex(system, "/")+1:]
	if i := slices.Index(sets, tail); i >= 0 {
		return "hl7.fhir.r4.core 4.0.1, ValueSet " + sets[i]
	}
	return "hl7.fhir.r4.core 4.0.1, ValueSet " + sets[0]
}

// write puts one entry on a line, so that a change is one line of a diff.
func write(path string, tables []table) error {
	var b bytes.Buffer
	b.WriteString("{\n  \"tables\": [\n")
	for i, t := range tables {
		fmt.Fprintf(&b, "    {\"system\": %q, \"entries\": [\n", t.System)
		for j, e := range t.Entries {
			line, err := marshal(e)
			if err != nil {
				return err
			}
			fmt.Fprintf(&b, "      %s%s\n", line, comma(j, len(t.Entries)))
		}
		fmt.Fprintf(&b, "    ]}%s\n", comma(i, len(tables)))
	}
	b.WriteString("  ]\n}\n")
	return os.WriteFile(path, b.Bytes(), 0o644)
}

func marshal(v any) (string, error) {
	var b bytes.Buffer
	enc := json.NewEncoder(&b)
	enc.SetEscapeHTML(false)
	if err := enc.Encode(v); err != nil {
		return "", err
	}
	return strings.TrimSpace(b.String()), nil
}

func comma(i, n int) string {
	if i < n-1 {
		return ","
	}
	return ""
}
