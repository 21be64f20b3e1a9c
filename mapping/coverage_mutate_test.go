package mapping_test

import (
	"encoding/json"
	"strconv"
	"strings"
	"testing"

	"nailbridge/mapping/record"
)

// mutation is one change of one value of a record, as a tree of JSON.
type mutation struct {
	what  string
	apply func(parent map[string]any, name string)
	item  func(parent []any)
}

// mutations are the changes tried at a place, given the value there; nil for
// none. Every other listed value, another value of the
// same kind, and none.
func mutations(p record.PathInfo, value any) []mutation {
	var out []mutation
	set := func(v any) {
		out = append(out, mutation{
			what:  "set",
			apply: func(parent map[string]any, name string) { parent[name] = v },
			item:  func(parent []any) { parent[0] = v },
		})
	}
	switch p.Type {
	case record.CodePath:
		for _, v := range others(*p.Set, value) {
			set(v)
		}
	case record.WhenPath:
		set(otherWhen(value))
		if w, err := record.ParseWhen(text(value, "")); err == nil && w.HasTime() {
			set(withoutSeconds(w))
		}
	case record.DecimalPath, record.IntegerPath:
		set(json.Number(otherNumber(value)))
	case record.BooleanPath:
		if value == nil {
			set(true)
		}
	case record.URIPath:
		set(text(value, "https://thistledown.example") + "/other")
	case record.IDPath:
		set(text(value, "k") + "9")
	default:
		set(text(value, "Some words") + " differently")
	}
	if value != nil && !strings.HasSuffix(p.Path, "/*") {
		out = append(out, mutation{what: "remove", apply: func(parent map[string]any, name string) { delete(parent, name) }})
	}
	return out
}

func text(value any, otherwise string) string {
	if s, ok := value.(string); ok {
		return s
	}
	return otherwise
}

// others are the other values listed.
func others(s record.Set, value any) []string {
	var out []string
	for _, v := range s.Values {
		if string(v.Code) != text(value, "") {
			out = append(out, string(v.Code))
		}
	}
	return out
}

// otherWhen is three days later, or a day of the base records.
func otherWhen(value any) string {
	w, err := record.ParseWhen(text(value, "2025-03-09"))
	if err != nil {
		panic(err)
	}
	w.Text = ""
	w.Day = 1 + (w.Day+2)%28
	return w.String()
}

// withoutSeconds is the time to the minute.
func withoutSeconds(w record.When) string {
	w.Text, w.Precision = "", record.PrecisionMinute
	return w.String()
}

func otherNumber(value any) string {
	n, ok := value.(json.Number)
	if !ok {
		return "2"
	}
	if i, err := strconv.ParseInt(n.String(), 10, 64); err == nil {
		return strconv.FormatInt(i+1, 10)
	}
	f, err := n.Float64()
	if err != nil {
		panic(err)
	}
	return strconv.FormatFloat(f+1, 'f', -1, 64)
}

// mutated is the record with the mutation at the path, whose "*" mean the first
// item. ok is false where the record has no parent for it.
func mutated(t testing.TB, line []byte, path string, m mutation) (out []byte, ok bool) {
	tree := parseTree(t, line)
	tokens := strings.Split(path[1:], "/")
	parent := walkTo(tree, tokens[:len(tokens)-1])
	last := tokens[len(tokens)-1]
	switch p := parent.(type) {
	case map[string]any:
		m.apply(p, last)
	case []any:
		if len(p) == 0 {
			return nil, false
		}
		m.item(p)
	default:
		return nil, false
	}
	b, err := json.Marshal(tree)
	if err != nil {
		panic(err)
	}
	return b, true
}

// valueAt is the value at a path of a record, nil for none.
func valueAt(t testing.TB, line []byte, path string) any {
	return walkTo(parseTree(t, line), strings.Split(path[1:], "/"))
}

func walkTo(at any, tokens []string) any {
	for _, token := range tokens {
		switch v := at.(type) {
		case map[string]any:
			at = v[token]
		case []any:
			if len(v) == 0 {
				return nil
			}
			at = v[0]
		default:
			return nil
		}
	}
	return at
}

func parseTree(t testing.TB, line []byte) any {
	t.Helper()
	d := json.NewDecoder(strings.NewReader(string(line)))
	d.UseNumber()
	var tree any
	if err := d.Decode(&tree); err != nil {
		t.Fatal(err)
	}
	return tree
}
