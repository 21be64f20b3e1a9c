package back

import (
	"bytes"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"time"

	"nailbridge/mapping/record"
)

// keptFor are the members at which the clinic's own content counts, and not what was
// folded of all records together.
var keptFor = []string{"/patient", "/sharing"}

// WithKept completes a record that was read, as it is written, with the content of it that the
// clinic's own store kept, as sent: what no published resource holds (NotHere)
// comes from there, what both hold from the record that was read. It gives the
// paths at which the two say different things, without values. Times are
// compared in the clinic's zone.
func WithKept(record, kept []byte, zone *time.Location) (out []byte, differ []string, err error) {
	var read, own any
	if err = decode(record, &read); err == nil {
		err = decode(kept, &own)
	}
	if err != nil {
		return nil, nil, fmt.Errorf("back: a kept record: %w", err)
	}
	m := merger{zone: zone}
	out, err = json.Marshal(m.merge(read, own, ""))
	return out, m.differ, err
}

func decode(b []byte, v any) error {
	d := json.NewDecoder(bytes.NewReader(b))
	d.UseNumber()
	return d.Decode(v)
}

type merger struct {
	zone   *time.Location
	differ []string
}

// merge is what was read with what was kept beside it.
func (m *merger) merge(read, kept any, path string) any {
	if m.keptCounts(read, kept, path) {
		return kept
	}
	switch r := read.(type) {
	case map[string]any:
		k, ok := kept.(map[string]any)
		if !ok {
			break
		}
		out := map[string]any{}
		for name, v := range k {
			out[name] = v
		}
		for name, v := range r {
			if own, ok := k[name]; ok {
				out[name] = m.merge(v, own, path+"/"+name)
			} else if !filledIn(path + "/" + name) {
				m.differ = append(m.differ, path+"/"+name)
				out[name] = v
			}
		}
		return out
	case []any:
		if k, ok := kept.([]any); ok {
			return m.list(r, k, path+"/*")
		}
	}
	if !m.same(read, kept) {
		m.differ = append(m.differ, path)
		return read
	}
	return kept
}

// filledIn are values that the way back has where a record left them out, since
// they follow from others.
func filledIn(path string) bool {
	return path == "/review/attendance" || strings.HasSuffix(path, "/allergies/items") || path == "/sharing" || strings.HasPrefix(path, "/patient") || path == "/surgery/allergies" || path == "/review/allergies"
}

// keptCounts reports a place at which the record's own words count: of the
// patient, of sharing, of allergies, and of a person whom both name alike.
func (m *merger) keptCounts(read, kept any, path string) bool {
	if strings.HasSuffix(path, "/allergies/items") || slices.Contains(keptFor, path) && samePatient(read, kept) {
		return true
	}
	return samePerson(read, kept)
}

// samePatient reports that both name one patient, or are no patients.
func samePatient(a, b any) bool {
	x, ok := a.(map[string]any)
	y, too := b.(map[string]any)
	return !ok || !too || fmt.Sprint(x["identifier"]) == fmt.Sprint(y["identifier"])
}

// samePerson reports that both are persons with one number.
func samePerson(a, b any) bool {
	x, ok := a.(map[string]any)
	y, too := b.(map[string]any)
	if !ok || !too {
		return false
	}
	for _, name := range []string{"registration", "staffKey"} {
		if y[name] != nil && x[name] != nil {
			return fmt.Sprint(x[name]) == fmt.Sprint(y[name])
		}
	}
	return false
}

// list joins the items of two lists: by their key, else by their place, else by
// their order. Items that only one has stay.
func (m *merger) list(read, kept []any, path string) []any {
	used := map[int]bool{}
	out := make([]any, 0, len(kept))
	for i, k := range kept {
		j := partner(k, i, read, used, len(read) == len(kept))
		if j < 0 {
			out = append(out, k)
			continue
		}
		used[j] = true
		out = append(out, m.merge(read[j], k, path))
	}
	for j, r := range read {
		if !used[j] {
			m.differ = append(m.differ, path)
			out = append(out, r)
		}
	}
	return out
}

// partner is the place in read of what an item of a kept list became: the next of
// its name, none for one that says nothing.
func partner(k any, i int, read []any, used map[int]bool, aligned bool) int {
	item, isObject := k.(map[string]any)
	if !isObject {
		if i < len(read) && !used[i] && (aligned || scalarEqual(k, read[i])) {
			return i
		}
		return slices.IndexFunc(read, func(r any) bool { return scalarEqual(k, r) })
	}
	if len(item) == 0 {
		return -1
	}
	for j, r := range read {
		if !used[j] && itemName(r) == itemName(k) {
			return j
		}
	}
	return -1
}

func scalarEqual(a, b any) bool {
	_, isText := a.(string)
	return isText && a == b
}

// itemName is what an item of a list is known by: its key and place.
func itemName(v any) string {
	x, ok := v.(map[string]any)
	if !ok {
		return ""
	}
	var parts []string
	for _, name := range []string{"key", "side", "digit", "border"} {
		if s, ok := x[name].(string); ok {
			parts = append(parts, name+"="+s)
		}
	}
	return strings.Join(parts, " ")
}

// same reports that two values say the same: a number in another writing, a time
// without the offset that the clinic's zone gives it, words without outer spaces.
func (m *merger) same(a, b any) bool {
	if a == b {
		return true
	}
	x, y := fmt.Sprint(a), fmt.Sprint(b)
	if strings.Join(strings.Fields(x), " ") == strings.Join(strings.Fields(y), " ") {
		return true
	}
	_, isNumber := a.(json.Number)
	_, too := b.(json.Number)
	if isNumber && too {
		p, err := record.ParseDecimal(x)
		q, err2 := record.ParseDecimal(y)
		return err == nil && err2 == nil && p.Rat().Cmp(q.Rat()) == 0
	}
	v, err := record.ParseWhen(x)
	w, err2 := record.ParseWhen(y)
	if err != nil || err2 != nil || v.Precision != w.Precision {
		return false
	}
	p, _ := v.In(m.zone)
	q, _ := w.In(m.zone)
	return p.Truncate(time.Microsecond).Equal(q.Truncate(time.Microsecond))
}
