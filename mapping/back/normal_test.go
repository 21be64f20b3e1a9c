package back_test

import (
	"encoding/json"
	"maps"
	"reflect"
	"slices"
	"sort"
	"strings"
	"testing"
	_ "time/tzdata"

	"github.com/stretchr/testify/require"

	"nailbridge/mapping/record"
)

// normal is a record in the form in which both sides are compared: the zone
// filled in, what back.NotHere lists left out, lists that have no order of their
// own sorted.
func normal(t testing.TB, r *record.Record) any {
	t.Helper()
	b, err := record.Encode(r)
	require.NoError(t, err)
	c := record.Read(b, settings().Clinic.Zone).Record
	c.SafeguardingNote, c.WithheldNote, c.Sharing = "", "", ""
	if c.Patient != nil {
		c.Patient = &record.Patient{Identifier: c.Patient.Identifier}
	}
	fill(reflect.ValueOf(c))
	sayOnce(c)
	b, err = record.Encode(c)
	require.NoError(t, err)
	b, err = record.Canonical(b)
	require.NoError(t, err)
	var tree any
	require.NoError(t, json.Unmarshal(b, &tree))
	tree = prune(tree, "")
	return tree
}

// fill walks a record: times get the clinic's zone, persons keep what names
// them.
func fill(v reflect.Value) {
	switch v.Kind() {
	case reflect.Pointer:
		if v.IsNil() {
			return
		}
		switch x := v.Interface().(type) {
		case *record.When:
			*x = zoned(*x)
			return
		case *record.Person:
			switch {
			case x.Registration != nil && x.Registration.Value != "":
				*x = record.Person{Registration: x.Registration}
			case x.StaffKey != "":
				*x = record.Person{StaffKey: x.StaffKey}
			default:
				x.Registration = nil
			}
			return
		}
		fill(v.Elem())
	case reflect.Struct:
		for i := range v.NumField() {
			if v.Type().Field(i).IsExported() {
				fill(v.Field(i))
			}
		}
	case reflect.Slice:
		for i := range v.Len() {
			fill(v.Index(i))
		}
	}
}

func zoned(w record.When) record.When {
	if !w.HasTime() {
		return w
	}
	if head, tail, ok := strings.Cut(w.Text, "."); ok { // zeros that pad a fraction
		digits := strings.TrimRight(tail[:len(tail)-len(strings.TrimLeft(tail, "0123456789"))], "0")
		if digits != "" {
			digits = "." + digits
		}
		w.Text = head + digits + strings.TrimLeft(tail, "0123456789")
	}
	if !w.HasOffset {
		at, _ := w.In(settings().Clinic.Zone)
		_, s := at.Zone()
		w.Year, w.Month, w.Day, w.Hour, w.Minute, w.Second = at.Year(), int(at.Month()), at.Day(), at.Hour(), at.Minute(), at.Second()
		w.HasOffset, w.OffsetMinutes, w.Text = true, s/60, ""
		if s == 0 {
			w.Text = strings.TrimSuffix(w.String(), "Z") + "+00:00"
		}
	}
	return w
}

// sayOnce leaves out what repeats another value.
func sayOnce(r *record.Record) {
	at := r.HappenedAt()
	if s := r.Surgery; s != nil {
		sayOnceOfSurgery(s, at)
	}
	var toes []record.ToeFindings
	if v := r.Review; v != nil {
		v.Attendance, toes = v.Attended(), v.Toes
		v.Photos, v.Antibiotics = agreed(v.Photos), fromDay(v.Antibiotics, at)
		if v.Allergies != nil {
			v.Allergies.Items = nil
		}
	}
	if k := r.Contact; k != nil {
		toes = k.Toes
		k.Photos, k.Antibiotics = agreed(k.Photos), fromDay(k.Antibiotics, at)
	}
	for i := range toes {
		if toes[i].Perfusion != nil {
			once(&toes[i].Perfusion.At, at)
		}
		for j := range toes[i].Borders {
			if d := toes[i].Borders[j].Discharge; d != nil {
				once(&d.At, at)
			}
			if x := toes[i].Borders[j].Infection; x != nil {
				x.Findings = each(x.Findings)
			}
		}
	}
}

func sayOnceOfSurgery(s *record.Surgery, at *record.When) {
	if s.Allergies != nil {
		s.Allergies.Items = nil
	}
	if w := s.Weight; w != nil {
		once(&w.At, at)
	}
	if m := s.Measurements; m != nil {
		once(&m.At, at)
	}
	if v := s.Vascular; v != nil {
		once(&v.At, at)
	}
	if m := s.Marking; m != nil {
		once(&m.At, at)
	}
	for i := range s.Toes {
		t := &s.Toes[i]
		if t.Perfusion != nil {
			once(&t.Perfusion.At, at)
		}
		if len(t.Tourniquets) > 0 {
			t.Tourniquet = ""
		}
		for j := range t.Borders {
			b := &t.Borders[j]
			if b.Outcome == s.Outcome {
				b.Outcome = ""
			}
			if b.Matrix == nil {
				continue
			}
			if b.Matrix.Method == "curettage" {
				b.Matrix.Curettage = ""
			}
			for k := range b.Matrix.Applications {
				once(&b.Matrix.Applications[k].At, at)
			}
		}
	}
	s.Photos, s.Antibiotics = agreed(s.Photos), fromDay(s.Antibiotics, at)
	if s.Events != nil && len(s.Events.Items) > 0 {
		s.Events.None = false
	}
}

// once takes out a time that is the record's own.
func once(w **record.When, at *record.When) {
	if *w != nil && at != nil && (*w).String() == at.String() {
		*w = nil
	}
}

// each is a list without repeats and without what was not read.
func each(cs []record.Code) []record.Code {
	var out []record.Code
	for _, c := range cs {
		if c != "" && !slices.Contains(out, c) {
			out = append(out, c)
		}
	}
	return out
}

func agreed(ps []record.Photo) []record.Photo {
	return slices.DeleteFunc(ps, func(p record.Photo) bool { return p.Consent != "agreed" })
}

func fromDay(as []record.Antibiotic, at *record.When) []record.Antibiotic {
	for i := range as {
		if f := as[i].From; f != nil && at != nil && f.Precision == record.PrecisionDay && at.Precision >= record.PrecisionDay &&
			f.Year == at.Year && f.Month == at.Month && f.Day == at.Day {
			as[i].From = nil
		}
	}
	return as
}

// ordered are the lists whose order says something.
var ordered = []string{"for", "findings", "given", "plannedReviews", "items"}

// prune takes out what is empty and sorts the lists that have no order.
func prune(v any, name string) any {
	switch x := v.(type) {
	case map[string]any:
		for k, m := range x {
			if m = prune(m, k); m == nil {
				delete(x, k)
			} else {
				x[k] = m
			}
		}
		if name != "discharge" && name != "followUpStopped" && saysNothing(x) {
			return nil
		}
		return x
	case []any:
		var out []any
		for _, m := range x {
			if m = prune(m, ""); m != nil {
				out = append(out, m)
			}
		}
		if len(out) == 0 {
			return nil
		}
		if !slices.Contains(ordered, name) {
			sort.SliceStable(out, func(i, j int) bool { return text(out[i]) < text(out[j]) })
		}
		return out
	}
	return v
}

// saysNothing reports that an object is empty, names a place and says nothing of
// it, or is the time of findings of which none was made.
func saysNothing(x map[string]any) bool {
	for k := range x {
		if !slices.Contains([]string{"key", "side", "digit", "border", "at"}, k) {
			return false
		}
	}
	_, toe := x["side"]
	_, border := x["border"]
	_, key := x["key"]
	_, at := x["at"]
	return len(x) == 0 || (toe || border || key) && !at || at && len(x) == 1
}

func text(v any) string {
	b, _ := json.Marshal(v)
	return string(b)
}

// paths calls f with each path at which two trees differ, without the places in
// lists, and what stands there.
func paths(a, b any, ptr string, f func(path string, a, b any)) {
	if reflect.DeepEqual(a, b) {
		return
	}
	x, isObject := a.(map[string]any)
	y, too := b.(map[string]any)
	if isObject && too {
		for _, k := range slices.Sorted(maps.Keys(x)) {
			paths(x[k], y[k], ptr+"/"+k, f)
		}
		for _, k := range slices.Sorted(maps.Keys(y)) {
			if _, ok := x[k]; !ok {
				f(ptr+"/"+k, nil, y[k])
			}
		}
		return
	}
	p, isList := a.([]any)
	q, too := b.([]any)
	if isList && too && len(p) == len(q) {
		for i := range p {
			paths(p[i], q[i], ptr+"/*", f)
		}
		return
	}
	f(ptr, a, b)
}
