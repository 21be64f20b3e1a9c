package suite

import (
	"bytes"
	"encoding/json"
	"slices"
	"strings"

	"nailbridge/internal/validate/jsontree"
)

// parse reads JSON and keeps numbers as they are written.
func parse(b []byte) any {
	d := json.NewDecoder(bytes.NewReader(b))
	d.UseNumber()
	var v any
	if d.Decode(&v) != nil {
		return nil
	}
	return v
}

// get goes down by names and indexes; nil where there is nothing.
func get(v any, path ...any) any { return jsontree.At(v, path...) }

// text is get of a string or a number; "" where there is none.
func text(v any, path ...any) string {
	switch x := get(v, path...).(type) {
	case string:
		return x
	case json.Number:
		return x.String()
	}
	return ""
}

// list is get of an array.
func list(v any, path ...any) []any {
	l, _ := get(v, path...).([]any)
	return l
}

// set puts a value at a place, made where it is not there, into a copy of an
// object; nil takes it away.
func set(v any, value any, path ...any) any {
	if len(path) == 0 {
		return value
	}
	switch p := path[0].(type) {
	case string:
		m, _ := v.(map[string]any)
		out := map[string]any{}
		for k, x := range m {
			out[k] = x
		}
		if inner := set(out[p], value, path[1:]...); inner != nil {
			out[p] = inner
		} else {
			delete(out, p)
		}
		return out
	case int:
		l, _ := v.([]any)
		out := slices.Clone(l)
		for len(out) <= p {
			out = append(out, nil)
		}
		out[p] = set(out[p], value, path[1:]...)
		return out
	}
	return v
}

// walk calls f for every value of a tree with its name and the path to it.
func walk(v any, path string, f func(path, name string, v any)) {
	switch x := v.(type) {
	case map[string]any:
		for k, y := range x {
			f(path+"."+k, k, y)
			walk(y, path+"."+k, f)
		}
	case []any:
		for _, y := range x {
			f(path, "", y)
			walk(y, path, f)
		}
	}
}

// refOf is Type/id of a resource.
func refOf(r any) string { return text(r, "resourceType") + "/" + text(r, "id") }

// refs are those of resources, sorted.
func refs(rs []any) []string {
	out := make([]string, len(rs))
	for i, r := range rs {
		out[i] = refOf(r)
	}
	slices.Sort(out)
	return out
}

// codings are the codings of a concept, or of the concepts of a list.
func codings(v any) (out []any) {
	if l, many := v.([]any); many {
		for _, c := range l {
			out = append(out, codings(c)...)
		}
		return out
	}
	return list(v, "coding")
}

// token is system|code of a coding.
func token(c any) string { return text(c, "system") + "|" + text(c, "code") }

// idOf is the id of Type/id.
func idOf(ref string) string { return ref[strings.Index(ref, "/")+1:] }

// encode writes JSON as it came, without escapes for HTML.
func encode(v any) []byte {
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	if e.Encode(v) != nil {
		return nil
	}
	return bytes.TrimSpace(b.Bytes())
}
