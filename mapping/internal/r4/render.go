package r4

import (
	"bytes"
	"encoding/json"
	"fmt"
	"maps"
	"reflect"
	"slices"
	"strings"

	"nailbridge/mapping/resource"
)

// render writes the object that google/fhir makes of a resource: the members of
// the resource in the order of resource.Ordered, those inside sorted. Its own writer
// and then a second reading for the order took as long as making the object.
func render[O ~map[string]V, V any](object O) ([]byte, error) {
	var buf bytes.Buffer
	w := writer[O, V]{buf: &buf}
	w.object(object, resource.Order)
	return buf.Bytes(), w.err
}

// writer writes objects of one type of google/fhir's, whose name cannot be written
// here; what stands in them is told by its shape.
type writer[O ~map[string]V, V any] struct {
	buf *bytes.Buffer
	err error
}

func (w *writer[O, V]) object(object O, order func(a, b string) int) {
	w.buf.WriteByte('{')
	for i, k := range slices.SortedFunc(maps.Keys(object), order) {
		if i > 0 {
			w.buf.WriteByte(',')
		}
		w.text(k)
		w.buf.WriteByte(':')
		w.value(object[k])
	}
	w.buf.WriteByte('}')
}

func (w *writer[O, V]) value(v any) {
	switch x := v.(type) {
	case nil:
		w.buf.WriteString("null")
		return
	case O:
		w.object(x, strings.Compare)
		return
	case json.Marshaler: // a number or a boolean, as written
		b, err := x.MarshalJSON()
		if err != nil && w.err == nil {
			w.err = err
		}
		w.buf.Write(b)
		return
	}
	switch r := reflect.ValueOf(v); r.Kind() {
	case reflect.String:
		w.text(r.String())
	case reflect.Slice:
		w.buf.WriteByte('[')
		for i := range r.Len() {
			if i > 0 {
				w.buf.WriteByte(',')
			}
			w.value(r.Index(i).Interface())
		}
		w.buf.WriteByte(']')
	default:
		w.err = fmt.Errorf("a value of kind %s", r.Kind())
	}
}

// text writes a string as encoding/json does without escapes for HTML.
func (w *writer[O, V]) text(s string) {
	if plain(s) {
		w.buf.WriteByte('"')
		w.buf.WriteString(s)
		w.buf.WriteByte('"')
		return
	}
	enc := json.NewEncoder(w.buf)
	enc.SetEscapeHTML(false)
	if err := enc.Encode(s); err != nil && w.err == nil {
		w.err = err
	}
	w.buf.Truncate(w.buf.Len() - 1) // the line feed behind it
}

// plain reports whether a string stands in JSON as it is.
func plain(s string) bool {
	for i := range len(s) {
		if c := s[i]; c < 0x20 || c >= 0x7f || c == '"' || c == '\\' {
			return false
		}
	}
	return true
}
