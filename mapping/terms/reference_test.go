package terms

import (
	"encoding/csv"
	"os"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/official"
)

// terminologyRows reads the project's table of terminology, by its csv rules:
// tab-separated, never quoted. LazyQuotes would still join cells that begin
// with a quote, so lines are split by hand where one does.
func terminologyRows(t *testing.T) []map[string]string {
	t.Helper()
	b, err := os.ReadFile(official.Terminology(t))
	require.NoError(t, err)
	lines := strings.Split(strings.TrimSpace(string(b)), "\n")
	r := csv.NewReader(strings.NewReader(lines[0]))
	r.Comma = '\t'
	head, err := r.Read()
	require.NoError(t, err)
	var rows []map[string]string
	for _, l := range lines[1:] {
		row := map[string]string{}
		for i, cell := range strings.Split(l, "\t") {
			row[head[i]] = cell
		}
		rows = append(rows, row)
	}
	require.Greater(t, len(rows), 500)
	return rows
}

// The evidence is the table of terminology under D7.1, read here by other code
// than the generator's: nothing that may not leave is in, nothing that may is
// missing, and display, tag, confidence and licence are the row's.
func TestD7_1_EvidenceIsTheTable(t *testing.T) {
	ts := MustLoad()
	want := map[string]map[string]entry{SNOMEDCT: {}, LOINC: {}, HCPCS: {}, UCUM: {}}
	for _, r := range terminologyRows(t) {
		table := want[r["system"]]
		if table == nil || r["code"] == "" || r["confidence"] == "unverified" {
			continue
		}
		twice := r["confidence"] == "verified-2+"
		e := entry{Code: r["code"], Display: r["preferred_display"], SemanticTag: r["semantic_tag"], Confidence: r["confidence"]}
		cc, fee := strings.Contains(r["note"], "in a CC BY 4.0 free set"), strings.Contains(r["note"], "affiliate licence needed")
		switch r["system"] {
		case SNOMEDCT:
			require.True(t, cc != fee, "%s: one licence or the other", r["code"])
			if e.Licence = "free"; fee {
				e.Licence = "affiliate"
			}
			if fee && !twice || r["code"] == "430903001" || r["semantic_tag"] == "attribute" {
				continue
			}
		case LOINC:
			e.Licence = "none"
			if !twice {
				if !strings.Contains(r["note"], "defined by R4 itself") {
					continue
				}
				e.Licence = "r4"
			}
		case UCUM:
			e.Licence = "none"
			if strings.Contains(r["code"], "{") {
				continue
			}
		default:
			e.Licence = "none"
		}
		table[e.Code] = e
	}
	for system, table := range want {
		got := map[string]entry{}
		for code, e := range ts.evidence[system] {
			if !strings.HasPrefix(e.Evidence, "UCUM grammar") {
				e.Evidence = ""
				got[code] = e
			}
		}
		assert.Equal(t, table, got, system)
	}
}

// D5.7, and the same the other way round: where our codings stand alone the
// binding of R4 forbids local ones, and where a local coding stands the binding
// is an example or there is none.
func TestD5_7_BindingsOfR4(t *testing.T) {
	r4 := readCore(t)
	ts := MustLoad()
	for name, u := range ts.uses {
		b := r4.binding(t, u.Element)
		if u.Bound {
			assert.Contains(t, []string{"required", "extensible", "preferred"}, b.Strength, name)
		} else {
			assert.Contains(t, []string{"", "example"}, b.Strength, "%s: local codings in %s", name, u.Element)
		}
	}
	checked := 0
	check := func(where, element string, c Coding) {
		b := r4.binding(t, element)
		if b.Strength == "" || b.Strength == "example" || c.System == SNOMEDCT {
			return // which SNOMED CT codes a set takes needs the release
		}
		checked++
		assert.True(t, r4.contains(b.ValueSet, c), "%s: %s|%s is not in %s of %s", where, c.System, c.Code, b.ValueSet, element)
	}
	for name, u := range ts.uses {
		if !u.Bound {
			continue
		}
		for _, code := range ts.Codes(name) {
			for _, c := range ts.Translate(name, code, licensed).Codings {
				check(name+"#"+string(code), u.Element, c)
			}
		}
	}
	for _, name := range ts.Names() {
		for _, c := range ts.Element(name, licensed).Codings {
			if strings.HasPrefix(c.System, localSystem) {
				assert.Contains(t, []string{"", "example"}, r4.binding(t, ts.elements[name].Element).Strength, name)
			}
			if name != "body-weight" { // bound by the bodyweight profile, not by R4's Observation
				check(name, ts.elements[name].Element, c)
			}
		}
	}
	assert.Greater(t, checked, 60)
}

// Codes of R4's own systems are those of the core package, with its display.
func TestD7_1_CodesOfR4Itself(t *testing.T) {
	r4 := readCore(t)
	n := 0
	for system, table := range MustLoad().evidence {
		if slices.Contains([]string{SNOMEDCT, LOINC, HCPCS, UCUM}, system) {
			continue
		}
		for code, e := range table {
			n++
			assert.Equal(t, r4.systems[system][code].Display, e.Display, "%s|%s", system, code)
			assert.Equal(t, "r4", e.Licence)
		}
	}
	assert.Greater(t, n, 200)
}
