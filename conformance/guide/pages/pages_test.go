package pages

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/page/pagetest"
	"nailbridge/mapping/coverage"
	"nailbridge/mapping/followup"
	"nailbridge/mapping/terms"
)

const someCoverage = "## Values\n| `/surgery/weight/kg` | `Observation.valueQuantity` | decimal text in kg |  |\n" +
	"| `/review/note` | `Observation.note.text` | words | free text |\n" +
	"## Computed\n| `*.resourceType` `*.id` | computed: by `/record` |\n| `Observation.extension[seconds]` | computed: a mark |\n"

const someProfile = `{"resourceType":"StructureDefinition","id":"weight","url":"https://a.example/StructureDefinition/weight","version":"1.9.0","title":"Weight","type":"Observation",
	"kind":"resource","derivation":"constraint","description":"A weight.","differential":{"element":[
	{"id":"Observation","path":"Observation"},
	{"id":"Observation.value[x]","path":"Observation.value[x]","min":1,"mustSupport":true},
	{"id":"Observation.value[x].unit","path":"Observation.value[x].unit","min":1,"max":"1","patternString":"kg"},
	{"id":"Observation.extension:seconds","path":"Observation.extension","sliceName":"seconds","max":"1","type":[{"code":"Extension","profile":["https://a.example/StructureDefinition/seconds"]}]},
	{"id":"Observation.category:vitals","path":"Observation.category","sliceName":"vitals","min":1,"max":"1"},
	{"id":"Observation.code","path":"Observation.code","binding":{"strength":"required","valueSet":"https://a.example/ValueSet/v"},
	"constraint":[{"key":"w-1","severity":"error","human":"One code."}]}]}}`

func input(t *testing.T, resources []string, artifacts ...string) Input {
	table, err := coverage.Read(someCoverage)
	require.NoError(t, err)
	codes, err := terms.Load()
	require.NoError(t, err)
	in := Input{Coverage: table, Terms: codes}
	for _, r := range resources {
		in.Resources = append(in.Resources, []byte(r))
	}
	for _, a := range artifacts {
		in.Artifacts = append(in.Artifacts, Artifact{"some.json", []byte(a)})
	}
	return in
}

var someWeights = []string{
	`{"resourceType":"Observation","id":"o1","valueQuantity":{"value":70.50,"unit":"kg"},"extension":[{"url":"https://a.example/StructureDefinition/seconds"}]}`,
	`{"resourceType":"Observation","id":"o2","valueQuantity":{"value":71,"unit":"kg"}}`,
	`{"resourceType":"Observation","id":"o3","valueQuantity":{"value":71,"unit":"kg"},"note":[{"text":"<b>words</b> & more"}]}`,
}

func rowsOf(t *testing.T, in Input) map[string]Row {
	g, err := read(in)
	require.NoError(t, err)
	out := map[string]Row{}
	for _, r := range g.types[0].Rows {
		out[r.Path] = r
	}
	return out
}

// A row says where its value comes from, how often R4 and a profile let it occur,
// and what it is in the demo: the value that occurs most first, as written.
func TestRowsOfATable(t *testing.T) {
	rows := rowsOf(t, input(t, someWeights, someProfile))
	value := rows["Observation.valueQuantity.value"]
	assert.Equal(t, []string{"71", "70.50"}, value.Examples)
	assert.Equal(t, &Link{"Observation.valueQuantity", "#Observation.valueQuantity"}, value.With)
	assert.True(t, value.Record)
	whole := rows["Observation.valueQuantity"]
	assert.Equal(t, []ClaimGroup{{"decimal text in kg", "", []string{"/surgery/weight/kg"}}}, whole.Claims)
	assert.Equal(t, "0..1 Quantity", whole.Times+" "+whole.Type)
	assert.Equal(t, []Cardinality{{"1..1", "Weight", "#weight", true}}, whole.Profiles)
	assert.Equal(t, []Cardinality{{"1..1", "Weight", "#weight", false}}, rows["Observation.valueQuantity.unit"].Profiles)
	assert.Equal(t, []Cardinality{{"0..1", "Weight", "#weight", false}}, rows["Observation.extension[seconds]"].Profiles)
	assert.Equal(t, []string{"a mark"}, rows["Observation.extension[seconds].url"].Computed)
	assert.False(t, rows["Observation.id"].Record)
	assert.True(t, rows["Observation.note"].Holds && rows["Observation.note"].Record, "what it holds comes from a record")
	assert.Len(t, rows, 10)
}

// In the standard's order, whatever the order of members is.
func TestRowsStandInTheStandardsOrder(t *testing.T) {
	g, err := read(input(t, someWeights))
	require.NoError(t, err)
	var got []string
	for _, r := range g.types[0].Rows {
		got = append(got, strings.TrimPrefix(r.Path, "Observation."))
	}
	assert.Equal(t, []string{"Observation", "resourceType", "id", "extension[seconds]", "extension[seconds].url", "valueQuantity", "valueQuantity.value",
		"valueQuantity.unit", "note", "note.text"}, got)
}

func TestAPathOfUnknownOriginIsAnError(t *testing.T) {
	_, err := Make(input(t, []string{`{"resourceType":"Observation","id":"o","status":"final"}`}))
	assert.ErrorContains(t, err, "nothing says where Observation.status comes from")
}

// The page of a type tells of its profiles, with what they demand, and of the
// sample with the most paths; what records hold is shown as text.
func TestTypePage(t *testing.T) {
	files, err := Make(input(t, someWeights, someProfile))
	require.NoError(t, err)
	html := string(files[len(files)-1].HTML)
	require.Equal(t, "Observation.html", files[len(files)-1].Name)
	for _, want := range []string{
		`<h3 id="weight">Weight</h3>`, "Value: <code>&#34;kg&#34;</code>", "(required)", "w-1 (error): One code.", "&lt;b&gt;words&lt;/b&gt; &amp; more",
		"<code>Observation/o3</code> of the demo",
	} {
		assert.Contains(t, html, want)
	}
	assert.NotContains(t, html, "<b>words")
}

// The pages tell of the latest version of a definition, by numbers, and of older
// ones that they are served; what has no URL is an example and no definition.
func TestOlderVersionsAreToldOfOnce(t *testing.T) {
	newer := strings.ReplaceAll(strings.Replace(someProfile, "1.9.0", "1.10.0", 1), `"Weight"`, `"Newer weight"`)
	g, err := read(input(t, someWeights, someProfile, newer, `{"resourceType":"Observation","id":"an-example"}`))
	require.NoError(t, err)
	require.Len(t, g.definitions, 2)
	assert.Equal(t, "1.10.0 Observation.html#weight", g.definitions[0].Version+" "+g.definitions[0].Href)
	assert.Equal(t, "1.9.0 ", g.definitions[1].Version+" "+g.definitions[1].Href)
	require.Len(t, g.types[0].Profiles, 1)
	assert.Equal(t, "Newer weight", g.types[0].Profiles[0].Title)
}

// A target of a code map stands with its evidence, and with the setting under which
// it leaves (D7.1).
func TestCodeMapsShowTheirEvidence(t *testing.T) {
	in := input(t, nil)
	for _, a := range in.Terms.Artifacts(terms.Setting{SnomedCT: terms.Licensed, HCPCS: true}) {
		in.Artifacts = append(in.Artifacts, Artifact{a.ID, a.JSON})
	}
	g, err := read(in)
	require.NoError(t, err)
	targets, leaves := 0, map[string]int{}
	for _, m := range g.maps {
		for _, l := range m.Lines {
			targets++
			leaves[l.Leaves]++
			assert.NotEmpty(t, l.Relation, "%s %s", m.ID, l.Code)
			assert.NotEmpty(t, l.Confidence, "%s %s", m.ID, l.Code)
			assert.NotEmpty(t, l.Sources, "%s %s", m.ID, l.Code)
		}
	}
	assert.Greater(t, targets, 150)
	assert.Greater(t, leaves["free-set and licensed"], 50)
	assert.Greater(t, leaves["licensed"], 5)
	t.Logf("%d maps, %d targets: %v", len(g.maps), targets, leaves)

	i := 0
	for g.maps[i].ID != "nail-procedure" {
		i++
	}
	assert.Equal(t, Mapping{
		Code: "nail-and-matrix-excision", Means: "Excision of nail and matrix", System: "SNOMED CT", Target: "3061006",
		Display: "Complete excision of nail and nail matrix", Relation: "means the same", Leaves: "licensed",
		Confidence: g.maps[i].Lines[0].Confidence, Sources: g.maps[i].Lines[0].Sources,
	}, g.maps[i].Lines[0], "D7.3: licensed")
}

// A requirement stands once, in its area, with what shows it or why it is not in
// force; one of which that is not known is an error.
func TestRequirements(t *testing.T) {
	in := input(t, nil)
	in.Requirements = []Requirement{
		{ID: "R-HTTP-01", Level: "SHALL", Section: "http.html §3.1.0.1.2", InForce: true, Asks: "an address"},
		{ID: "R-TX-01", Level: "MAY", Section: "http.html §3.1.0.11", Reason: "not-offered: 405"},
		{ID: "R-HTTP-02", Level: "SHALL", Section: "http.html", InForce: true, Asks: "a fault", By: "TestOfIt: from within"},
	}
	files, err := Make(in)
	require.NoError(t, err)
	var html string
	for _, f := range files {
		if f.Name == requirementsPage {
			html = string(f.HTML)
		}
	}
	for _, want := range []string{
		"3 requirements, each once. 2 are in force", "1 are shown by a check", "<h2 id=\"HTTP\">Addresses, formats, headers</h2>", "2 of 2 in force", "0 of 1 in force",
		`<strong>in force</strong>: a check of the suite`, `<strong>in force</strong>: TestOfIt: from within`, `not in force: not-offered: 405`,
	} {
		assert.Contains(t, html, want)
	}
	for _, wrong := range []Requirement{{ID: "R-HTTP-01", InForce: true}, {ID: "R-NONE-01", InForce: true}, {ID: "R-HTTP-03"}} {
		_, err := requirements(append(in.Requirements, wrong))
		assert.Error(t, err, wrong.ID)
	}
}

// A protocol tells of each step when it is due, with its window, and when a missed
// one is called again; the extensions say which protocols have them.
func TestProtocolPage(t *testing.T) {
	protocols, err := followup.Artifacts()
	require.NoError(t, err)
	in := input(t, nil)
	for _, a := range protocols {
		in.Artifacts = append(in.Artifacts, Artifact{a.ID, a.JSON})
	}
	files, err := Make(in)
	require.NoError(t, err)
	page := map[string]string{}
	for _, f := range files {
		page[f.Name] = string(f.HTML)
	}
	for _, want := range []string{ // as the narrative of the protocol has it: 2 d before to 3 d after
		"<code>day-4</code><br/>First dressing check</th>", ">4 days, from 2 days before to 3 days after</td>", ">1 day, from 0 days before to 1 day after</td>",
		"Source: No published timetable after avulsion alone was found", "is called again after 1 week, from 6 days before to 7 days after.",
	} {
		assert.Contains(t, page[protocolsPage], want)
	}
	assert.Equal(t, 2*4, strings.Count(page[extensionsPage], `<a href="protocols.html#`), "two extensions of four protocols")
}

// Contrast, width and columns of the pages.
func TestStyle(t *testing.T) { pagetest.Check(t, layout, style) }
