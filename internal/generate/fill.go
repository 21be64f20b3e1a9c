package generate

import (
	"fmt"
	"math/rand/v2"
	"reflect"
	"strconv"
	"strings"
	"sync"
	"time"

	"nailbridge/mapping/record"
)

// maker makes the records of one case.
type maker struct {
	*rand.Rand
	o        Options
	scenario scenario
	// at is when what the record in the making tells of began.
	at      time.Time
	patient *record.Patient
	ids     int
	keys    int
}

// places has every place of the record format by its path.
var places = sync.OnceValue(func() map[string]record.PathInfo {
	out := map[string]record.PathInfo{}
	for _, p := range record.Paths() {
		out[p.Path] = p
	}
	return out
})

func (m *maker) chance(p float64) bool { return m.Float64() < p }

// pick draws one of a list.
func pick[T any](m *maker, list []T) T { return list[m.IntN(len(list))] }

// fill sets the members of an object at a path. What is likely is left out more
// often in a sparse case, and less often in a full one; what is rare stays rare.
func (m *maker) fill(v reflect.Value, path string) {
	for i := range v.NumField() {
		name, _, _ := strings.Cut(v.Type().Field(i).Tag.Get("json"), ",")
		at := path + "/" + name
		r := rules[v.Type().Name()+"."+name]
		p := r.chance
		switch p {
		case 0:
			p = usual
		case apart:
			continue
		}
		switch d := m.scenario.density; {
		case p < 0.5 || p == always:
		case d < 1:
			p *= d
		case d > 1:
			p = 1 - (1-p)/4
		}
		if places()[at].Identifies {
			p = always
		}
		if m.chance(p) {
			m.value(v.Field(i), at, r)
		}
	}
}

// The chances of a member being there.
const (
	usual  = 0.8
	rare   = 0.04
	never  = -1 // the shaping alone sets it
	apart  = -2 // the same, and nothing is drawn: one seed gives the cases that it gave before the member was there
	always = 1
)

// value sets one value at a path.
func (m *maker) value(v reflect.Value, path string, r rule) {
	if v.Kind() == reflect.Pointer {
		v.Set(reflect.New(v.Type().Elem()))
		v = v.Elem()
	}
	switch p := places()[path]; p.Type {
	case record.ObjectPath:
		m.fill(v, path)
		m.tidy(v)
	case record.ListPath:
		m.list(v, path, r)
	case record.CodePath:
		v.SetString(string(m.code(*p.Set, r)))
	case record.WhenPath:
		v.Set(reflect.ValueOf(m.whenAt(p, r)))
	case record.DecimalPath:
		v.Set(reflect.ValueOf(m.decimal(r)))
	case record.IntegerPath:
		v.SetInt(m.integer(r))
	case record.BooleanPath:
		v.SetBool(true)
	case record.IDPath:
		m.keys++
		v.SetString("k" + strconv.Itoa(m.keys))
	case record.URIPath:
		v.SetString("https://thistledown.example/id")
	default:
		v.SetString(m.text(r))
	}
}

// list fills a list of one to three items, or as many as its rule says.
func (m *maker) list(v reflect.Value, path string, r rule) {
	n := 1 + m.IntN(2)
	if r.items > 0 {
		n = 1 + m.IntN(r.items)
	}
	v.Set(reflect.MakeSlice(v.Type(), n, n))
	for i := range n {
		m.value(v.Index(i), path+"/*", r)
	}
}

// code draws a listed value by the weights of its rule, each 1 unless said.
func (m *maker) code(s record.Set, r rule) record.Code {
	total := 0
	for _, v := range s.Values {
		total += 1 + r.weights[v.Code]
	}
	n := m.IntN(total)
	for _, v := range s.Values {
		if n -= 1 + r.weights[v.Code]; n < 0 {
			return v.Code
		}
	}
	return s.Values[0].Code
}

func (m *maker) decimal(r rule) record.Decimal {
	if len(r.decimals) > 0 {
		return record.MustDecimal(pick(m, r.decimals))
	}
	lo, hi := r.from, r.to
	if hi == 0 {
		lo, hi = 1, 9
	}
	places := m.IntN(r.digits + 1)
	if r.digits == 0 && m.chance(0.1) {
		places = 1 // such as 30.0: the text stays as it is
	}
	return record.MustDecimal(strconv.FormatFloat(lo+m.Float64()*(hi-lo), 'f', places, 64))
}

func (m *maker) integer(r rule) int64 {
	if len(r.numbers) > 0 {
		return pick(m, r.numbers)
	}
	return m.Int64N(10)
}

func (m *maker) text(r rule) string {
	if len(r.texts) == 0 || m.chance(0.05) {
		return pick(m, plainTexts)
	}
	return pick(m, r.texts)
}

// whenAt draws a time by its rule, counted from what the record tells of.
func (m *maker) whenAt(p record.PathInfo, r rule) record.When {
	span := r.until - r.after
	t := m.at.Add(r.after)
	if span > 0 {
		t = t.Add(time.Duration(m.Int64N(int64(span))))
	}
	if r.day {
		return m.date(t, p.Partial)
	}
	return m.when(t, p.Refuses)
}

// date is a date; partial at times where the format or old data allow it.
func (m *maker) date(t time.Time, partial bool) record.When {
	layouts := []string{time.DateOnly}
	if m.scenario.historical || partial {
		layouts = append(layouts, "2006-01", "2006")
	}
	return parse(t.In(m.o.Zone).Format(pick(m, layouts)))
}

// when is a time as a sender writes it: mostly with an offset and to the
// minute. strict: a skipped or repeated local time needs its offset (D2.1).
func (m *maker) when(t time.Time, strict bool) record.When {
	t = t.In(m.o.Zone)
	switch {
	case m.scenario.historical && m.chance(0.6):
		return m.date(t, true)
	case m.chance(0.03):
		return parse(t.Format(time.DateOnly))
	case m.chance(0.1):
		return parse(t.UTC().Format(pick(m, []string{"2006-01-02T15:04:05Z07:00", "2006-01-02T15:04:05.000Z07:00", "2006-01-02T15:04Z07:00"})))
	}
	if gap := m.skipped(t); !strict && gap != "" && m.chance(0.4) {
		return parse(gap)
	}
	layout := pick(m, []string{"2006-01-02T15:04", "2006-01-02T15:04", "2006-01-02T15:04:05"})
	plain := parse(t.Format(layout))
	_, res := plain.In(m.o.Zone)
	repeated := res == record.Ambiguous || res == record.NonExistent
	if repeated && !strict && m.chance(0.4) || !repeated && m.chance(0.2) {
		return plain
	}
	return parse(t.Format(layout + "Z07:00"))
}

// skipped is a local time without offset that the clocks of the spring night
// skipped; "" for any other night.
func (m *maker) skipped(t time.Time) string {
	if m.scenario.night != springNight {
		return ""
	}
	spring, _ := changes(m.o.Zone, t.Year())
	if spring.IsZero() || t.Sub(spring).Abs() > 12*time.Hour {
		return ""
	}
	_, offset := spring.Add(-time.Second).Zone()
	return spring.UTC().Add(time.Duration(offset)*time.Second + time.Duration(m.IntN(30))*time.Minute).Format("2006-01-02T15:04")
}

func parse(s string) record.When {
	w, err := record.ParseWhen(s)
	if err != nil {
		panic(fmt.Sprintf("generate: %q: %v", s, err))
	}
	return w
}

func ptr[T any](v T) *T { return &v }
