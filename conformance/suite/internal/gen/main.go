// Command gen writes the rows of the suite: of every requirement of the
// reference its id, its level, the section that it is of, whether it is in force
// and, if not, why.
//
//	go run ./conformance/suite/internal/gen
//
// It reads the project's reference for FHIR servers (tables in Markdown), its
// scope (a tab-separated file), and our own REQUIREMENTS.md, which says in our
// words what a row in force asks. Of the reference it takes levels and places
// alone, and no sentence. From R4's definitions it writes which search parameters
// there are, and of which type.
package main

import (
	"encoding/json"
	"flag"
	"fmt"
	"log"
	"maps"
	"os"
	"regexp"
	"slices"
	"strings"

	"nailbridge/internal/official"
)

func main() {
	log.SetFlags(0)
	reference := flag.String("reference", "../shared/reference/fhir-requirements.md", "the reference for FHIR servers")
	scope := flag.String("scope", "../shared/reference/requirements-scope.tsv", "which of its rows are in force")
	asks := flag.String("asks", "conformance/REQUIREMENTS.md", "what a row in force asks, in our words")
	out := flag.String("out", "conformance/suite/rows.tsv", "where the rows are written")
	core := flag.String("core", "../shared/r4/core-4.0.1-subset.tgz", "the definitions of R4")
	outParameters := flag.String("out-parameters", "conformance/suite/parameters.tsv", "where the search parameters are written")
	flag.Parse()
	docs, err := official.Documents(*core)
	if err != nil {
		log.Fatal(err)
	}
	write(*outParameters, parameters(docs))
	text, err := rows(read(*reference), read(*scope), read(*asks))
	if err != nil {
		log.Fatal(err)
	}
	write(*out, text)
}

func write(path, text string) {
	if err := os.WriteFile(path, []byte(text), 0o644); err != nil { //nolint:gosec // source of the project, for everybody to read
		log.Fatal(err)
	}
}

func read(path string) string {
	b, err := os.ReadFile(path)
	if err != nil {
		log.Fatal(err)
	}
	return string(b)
}

const header = "id\tlevel\tsection\tstate\treason\tasks\n"

// rows are the rows in the order of the scope.
func rows(reference, scope, asks string) (string, error) {
	said, ours := table(reference), table(asks)
	var b strings.Builder
	b.WriteString(header)
	for i, l := range strings.Split(strings.TrimRight(scope, "\n"), "\n") {
		f := strings.Split(l, "\t")
		if i == 0 {
			continue
		}
		if len(f) != 5 {
			return "", fmt.Errorf("line %d of the scope has %d fields", i+1, len(f))
		}
		id, state := f[0], f[2]
		of := said[id]
		if len(of) < 5 {
			return "", fmt.Errorf("%s is not in the reference", id)
		}
		reason, asked := "", ""
		if state == "now" {
			if len(ours[id]) < 2 {
				return "", fmt.Errorf("REQUIREMENTS.md does not say what %s asks", id)
			}
			asked = ours[id][1]
		} else {
			reason = strings.TrimSuffix(state+": "+f[4], ": ")
		}
		fmt.Fprintf(&b, "%s\t%s\t%s\t%s\t%s\t%s\n", id, level.FindString(of[3]), section(id, of[3], of[4]), state, reason, asked)
	}
	return b.String(), nil
}

const parametersHeader = `# The search parameters of R4 (4.0.1) and their types, by the type that they are of: the SearchParameter resources of the core
# package, and those of BodyStructure, which that package lacks (bodystructure.html#search).
`

// parameters are the search parameters of R4, a line for each type.
func parameters(docs []official.Document) string {
	of := map[string]map[string]string{
		"BodyStructure": {"identifier": "token", "location": "token", "morphology": "token", "patient": "reference"},
	}
	for _, d := range docs {
		var p struct {
			ResourceType, URL, Code, Type string
			Base                          []string
		}
		if json.Unmarshal(d.Text, &p) != nil || p.ResourceType != "SearchParameter" || strings.Contains(d.Name, "example") {
			continue
		}
		for _, base := range p.Base {
			if of[base] == nil {
				of[base] = map[string]string{}
			}
			of[base][p.Code] = p.Type
		}
	}
	var b strings.Builder
	b.WriteString(parametersHeader)
	for _, base := range slices.Sorted(maps.Keys(of)) {
		var all []string
		for _, code := range slices.Sorted(maps.Keys(of[base])) {
			all = append(all, code+":"+of[base][code])
		}
		b.WriteString(base + "\t" + strings.Join(all, " ") + "\n")
	}
	return b.String()
}

// level is the word of the standard; what the reference adds to it is left out.
var level = regexp.MustCompile(`^(SHALL NOT|SHALL|SHOULD NOT|SHOULD\+?|MAY|PROJ)`)

// place is what names a place: a page, its section or anchor, an invariant, an RFC
// or a guide.
var place = regexp.MustCompile(`[a-z-]+\.html|§[0-9][0-9.…–-]*|#[A-Za-z-]+|RFC [0-9]+|\b[a-z]{2,3}-[0-9]+\b|PCC-[0-9]+|SNOMED on FHIR|Bulk Data IG|Backport IG|IHE [A-Za-z]+|SMART`)

// section is the place that the reference names; where it names none that can be
// told from its words, the guide or the kind of page that the row is of.
func section(id, level, source string) string {
	if named := place.FindAllString(source, -1); named != nil {
		return strings.Join(named, " ")
	}
	if strings.HasPrefix(level, "PROJ") {
		return "project rule"
	}
	for group, of := range map[string]string{"R-AUTH": "SMART", "R-DATA": "resource pages", "R-CONT": "resource pages", "R-PROF": "profile pages"} {
		if strings.HasPrefix(id, group) {
			return of
		}
	}
	return "unknown"
}

// table are the lines of tables in Markdown by their first cell, which is an id.
func table(text string) map[string][]string {
	out := map[string][]string{}
	for l := range strings.Lines(text) {
		if !strings.HasPrefix(l, "| R-") {
			continue
		}
		l = strings.ReplaceAll(strings.TrimSpace(l), `\|`, "\x00")
		cells := strings.Split(strings.Trim(l, "|"), "|")
		for i := range cells {
			cells[i] = strings.ReplaceAll(strings.TrimSpace(cells[i]), "\x00", "|")
		}
		out[cells[0]] = cells
	}
	return out
}
