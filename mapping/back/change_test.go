package back_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"maps"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/mapping"
	"nailbridge/mapping/back"
	"nailbridge/mapping/record"
)

var (
	dated   = regexp.MustCompile(`^\d{4}(-\d\d(-\d\d(T.*)?)?)?$`)
	inList  = regexp.MustCompile(`/\d+`)
	noCodes = regexp.MustCompile(`/(id|reference|url|system|unit|display|text|value|versionId|lastUpdated|valueString|div|title|valueUri|uri|description|family|given|prefix|line|city|postalCode|lotNumber|type)(/|$)`)
)

// elements lists the coded, dated and numeric elements of a tree: a
// CodeableConcept or Coding as a whole, a date, a number, a boolean, and a code
// that is no word for people.
func elements(v any, path string, f func(path string, value any)) {
	switch x := v.(type) {
	case map[string]any:
		if _, ok := x["coding"]; ok {
			f(path, x)
			return
		}
		for _, k := range slices.Sorted(maps.Keys(x)) {
			elements(x[k], path+"/"+k, f)
		}
	case []any:
		for i, e := range x {
			elements(e, fmt.Sprintf("%s/%d", path, i), f)
		}
	case json.Number, bool:
		f(path, x)
	case string:
		if dated.MatchString(x) || !noCodes.MatchString(path) {
			f(path, x)
		}
	}
}

// put gives a copy of a tree with another value at a path.
func put(v any, path []string, value any) any {
	if len(path) == 0 {
		return value
	}
	switch x := v.(type) {
	case map[string]any:
		out := maps.Clone(x)
		out[path[0]] = put(x[path[0]], path[1:], value)
		return out
	case []any:
		out := slices.Clone(x)
		var i int
		_, _ = fmt.Sscan(path[0], &i)
		out[i] = put(x[i], path[1:], value)
		return out
	}
	return v
}

// other is another value of an element: of the values seen there, else one made of
// it; nil where there is none.
func other(value any, seen []any) any {
	for _, s := range seen {
		if coded(s) != coded(value) {
			return s
		}
	}
	switch x := value.(type) {
	case json.Number:
		return json.Number(x.String() + "1")
	case bool:
		return !x
	case string:
		if dated.MatchString(x) {
			return "19" + x[2:]
		}
	}
	return nil
}

// coded is a value without words for people.
func coded(v any) string {
	if c, ok := v.(map[string]any); ok {
		return text(c["coding"])
	}
	return text(v)
}

// written is the resources as NDJSON.
func written(t testing.TB, trees []any) []byte {
	t.Helper()
	var out bytes.Buffer
	for _, tree := range trees {
		b, err := json.Marshal(tree)
		require.NoError(t, err)
		out.Write(append(b, '\n'))
	}
	return out.Bytes()
}

// said is what was read, as text, with the findings of what was not.
func said(t testing.TB, data []byte) (records []any, findings string) {
	t.Helper()
	got, err := back.Read(back.Options{Terms: settings().Terms}, back.Input{Name: "x", Data: data})
	require.NoError(t, err)
	require.Equal(t, got.Leaves.All, got.Leaves.Read+got.Leaves.Named)
	for _, r := range got.Records {
		b, err := record.Encode(r)
		require.NoError(t, err)
		var tree any
		require.NoError(t, json.Unmarshal(b, &tree))
		records = append(records, tree)
	}
	return records, text(got.Findings)
}

// holdsSeveral are the elements whose change shows at several fields, and why.
var holdsSeveral = map[string]string{
	"BodyStructure/location":                            "one border, to which consent was given and which was operated on",
	"Encounter/extension/valueCodeableConcept":          "attendance and who cancelled are one code of R4's element, and the words its text",
	"Encounter/period/_start/extension/valueBoolean":    "the time of the record, which findings without a time of their own have",
	"Encounter/period/start":                            "the time of the record, which findings without a time of their own have",
	"Encounter/type":                                    "another kind of record has other fields",
	"Media/bodySite":                                    "side and digit are one code of the toe",
	"Observation contact-time/component/valueInteger":   "the order of the applications",
	"Observation specimen-result/valueCodeableConcept":  "the words are the text of the code",
	"Observation wound-culture/valueCodeableConcept":    "the words are the text of the code",
	"Observation border-discharge/valueCodeableConcept": "the words are the text of the code",
	"MedicationStatement/medicationCodeableConcept":     "the words are the text of the code",
	"PractitionerRole/code":                             "a person has one role, at each place that names the person",
	"Procedure dressing/usedCode":                       "the words are the text of the code",
	"Procedure tourniquet/usedCode":                     "the words are the text of the code",
	"Procedure surgery-sitting/status":                  "a border without an outcome of its own has the sitting's",
	"Specimen/collection/bodySite":                      "side and digit are one code of the toe",
}

// elementWorlds are the resources of some patients, and the values that each kind
// of element has in them.
func elementWorlds(t testing.TB) (worlds [][]any, seen map[string][]any) {
	t.Helper()
	seen = map[string][]any{}
	for _, in := range world(20260602, 6) {
		res, err := mapping.FoldPatient(settings(), in)
		require.NoError(t, err)
		if !res.Shared {
			continue
		}
		var trees []any
		for l := range bytes.Lines(published(t, res)) {
			d := json.NewDecoder(bytes.NewReader(l))
			d.UseNumber()
			var tree any
			require.NoError(t, d.Decode(&tree))
			trees = append(trees, tree)
			elements(tree, "", func(path string, value any) {
				p := kindOf(tree) + inList.ReplaceAllString(path, "")
				if !slices.ContainsFunc(seen[p], func(v any) bool { return text(v) == text(value) }) {
					seen[p] = append(seen[p], value)
				}
			})
		}
		worlds = append(worlds, trees)
	}
	return worlds, seen
}

// TestEveryElementCounts: changing any coded, dated or numeric element changes
// the record, or is named in a finding; what changes nothing was not read.
func TestEveryElementCounts(t *testing.T) {
	worlds, seen := elementWorlds(t)
	several := map[string][]string{}
	silent, tried, changed, named := map[string]string{}, map[string]bool{}, 0, 0
	for _, trees := range worlds {
		before, findings := said(t, written(t, trees))
		recorded, _ := said(t, written(t, slices.DeleteFunc(slices.Clone(trees), isComputed)))
		require.Equal(t, text(before), text(recorded), "what was computed is of no record")
		for i, tree := range trees {
			if isComputed(tree) {
				continue
			}
			elements(tree, "", func(path string, value any) {
				p := kindOf(tree) + inList.ReplaceAllString(path, "")
				now := other(value, seen[p])
				if tried[p] || now == nil || path == "/resourceType" {
					return
				}
				tried[p] = true
				mutant := slices.Clone(trees)
				mutant[i] = put(tree, strings.Split(path, "/")[1:], now)
				after, foundNow := said(t, written(t, mutant))
				switch {
				case text(before) != text(after):
					changed++
					fields := map[string]bool{}
					paths(any(before), any(after), "", func(path string, _, _ any) { fields[path] = true })
					if len(fields) > 1 {
						several[p] = slices.Sorted(maps.Keys(fields))
					}
				case findings != foundNow || unreadAt(findings, tree, path):
					named++
				default:
					silent[p] = fmt.Sprintf("%.200s became %.200s", text(value), text(now))
				}
			})
		}
	}
	for _, p := range slices.Sorted(maps.Keys(silent)) {
		t.Logf("silent: %s: %s", p, silent[p])
	}
	for _, p := range slices.Sorted(maps.Keys(several)) {
		t.Logf("several: %s: %v", p, several[p])
		assert.NotEmpty(t, holdsSeveral[p], "%s holds more than one field: %v", p, several[p])
	}
	t.Logf("%d elements: %d change a record, %d are named, %d are silent", len(tried), changed, named, len(silent))
	assert.Empty(t, silent)
}

// isComputed reports that a resource was made of the records and none states it.
func isComputed(tree any) bool {
	_, device := tree.(map[string]any)["device"]
	return device || slices.Contains([]string{"CarePlan", "Goal", "DetectedIssue", "Composition", "Device"}, typeOf(tree))
}

// kindOf is the type, of a finding or an act with its code: each goes to a field
// of its own.
func kindOf(tree any) string {
	m := tree.(map[string]any)
	typ := typeOf(tree)
	if typ != "Observation" && typ != "Procedure" {
		return typ
	}
	for _, c := range m["code"].(map[string]any)["coding"].([]any) {
		return typ + " " + c.(map[string]any)["code"].(string)
	}
	return typ
}

func typeOf(tree any) string { return tree.(map[string]any)["resourceType"].(string) }

// unreadAt reports that the findings name the element: it was not read at all.
func unreadAt(findings string, tree any, path string) bool {
	id, _ := tree.(map[string]any)["id"].(string)
	top := "/" + strings.Split(path, "/")[1]
	return regexp.MustCompile(regexp.QuoteMeta(`"resource":"`+typeOf(tree)+"/"+id+`"`) + `[^}]*` + regexp.QuoteMeta(`"path":"`+top+`"`)).MatchString(findings)
}
