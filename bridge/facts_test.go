package main

import (
	"encoding/json"
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/config"
	"nailbridge/internal/convert"
	"nailbridge/mapping"
	"nailbridge/mapping/record"
	"nailbridge/mapping/resource"
	"nailbridge/mapping/safety"
	"nailbridge/testdata"
)

// factColumns are the columns of the table in testdata/README.md.
var factColumns = []string{"case", "shared", "sitting", "parts", "borders", "plan", "answered", "open", "flags", "mg", "tourniquet", "contact"}

// R-TERM-06: TestFactsOfTheDemoClinic compares the table that was written by hand with
// the fold of each case at the demo's instant; the bodySite of an operation and the
// BodyStructure that it targets must name one toe.
func TestFactsOfTheDemoClinic(t *testing.T) {
	expected := readFacts(t)
	s := demoSettings(t)
	for _, f := range testdata.Records() {
		name := strings.TrimSuffix(f.Name, ".ndjson")
		t.Run(name, func(t *testing.T) {
			want, ok := expected[name]
			require.True(t, ok, "no line of facts for this case")
			delete(expected, name)
			got := factsOf(t, s, f)
			for _, column := range factColumns[1:] {
				assert.Equal(t, want[column], got[column], "%s of %s, in testdata/README.md and in the fold", column, name)
			}
		})
	}
	assert.Empty(t, expected, "facts without a case")
}

// readFacts reads the table: case name to column to cell.
func readFacts(t *testing.T) map[string]map[string]string {
	b, err := os.ReadFile("../testdata/README.md")
	require.NoError(t, err)
	out := map[string]map[string]string{}
	for line := range strings.Lines(string(b)) {
		cells := strings.Split(strings.Trim(strings.TrimSpace(line), "|"), "|")
		for i := range cells {
			cells[i] = strings.TrimSpace(cells[i])
		}
		switch {
		case len(cells) != len(factColumns) || strings.HasPrefix(cells[0], "---"):
		case cells[0] == "case":
			require.Equal(t, factColumns, cells)
		default:
			row := map[string]string{}
			for i, c := range factColumns {
				row[c] = cells[i]
			}
			require.NotContains(t, out, cells[0])
			out[cells[0]] = row
		}
	}
	require.NotEmpty(t, out)
	return out
}

func demoSettings(t testing.TB) mapping.Settings {
	file, err := config.Parse(testdata.Settings())
	require.NoError(t, err)
	s, err := file.Settings(config.DemoNamespace)
	require.NoError(t, err)
	return s[0]
}

func demoNow(t testing.TB) time.Time {
	now, err := time.Parse(time.RFC3339, testdata.Now)
	require.NoError(t, err)
	return now
}

// factsOf folds the one patient of a file at the demo's instant and tells of
// it in the words of the table.
func factsOf(t *testing.T, s mapping.Settings, f convert.Input) map[string]string {
	res, surgery := foldFile(t, s, f)
	got := map[string]string{"shared": "no", "flags": flagFacts(res.Flags)}
	for _, column := range []string{"sitting", "parts", "borders", "plan"} {
		got[column] = "-"
	}
	if res.Shared {
		got["shared"] = "yes"
		publishedFacts(t, res, got)
	}
	got["answered"], got["open"] = activityFacts(t, res)
	figureFacts(res.Figures, surgery, got)
	return got
}

func foldFile(t *testing.T, s mapping.Settings, f convert.Input) (mapping.Result, *record.Surgery) {
	now := demoNow(t)
	var in mapping.PatientFold
	var surgery *record.Surgery
	require.NoError(t, convert.Split(f, func(_ string, text []byte) error {
		d := record.Read(text, s.Clinic.Zone)
		require.False(t, d.Refused(), "%s: %v", f.Name, d.Findings)
		in.Patient = *d.Record.Patient.Identifier
		in.Deliveries = append(in.Deliveries, mapping.Delivery{Record: d.Record, Findings: d.Findings, Hash: d.Hash, Received: now})
		if d.Record.Surgery != nil {
			surgery = d.Record.Surgery
		}
		return nil
	}))
	res, err := mapping.FoldPatient(s, in)
	require.NoError(t, err)
	in.Facts = convert.Ended(res, now)
	res, err = mapping.FoldPatient(s, in)
	require.NoError(t, err)
	return res, surgery
}

func flagFacts(flags []mapping.Flag) string {
	var out []string
	for _, f := range flags {
		if f.Level != mapping.Note {
			out = append(out, string(f.Level)+" "+f.Code)
		}
	}
	return list(out)
}

// list joins what was found, each once and sorted; nothing found is "none".
func list(items []string) string {
	if len(items) == 0 {
		return "none"
	}
	slices.Sort(items)
	return strings.Join(slices.Compact(items), ", ")
}

// publishedFacts reads the FHIR content as a hub would.
func publishedFacts(t *testing.T, res mapping.Result, got map[string]string) {
	var sitting, borders []string
	parts := map[string]int{}
	plan := "none"
	for _, r := range res.Resources {
		switch r.Type() {
		case "Procedure":
			p := decode[procedureJSON](t, r)
			code, shown := p.Code.Coding[0].Code, p.Code.Coding[0].Code
			if p.Status != "completed" {
				shown += " (" + p.Status + ")"
			}
			if len(p.PartOf) == 0 {
				assert.Equal(t, "surgery-sitting", code)
				sitting = append(sitting, p.Status)
				continue
			}
			parts[shown]++
			if p.Status != "not-done" && strings.HasSuffix(p.Code.Coding[0].System, "/nail-procedure") {
				borders = append(borders, borderOf(t, res, p))
			}
		case "CarePlan":
			plan = decode[struct{ Status string }](t, r).Status
		}
	}
	got["sitting"], got["parts"], got["borders"], got["plan"] = list(sitting), partList(parts), list(borders), plan
}

// partOrder is the order of a sitting, in which the table names parts.
var partOrder = []string{"sign-in", "skin-preparation", "block", "digital-block", "time-out", "tourniquet", "partial-avulsion", "total-avulsion",
	"chemical-ablation", "none", "curettage", "flush", "haemostasis", "dressing", "sign-out", "advice"}

func partList(parts map[string]int) string {
	var names []string
	for name := range parts {
		names = append(names, name)
	}
	rank := func(name string) int {
		code, _, _ := strings.Cut(name, " ")
		return slices.Index(partOrder, code)
	}
	slices.SortFunc(names, func(a, b string) int {
		return 100*(rank(a)-rank(b)) + strings.Compare(a, b)
	})
	for i, name := range names {
		names[i] = fmt.Sprintf("%d %s", parts[name], name)
	}
	if names == nil {
		return "none"
	}
	return strings.Join(names, ", ")
}

type codingJSON struct{ System, Code string }

type conceptJSON struct{ Coding []codingJSON }

type procedureJSON struct {
	Status          string
	Code            conceptJSON
	BodySite        []conceptJSON
	PartOf          []struct{ Reference string }
	PerformedPeriod struct{ Start string }
	Extension       []struct {
		URL            string
		ValueReference struct{ Reference string }
	}
}

func decode[T any](t testing.TB, r resource.Resource) T {
	var out T
	require.NoError(t, json.Unmarshal(r.JSON(), &out))
	return out
}

// borderOf reads side and digit in Procedure.bodySite, and the border in the
// BodyStructure that the Procedure targets (D5.1), which must name that toe.
func borderOf(t *testing.T, res mapping.Result, p procedureJSON) string {
	toes := localCodes(p.BodySite)
	require.Len(t, toes, 1)
	for _, x := range p.Extension {
		if !strings.HasSuffix(x.URL, "/procedure-targetBodyStructure") {
			continue
		}
		for _, r := range res.Resources {
			if r.Ref().String() != x.ValueReference.Reference {
				continue
			}
			b := decode[bodyStructureJSON](t, r)
			qualifiers := localCodes(b.LocationQualifier)
			require.Len(t, qualifiers, 2, "side and border")
			side, digit, _ := strings.Cut(toes[0], "-")
			assert.Equal(t, side, qualifiers[0])
			assert.Equal(t, []string{toes[0] + "-" + qualifiers[1]}, localCodes([]conceptJSON{b.Location}))
			return side + " " + digit + " " + qualifiers[1]
		}
	}
	t.Errorf("a procedure on a border has no BodyStructure")
	return ""
}

type bodyStructureJSON struct {
	Location          conceptJSON
	LocationQualifier []conceptJSON
}

// localCodes are the codes of our own systems, in order.
func localCodes(cs []conceptJSON) []string {
	var out []string
	for _, c := range cs {
		for _, x := range c.Coding {
			if strings.HasPrefix(x.System, "https://nailbridge.example/") {
				out = append(out, x.Code)
			}
		}
	}
	return out
}

// activityFacts reads how the activities of the plan stand.
func activityFacts(t *testing.T, res mapping.Result) (answered, open string) {
	ended := map[string]int{}
	var waiting []string
	for _, c := range res.Cases {
		for _, a := range c.Activities {
			if !a.Status.Open() {
				ended[string(a.Status)]++
				continue
			}
			days := a.Window.First.String()
			if a.Window.Last != a.Window.First {
				days += ".." + a.Window.Last.String()
			}
			waiting = append(waiting, a.ID+" "+days)
		}
	}
	var counts []string
	for _, status := range []string{"completed", "cancelled"} {
		if n := ended[status]; n > 0 {
			counts = append(counts, fmt.Sprintf("%d %s", n, status))
		}
	}
	answered, open = "none", "none"
	if counts != nil {
		answered = strings.Join(counts, ", ")
	}
	if waiting != nil {
		open = strings.Join(waiting, ", ")
	}
	return answered, open
}

// figureFacts reads the figures of the sitting: mass and its share of the
// limit, minutes per toe, seconds per border.
func figureFacts(figures []mapping.Figure, s *record.Surgery, got map[string]string) {
	var mg string
	var tourniquet, contact []string
	for _, f := range figures {
		switch f.Code {
		case safety.DoseTotal:
			mg = f.Value
		case safety.TourniquetTotal:
			tourniquet = append(tourniquet, placeName(s, f.Place)+": "+f.Value)
		case safety.ContactSeconds:
			contact = append(contact, placeName(s, f.Place)+": "+f.Value)
		}
	}
	for _, f := range figures {
		if f.Code == safety.DosePercent {
			mg += " (" + f.Value + " % of " + inputOf(f, "limit") + ")"
		}
	}
	if mg == "" {
		mg = "none"
	}
	got["mg"], got["tourniquet"], got["contact"] = mg, list(tourniquet), list(contact)
}

func inputOf(f mapping.Figure, name string) string {
	for _, in := range f.Inputs {
		if in.Name == name {
			return in.Value
		}
	}
	return "?"
}

// placeName is the toe, and the border if any, that a place stands under.
func placeName(s *record.Surgery, place string) string {
	for i, at := range safety.ToePlaces(s) {
		t := &s.Toes[i]
		name := string(t.Side) + " " + string(t.Digit)
		for j, b := range safety.BorderPlaces(at, t) {
			if strings.HasPrefix(place, b) {
				return name + " " + string(t.Borders[j].Border)
			}
		}
		if strings.HasPrefix(place, at) {
			return name
		}
	}
	return place
}

// TestMoreFactsOfTheDemoClinic holds the facts that testdata/README.md lists
// below its table. That of case 08 in the demo is a story of its own.
func TestMoreFactsOfTheDemoClinic(t *testing.T) {
	s := demoSettings(t)
	count := func(name, resourceType string) int {
		n := 0
		for _, r := range foldCase(t, s, name).Resources {
			if r.Type() == resourceType {
				n++
			}
		}
		return n
	}
	assert.Equal(t, 5, count("01-both-borders", "Encounter"), "six deliveries, of which two are one save: a sitting and four reviews")
	assert.Equal(t, 2, count("06-infection", "Condition"), "the nail and the infection diagnosed")
	assert.Empty(t, foldCase(t, s, "08-withdrawn").Resources)
	assert.Equal(t, 2, count("12-abandoned", "Condition"), "the nail and the faint")
	assert.Equal(t, 1, count("13-child", "RelatedPerson"), "the parent who consented")
	assert.Equal(t, 0, count("01-both-borders", "RelatedPerson"), "the patient consented")
	for _, r := range foldCase(t, s, "09-amended-date").Resources {
		if r.Type() != "Procedure" {
			continue
		}
		if p := decode[procedureJSON](t, r); len(p.PartOf) == 0 {
			assert.Equal(t, "2026-03-31", p.PerformedPeriod.Start[:10])
		}
	}
}

func foldCase(t *testing.T, s mapping.Settings, name string) mapping.Result {
	for _, f := range testdata.Records() {
		if f.Name == name+".ndjson" {
			res, _ := foldFile(t, s, f)
			return res
		}
	}
	t.Fatalf("no case %s", name)
	return mapping.Result{}
}
