package mapping_test

import (
	"encoding/json"
	"fmt"
	"maps"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/validate"
	"nailbridge/mapping"
	"nailbridge/mapping/record"
	"nailbridge/mapping/resource"
)

// oddValues are values that a sender may write and nobody expects, made anew
// since they are changed in turn.
func oddValues() []any {
	return []any{
		"", " ", "\u0000\u0007", "a\u2028b\u200f", strings.Repeat("long ", 2000), "</div><script>x</script>", "\ufffd", "é\u0301", "unlisted-value", "#", "a/b|c", "Patient/1",
		json.Number("-1"), json.Number("0"), json.Number("1e20"), json.Number("0.000000000000001"), json.Number("123456789012345"), json.Number("1.0e-7"), json.Number("9007199254740991"),
		"9999-12-31", "0001-01-01", "2024-02-30", "2024-03-31T01:30", "2024-10-27T01:30:00.123456789", "9999-12-31T23:59:59+14:00", "0001-01-01T00:00:00-14:00", "2024", "2024-06",
		true, false, nil, []any{}, map[string]any{}, []any{[]any{}}, []any{nil, "", "x"},
	}
}

// D2.1, R-SEC-12: whatever a member holds, what is not refused is folded without a
// fault and passes the bridge's own check, and what is refused disturbs nothing.
func TestD2_1_OddValuesNeverBreakAFold(t *testing.T) {
	s := worldSettings()
	nothing := func(resource.Ref) bool { return false }
	eachPatient(t, 5, func(t *testing.T, p *folded) {
		r := seeded("odd " + p.in.Patient.Value)
		in := mapping.PatientFold{Patient: p.in.Patient}
		var put []string
		for _, d := range p.in.Deliveries {
			b, what := withOdd(t, r, d.Record)
			put = append(put, what)
			odd := deliverBytes(b)
			if odd.Record.Patient == nil || odd.Record.Patient.Identifier == nil {
				continue // the door keeps it under no patient
			}
			in.Deliveries = append(in.Deliveries, odd)
		}
		res, err := mapping.FoldPatient(s, in)
		if !assert.NoError(t, err, "%s", strings.Join(put, "\n")) {
			return
		}
		_, issues := validate.Check(res.Resources, nothing, s.Terms, s.Codes)
		for _, i := range issues {
			assert.Fail(t, "the fold's output does not pass", "%s: %s at %s: %s\n%s", i.Ref.Type, i.Key, i.Path, i.Text, strings.Join(put, "\n"))
		}
	})
}

// withOdd is the record with one to three of its values made odd, and which.
func withOdd(t *testing.T, r *rand.Rand, rec *record.Record) ([]byte, string) {
	t.Helper()
	b, err := record.Encode(rec)
	require.NoError(t, err)
	tree := parseTree(t, b)
	var what []string
	for range 1 + r.IntN(3) {
		at, path := tree, ""
		for depth := 0; ; depth++ {
			parent, name, next := randomMember(r, at)
			if parent == nil {
				break
			}
			path += "/" + name
			_, isObject := next.(map[string]any)
			_, isList := next.([]any)
			if (isObject || isList) && r.IntN(12) > 0 {
				at = next
				continue
			}
			values := oddValues()
			odd := values[r.IntN(len(values))]
			parent(odd)
			what = append(what, fmt.Sprintf("%s %s = %.40q", rec.Record, path, fmt.Sprint(odd)))
			break
		}
	}
	out, err := json.Marshal(tree)
	require.NoError(t, err)
	return out, strings.Join(what, "; ")
}

// randomMember chooses a member of an object or an item of a list: how to set
// it, its name and its value; nil for neither. The patient stays whom it is.
func randomMember(r *rand.Rand, at any) (set func(any), name string, value any) {
	switch v := at.(type) {
	case map[string]any:
		names := slices.DeleteFunc(slices.Sorted(maps.Keys(v)), func(n string) bool { return n == "identifier" || n == "kind" })
		if len(names) == 0 {
			return nil, "", nil
		}
		name = names[r.IntN(len(names))]
		return func(x any) { v[name] = x }, name, v[name]
	case []any:
		if len(v) == 0 {
			return nil, "", nil
		}
		i := r.IntN(len(v))
		return func(x any) { v[i] = x }, fmt.Sprint(i), v[i]
	}
	return nil, "", nil
}
