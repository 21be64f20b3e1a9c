package record

import (
	"reflect"
	"time"

	"nailbridge/mapping/internal/rawjson"
)

// Ahead reports that all of w lies later than the day after t, in loc: it had
// not come to pass at t. The day between allows for zones and for records
// written over midnight. Nothing is ahead of the zero time, which is not known.
func (w *When) Ahead(t time.Time, loc *time.Location) bool {
	if w == nil || w.Precision == 0 || t.IsZero() {
		return false
	}
	start, _ := w.in(loc)
	y, m, d := t.In(loc).Date()
	return !start.Before(time.Date(y, m, d+2, 0, 0, 0, 0, loc))
}

// Dated is a date of a record with its place (RFC 6901).
type Dated struct {
	Pointer string
	When    *When
}

// Dates lists, in order, every date that tells of something which has come to
// pass, the saved-at apart: those of planned reviews and of expiry lie ahead by
// their nature and are not among them.
func Dates(r *Record) []Dated {
	var out []Dated
	dates(root(), reflect.ValueOf(r).Elem(), "", &out)
	return out
}

func dates(s *shape, v reflect.Value, ptr string, out *[]Dated) {
	if v.Kind() == reflect.Pointer {
		if v.IsNil() {
			return
		}
		v = v.Elem()
	}
	switch {
	case s.typ == whenType:
		if w := v.Interface().(When); !s.ahead {
			*out = append(*out, Dated{ptr, &w})
		}
	case s.isObject():
		for _, m := range s.members {
			dates(m, v.Field(m.index), rawjson.Pointer(ptr, m.name), out)
		}
	case s.item != nil && s.item.isObject():
		for i := range v.Len() {
			dates(s.item, v.Index(i), rawjson.Index(ptr, i), out)
		}
	}
}
