package convert_test

import (
	"bytes"
	"encoding/json"
	"maps"
	"slices"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/convert"
	rt "nailbridge/internal/receive/receivetest"
	"nailbridge/mapping"
	"nailbridge/mapping/resource"
)

var asOf = time.Date(2026, 3, 25, 12, 0, 0, 0, time.UTC)

func file(name string, records ...[]byte) convert.Input {
	return convert.Input{Name: name, Data: bytes.Join(records, []byte("\n"))}
}

func convertAll(t testing.TB, files ...convert.Input) convert.Result {
	t.Helper()
	res, err := convert.Convert([]mapping.Settings{rt.Settings(t)}, files, asOf)
	require.NoError(t, err)
	require.Empty(t, res.Issues)
	return res
}

// plain is the content of a resource without the members that a commit adds.
func plain(t testing.TB, tree map[string]any) string {
	t.Helper()
	tree = maps.Clone(tree)
	if m, ok := tree["meta"].(map[string]any); ok {
		m = maps.Clone(m)
		delete(m, "versionId")
		delete(m, "lastUpdated")
		tree["meta"] = m
		if len(m) == 0 {
			delete(tree, "meta")
		}
	}
	b, err := json.Marshal(tree)
	require.NoError(t, err)
	return string(b)
}

// R-NDJ-06: files of records become what the intake makes of the same records, with the
// clock at the same instant, and the same bytes in whatever order they come.
func TestFilesBecomeWhatTheIntakeMakes(t *testing.T) {
	records := [][]byte{
		rt.Surgery(), rt.Surgery(rt.Saved("2026-03-03T09:00:00Z"), rt.Set("/author/name/given", []any{"Eda"})),
		rt.Review(rt.RedFlag), rt.Surgery(rt.Record("S-2"), rt.Patient("P-2"), rt.Set("/surgery/toes/0/block/agents/0/mL", 12)),
		rt.Review(rt.Record("R-2"), rt.Patient("P-2")),
		rt.Surgery(rt.Record("S-3"), rt.Patient("P-3"), rt.Set("/sharing", nil)),
		rt.Merge([]string{"P-2", "P-3", "P-9"}), // of whom one alone is shared (D1.5, D3.1)
		rt.Surgery(rt.Record("S-4"), rt.Patient("P-4"), rt.Status("withdrawn"), rt.Set("/author/name/given", []any{"Ida"}), rt.Saved("2026-03-20T09:00:00Z")),
	}
	w := rt.New(t)
	for _, r := range records {
		w.Send(r)
	}
	w.Now = asOf
	_, err := w.Tick(t.Context(), w.Now)
	require.NoError(t, err)
	stored := map[string]string{}
	for ref, r := range w.Published() {
		stored[ref] = plain(t, r.Tree)
	}

	res := convertAll(t, file("all.ndjson", records...))
	made := map[string]string{}
	for _, r := range res.Resources {
		if r.Type() != "Provenance" {
			made[r.Ref().String()] = plain(t, r.Tree())
		}
	}
	assert.Equal(t, slices.Sorted(maps.Keys(stored)), slices.Sorted(maps.Keys(made)))
	for ref, want := range stored {
		assert.Equal(t, want, made[ref], ref)
	}
	linked := 0
	for _, r := range res.Resources {
		if r.Type() == "Patient" && r.Tree()["link"] != nil {
			linked++
		}
	}
	assert.Equal(t, 2, linked, "both ways")
	assert.Equal(t, 1, res.NotShared)
	assert.Equal(t, []string{"R-2"}, res.Waiting)
	var codes []string
	for _, f := range res.Flags {
		codes = append(codes, f.Code)
	}
	assert.Contains(t, codes, "review-overdue", "windows that ended by then")
	assert.Contains(t, codes, "review-of-other-patient")

	var again bytes.Buffer
	var first bytes.Buffer
	require.NoError(t, convert.WriteNDJSON(&first, res.Resources))
	slices.Reverse(records)
	require.NoError(t, convert.WriteNDJSON(&again, convertAll(t, file("all.ndjson", records...)).Resources))
	assert.Equal(t, first.String(), again.String(), "the order of the files does not matter")
}

// Each record read is accounted for with its place; what is refused costs no
// other.
func TestEveryRecordIsAccountedFor(t *testing.T) {
	res := convertAll(t,
		file("a.json", rt.Surgery()),
		file("b.ndjson", []byte("{broken"), rt.Review(), nil, rt.Review(rt.Set("/clinic", "south")), rt.Review(rt.Record("R-3"), rt.Set("/status", "x"))),
		convert.Input{Name: "c.json", Data: []byte("[" + string(rt.Review(rt.Record("R-4"))) + "," + string(rt.Review(rt.Record("R-5"))) + "]")},
	)
	type o struct {
		source, record string
		refused        bool
	}
	var have []o
	for _, r := range res.Records {
		have = append(have, o{r.Source, r.Record, r.Refused})
		if r.Refused {
			assert.NotEmpty(t, r.Findings, r.Source)
		}
	}
	assert.Equal(t, []o{
		{"a.json", "S-1", false}, {"b.ndjson:1", "", true}, {"b.ndjson:2", "R-1", false}, {"b.ndjson:4", "R-1", true}, {"b.ndjson:5", "R-3", true},
		{"c.json[0]", "R-4", false}, {"c.json[1]", "R-5", false},
	}, have)
}

// D3.1: a record that is refused, and whose clinic and patient can be read,
// says no to sharing in a file as it does at the door.
func TestD3_1_ARefusedRecordEndsSharingInAFileToo(t *testing.T) {
	refused := func(word string) []byte {
		return rt.Review(rt.Set("/status", "x"), rt.Set("/sharing", word), rt.Saved("2026-03-10T09:00:00Z"))
	}
	res := convertAll(t, file("a.ndjson", rt.Surgery(), refused("declined")))
	assert.Empty(t, res.Resources)
	assert.Equal(t, 1, res.NotShared)
	assert.NotEmpty(t, convertAll(t, file("a.ndjson", rt.Surgery(), refused("agreed"))).Resources, "twin")
}

// R-NDJ-01: one resource a line, which ends with LF, in UTF-8 without a byte order
// mark (https://hl7.org/fhir/R4/nd-json.html); the text of a record that holds a
// line break does not break one.
func TestR_NDJ_01_OneResourceALine(t *testing.T) {
	res := convertAll(t, file("a.ndjson", rt.Surgery(rt.Set("/surgery/note", "one\r\ntwo\u2028Größe")), rt.Review(rt.RedFlag)))
	var out bytes.Buffer
	require.NoError(t, convert.WriteNDJSON(&out, res.Resources))
	require.True(t, utf8.Valid(out.Bytes()))
	assert.Contains(t, out.String(), "Größe", "the note was published")
	assert.NotContains(t, out.String(), "\r")
	text, ends := strings.CutSuffix(out.String(), "\n")
	assert.True(t, ends)
	lines := strings.Split(text, "\n")
	require.Len(t, lines, len(res.Resources))
	for i, l := range lines {
		var r struct{ ResourceType, ID string }
		require.NoError(t, json.Unmarshal([]byte(l), &r))
		assert.Equal(t, res.Resources[i].Ref().String(), r.ResourceType+"/"+r.ID)
		assert.Equal(t, byte('{'), l[0], "no byte order mark")
	}
}

// R-NDJ-01: lines end with LF or CR LF, blank ones are passed over, and each is read
// alone; a JSON array and one record are taken too.
func TestSplit(t *testing.T) {
	for data, want := range map[string][]string{
		`{"a":1}`:                   {`f {"a":1}`},
		"{\n \"a\": 1\n}\n":         {"f {\n \"a\": 1\n}"},
		"{\"a\":1}\n\n {\"b\":2}\n": {`f:1 {"a":1}`, `f:3 {"b":2}`},
		"{\"a\":1}\r\n{\"b\":2}":    {`f:1 {"a":1}`, `f:2 {"b":2}`},
		"{x\n{\"b\":2}":             {`f:1 {x`, `f:2 {"b":2}`},
		"{\n x":                     {"f {\n x"},
		`[{"a":1}, {"b":2}]`:        {`f[0] {"a":1}`, `f[1] {"b":2}`},
		`[]`:                        nil,
		``:                          {"f "},
	} {
		var got []string
		require.NoError(t, convert.Split(convert.Input{Name: "f", Data: []byte(data)}, func(source string, text []byte) error {
			got = append(got, source+" "+string(text))
			return nil
		}), data)
		assert.Equal(t, want, got, data)
	}
	assert.ErrorContains(t, convert.Split(convert.Input{Name: "f", Data: []byte("[1")}, nil), "f: not a JSON array")
}

// A collection Bundle holds every resource once under the base, and every
// relative reference resolves in it (https://hl7.org/fhir/R4/bundle.html#references).
func TestBundleResolves(t *testing.T) {
	res := convertAll(t, file("a.ndjson", rt.Surgery(), rt.Review(rt.RedFlag)))
	var out bytes.Buffer
	require.NoError(t, convert.WriteBundle(&out, res.Resources, rt.Base, "2026-03-25T12:00:00Z"))
	var b struct {
		ResourceType, Type, Timestamp string
		Entry                         []struct {
			FullURL  string
			Resource json.RawMessage
		}
	}
	require.NoError(t, json.Unmarshal(out.Bytes(), &b))
	assert.Equal(t, []string{"Bundle", "collection"}, []string{b.ResourceType, b.Type})
	urls := map[string]bool{}
	for _, e := range b.Entry {
		assert.False(t, urls[e.FullURL], "%s twice", e.FullURL)
		urls[e.FullURL] = true
	}
	targets := 0
	for _, e := range b.Entry {
		r, err := resource.FromJSON(e.Resource)
		require.NoError(t, err)
		assert.Equal(t, rt.Base+"/"+r.Ref().String(), e.FullURL)
		for _, ref := range r.References() {
			assert.True(t, urls[rt.Base+"/"+ref], "%s in %s", ref, r.Ref())
		}
		if r.Type() == "Provenance" {
			targets += len(r.Tree()["target"].([]any))
		}
	}
	assert.Len(t, res.Resources, targets+provenances(res.Resources), "each has its Provenance")
	assert.NotContains(t, out.String(), `\u003c`, "narratives stay readable")
	assert.True(t, strings.HasSuffix(out.String(), "}\n"))
}

func provenances(rs []resource.Resource) int {
	n := 0
	for _, r := range rs {
		if r.Type() == "Provenance" {
			n++
		}
	}
	return n
}
