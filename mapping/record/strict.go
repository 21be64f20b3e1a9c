package record

import (
	"cmp"
	"fmt"
	"reflect"

	"nailbridge/mapping/internal/rawjson"
)

// DecodeStrict reads JSON into the struct that into points to, for what is no
// record but must not be misread either, such as settings: member names as in
// the json tags, their case included, each at most once, and nothing after the
// value. The struct may hold strings, truth values, whole numbers, pointers to
// either where absent is to be told from them, and structs and lists of those.
// Everything noticed is an error, each with its place as an RFC 6901 pointer,
// all at once; none means that all of it was read as sent.
func DecodeStrict(b []byte, into any) (errs []error) {
	v := reflect.ValueOf(into).Elem()
	d, _ := strictly(b, newShape(&shape{typ: v.Type()}), v)
	for _, x := range d.findings {
		text := x.Text
		if x.Code == "null-value" || x.Code == "empty-value" {
			text = "it is empty; leave it out" // a record's is read as absent
		}
		errs = append(errs, fmt.Errorf("%s: %s", cmp.Or(x.Pointer, "/"), text))
	}
	return errs
}

// strictly reads a value that is no record; ok is false when the bytes are no
// JSON, and nothing was read.
func strictly(b []byte, s *shape, v reflect.Value) (d decoder, ok bool) {
	d.seen = map[string]bool{}
	tree, fault := rawjson.Parse(b)
	if fault != nil {
		d.add(Refusal, fault.Code, "", fault.Text)
		return d, false
	}
	for _, ptr := range tree.Duplicates() {
		d.add(Refusal, "duplicate-member", ptr, "a member occurs more than once in one object")
	}
	d.value(tree, s, v, "")
	return d, true
}
