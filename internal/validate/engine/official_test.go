package engine

import (
	"bytes"
	"encoding/json"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/fhirpath"
	"nailbridge/internal/official"
	"nailbridge/internal/spec"
	"nailbridge/internal/validate/defs"
	"nailbridge/internal/validate/jsontree"
)

// examples are the official examples, in order of their names.
func examples(t testing.TB) (names []string, texts [][]byte) {
	t.Helper()
	for _, d := range official.Examples(t) {
		names, texts = append(names, d.Name), append(texts, d.Text)
	}
	return names, texts
}

// The table has no type with more elements than a mask holds, and every
// invariant of it compiles, which link shows by its panic.
func TestTableFits(t *testing.T) {
	for _, s := range r4().shapes[1:] {
		assert.LessOrEqual(t, len(s.Elements), maxElements, s.Name)
	}
}

// What is decided without FHIRPath is what the expression gives, on every element
// of every official example and of their contained resources. con-3 is left out:
// its sentence counts, and its expression asks for more. ele-1 is asked of
// objects alone. txt-1 and txt-2 share one expression, so one of the two holds
// where it gives true, and not both where it gives false.
func TestQuickIsTheExpression(t *testing.T) {
	asked := map[string]int{}
	_, texts := examples(t)
	for _, text := range texts {
		tree, _, err := jsontree.Read(text)
		require.NoError(t, err)
		r := &run{v: New(defs.New()), core: r4(), quickSeen: func(r *run, i *invariant, it fhirpath.Item, holds bool) {
			if _, object := it.Val.(map[string]any); i.Key == "con-3" || i.Key == "ele-1" && !object || i.Key == "dom-6" && r.inside {
				return
			}
			asked[i.Key]++
			truth, err := i.program.Test(&r.env, it)
			require.NoError(t, err, i.Key)
			want := truth == fhirpath.True || truth == fhirpath.Unknown && i.ofText
			if i.Key == "txt-1" || i.Key == "txt-2" {
				assert.False(t, want && !holds, i.Key)
				return
			}
			assert.Equal(t, want, holds, "%s at %s", i.Key, r.location())
		}}
		r.env.Resolver, r.env.Terms, r.env.Profiles = r, r, r
		m := tree.(map[string]any)
		r.push("x", -1)
		r.resource(r.resourceShape(m), m, nil)
	}
	for _, key := range []string{"ele-1", "ext-1", "ref-1", "dom-2", "dom-3", "dom-4", "dom-5", "dom-6", "txt-1", "txt-2"} {
		assert.Positive(t, asked[key], key)
	}
}

// backwards writes a tree with the members of its objects in falling order.
func backwards(b *bytes.Buffer, v any) {
	switch v := v.(type) {
	case map[string]any:
		b.WriteByte('{')
		keys := slices.Sorted(maps.Keys(v))
		slices.Reverse(keys)
		for i, k := range keys {
			if i > 0 {
				b.WriteByte(',')
			}
			name, _ := json.Marshal(k)
			b.Write(name)
			b.WriteByte(':')
			backwards(b, v[k])
		}
		b.WriteByte('}')
	case []any:
		b.WriteByte('[')
		for i, e := range v {
			if i > 0 {
				b.WriteByte(',')
			}
			backwards(b, e)
		}
		b.WriteByte(']')
	default:
		text, _ := json.Marshal(v)
		b.Write(text)
	}
}

// The order of members changes nothing of what is said (RFC 8259 4: objects have
// no order).
func TestOrderChangesNothing(t *testing.T) {
	v := New(defs.New())
	names, texts := examples(t)
	for i, text := range texts {
		tree, _, err := jsontree.Read(text)
		require.NoError(t, err)
		want := v.Validate(text, Options{})
		var b bytes.Buffer
		backwards(&b, tree)
		assert.Equal(t, want, v.Validate(b.Bytes(), Options{}), names[i])
		assert.Equal(t, want, v.Validate(text, Options{}), names[i])
	}
}

// What the resources of a document are called changes nothing: ids are renamed,
// and with them what refers to them, by fragment, by type and id, and by fullUrl.
func TestRenamedIDsChangeNothing(t *testing.T) {
	v := New(defs.New())
	names, texts := examples(t)
	renamed := 0
	for i, text := range texts {
		tree, _, err := jsontree.Read(text)
		require.NoError(t, err)
		ids := map[string]bool{}
		resourceIDs(tree, ids)
		if len(ids) == 0 {
			continue
		}
		var b bytes.Buffer
		backwards(&b, rename(tree, "", ids))
		assert.Equal(t, without(v.Validate(text, Options{})), without(v.Validate(b.Bytes(), Options{})), names[i])
		renamed += len(ids)
	}
	assert.Greater(t, renamed, len(texts))
}

// resourceIDs gathers the ids of all resources of a document that leave room for
// longer ones.
func resourceIDs(v any, ids map[string]bool) {
	switch v := v.(type) {
	case map[string]any:
		if id, ok := v["id"].(string); ok && v["resourceType"] != nil && isID(id) && len(id) <= 60 {
			ids[id] = true
		}
		for _, below := range v {
			resourceIDs(below, ids)
		}
	case []any:
		for _, below := range v {
			resourceIDs(below, ids)
		}
	}
}

// rename puts the ids of resources, and what refers to them, into other words.
func rename(v any, name string, ids map[string]bool) any {
	switch v := v.(type) {
	case map[string]any:
		out := map[string]any{}
		for k, below := range v {
			if id, ok := below.(string); ok && k == "id" && v["resourceType"] != nil && ids[id] {
				below = "new." + id
			}
			out[k] = rename(below, k, ids)
		}
		return out
	case []any:
		out := make([]any, len(v))
		for i, below := range v {
			out[i] = rename(below, name, ids)
		}
		return out
	case string:
		if id, local := strings.CutPrefix(v, "#"); local && ids[id] {
			return "#new." + id
		}
		if name == "reference" || name == "fullUrl" {
			plain, version, versioned := strings.Cut(v, "/_history/")
			if head, id, ok := cutLast(plain, "/"); ok && ids[id] {
				v = head + "/new." + id
				if versioned {
					v += "/_history/" + version
				}
			}
		}
		return v
	}
	return v
}

// without are issues without their details, which hold data.
func without(issues []Issue) (out []string) {
	for _, i := range issues {
		out = append(out, i.Location+" "+i.Severity.String()+" "+i.Key+" "+i.Text)
	}
	slices.Sort(out)
	return out
}

// Nothing makes the validator fail, and it says the same twice.
func FuzzValidate(f *testing.F) {
	if _, err := os.Stat(filepath.Join("..", "..", "..", "..", "shared", "r4")); err == nil || os.Getenv("NAILBRIDGE_R4_DIR") != "" {
		_, texts := examples(f)
		for _, text := range texts {
			f.Add(text)
		}
	}
	f.Add([]byte(`{"resourceType":"Bundle","type":"document","entry":[{"resource":{"resourceType":"Patient","contained":[{}]}},null,5]}`))
	v := New(defs.New())
	f.Fuzz(func(t *testing.T, text []byte) {
		a := v.Validate(text, Options{})
		assert.Equal(t, a, v.Validate(text, Options{}))
		for _, i := range a {
			assert.NotEmpty(t, i.Key)
		}
	})
}

// BenchmarkExamples validates distinct official examples, one a turn.
func BenchmarkExamples(b *testing.B) {
	v := New(defs.New())
	_, texts := examples(b)
	b.ReportAllocs()
	for i := 0; b.Loop(); i++ {
		v.Validate(texts[i%len(texts)], Options{})
	}
}

// BenchmarkRead reads the same texts and does no more.
func BenchmarkRead(b *testing.B) {
	_, texts := examples(b)
	b.ReportAllocs()
	for i := 0; b.Loop(); i++ {
		_, _, _ = jsontree.Read(texts[i%len(texts)])
	}
}

// BenchmarkNew makes the first Validator of a process, but for reading the table.
func BenchmarkNew(b *testing.B) {
	spec.R4()
	b.ReportAllocs()
	for b.Loop() {
		newCore()
	}
}
