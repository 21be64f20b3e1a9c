// Package temporal holds FHIRPath's Date, DateTime and Time (N1 4.1.5 to
// 4.1.7): values that know how precise they are. A year alone is not the first
// of January, and where two values cannot be told apart for want of precision
// or of a zone, their order is unknown.
package temporal

import (
	"strconv"
	"strings"
	"time"
)

// Kind is the FHIRPath type of a value.
type Kind uint8

// The three types.
const (
	Date Kind = iota + 1
	DateTime
	Time
)

// Precision is the last part that a value states. Seconds and their fraction
// are one precision (N1 6.1.1).
type Precision uint8

// The precisions, from coarse to fine.
const (
	Year Precision = iota
	Month
	Day
	Hour
	Minute
	Second
)

// Value is a date, date with time, or time of day. Values are made by the
// parsing functions and Of; the zero Value is none.
type Value struct {
	kind   Kind
	prec   Precision
	part   [6]int // year, month, day, hour, minute, second
	nano   int
	digits int  // of the fraction of a second, as written
	zoned  bool // offset is stated
	offset int  // minutes east of UTC
}

// Kind is the type of the value.
func (v Value) Kind() Kind { return v.kind }

// Precision is the last part that the value states.
func (v Value) Precision() Precision { return v.prec }

// Of is an instant to the millisecond, in its zone: a DateTime.
func Of(t time.Time) Value {
	_, offset := t.Zone()
	return Value{
		kind: DateTime, prec: Second, zoned: true, offset: offset / 60, digits: 3,
		part: [6]int{t.Year(), int(t.Month()), t.Day(), t.Hour(), t.Minute(), t.Second()},
		nano: t.Nanosecond() / 1e6 * 1e6,
	}
}

// AsDate is the date of a Date or DateTime, to its own precision.
func (v Value) AsDate() Value {
	d := Value{kind: Date, prec: min(v.prec, Day)}
	copy(d.part[:3], v.part[:3])
	return d
}

// AsDateTime is a Date as a DateTime without a time (N1 5.5.4).
func (v Value) AsDateTime() Value {
	v.kind = DateTime
	return v
}

// AsTime is the time of day of a DateTime, without its offset.
func (v Value) AsTime() Value {
	v.kind, v.zoned, v.offset = Time, false, 0
	v.part[Year], v.part[Month], v.part[Day] = 0, 0, 0
	return v
}

// ParseDate reads YYYY, YYYY-MM or YYYY-MM-DD with a day that exists.
func ParseDate(s string) (Value, bool) {
	v := Value{kind: Date}
	rest, ok := v.date(s)
	return v, ok && rest == ""
}

// ParseDateTime reads a date with perhaps a time and offset, from YYYY to
// YYYY-MM-DDThh:mm:ss.fff+hh:mm. A bare T may stand after any date.
func ParseDateTime(s string) (Value, bool) {
	v := Value{kind: DateTime}
	rest, ok := v.date(s)
	if !ok || rest == "" || rest == "T" {
		return v, ok
	}
	if rest[0] != 'T' || v.prec != Day {
		return v, false
	}
	if rest, ok = v.clock(rest[1:]); !ok || rest == "" {
		return v, ok
	}
	return v, v.zone(rest)
}

// ParseTime reads hh, hh:mm, hh:mm:ss or hh:mm:ss.fff, with or without a
// leading T.
func ParseTime(s string) (Value, bool) {
	v := Value{kind: Time}
	rest, ok := v.clock(strings.TrimPrefix(s, "T"))
	return v, ok && rest == ""
}

func (v *Value) date(s string) (string, bool) {
	var ok bool
	if s, ok = v.take(s, "", Year, 4, 1, 9999); !ok {
		return s, false
	}
	if s, ok = v.take(s, "-", Month, 2, 1, 12); !ok {
		return s, s == "" || s[0] == 'T'
	}
	last := time.Date(v.part[Year], time.Month(v.part[Month])+1, 0, 0, 0, 0, 0, time.UTC).Day()
	if s, ok = v.take(s, "-", Day, 2, 1, last); !ok {
		return s, s == "" || s[0] == 'T'
	}
	return s, true
}

// clock reads the time of day; 24:00 is no time and there are no leap seconds
// (N1 4.1.6).
func (v *Value) clock(s string) (string, bool) {
	var ok bool
	if s, ok = v.take(s, "", Hour, 2, 0, 23); !ok {
		return s, false
	}
	if s, ok = v.take(s, ":", Minute, 2, 0, 59); !ok {
		return s, s == "" || s[0] != ':'
	}
	if s, ok = v.take(s, ":", Second, 2, 0, 59); !ok {
		return s, s == "" || s[0] != ':'
	}
	if s == "" || s[0] != '.' {
		return s, true
	}
	n := 1
	for n < len(s) && s[n] >= '0' && s[n] <= '9' {
		n++
	}
	if n == 1 {
		return s, false
	}
	v.digits = min(n-1, 9)
	nine := (s[1:n] + "000000000")[:9]
	v.nano, _ = strconv.Atoi(nine)
	return s[n:], true
}

func (v *Value) zone(s string) bool {
	v.zoned = true
	if s == "Z" {
		return true
	}
	if len(s) != 6 || s[0] != '+' && s[0] != '-' || s[3] != ':' {
		return false
	}
	h, okH := digits(s[1:3])
	m, okM := digits(s[4:])
	if !okH || !okM || h > 14 || m > 59 {
		return false
	}
	v.offset = h*60 + m
	if s[0] == '-' {
		v.offset = -v.offset
	}
	return true
}

// take reads the separator and n digits of part p, and makes p the precision.
func (v *Value) take(s, sep string, p Precision, n, low, high int) (string, bool) {
	t, ok := strings.CutPrefix(s, sep)
	if !ok || len(t) < n {
		return s, false
	}
	value, ok := digits(t[:n])
	if !ok || value < low || value > high {
		return s, false
	}
	v.part[p], v.prec = value, p
	return t[n:], true
}

func digits(s string) (int, bool) {
	n := 0
	for i := range len(s) {
		if s[i] < '0' || s[i] > '9' {
			return 0, false
		}
		n = n*10 + int(s[i]-'0')
	}
	return n, true
}

// String writes the value as N1 5.5.7 says, to its own precision and without
// the @ and T of literals.
func (v Value) String() string {
	b := make([]byte, 0, 32)
	if v.kind != Time {
		b = pad(b, v.part[Year], 4)
		for p := Month; p <= min(v.prec, Day); p++ {
			b = pad(append(b, '-'), v.part[p], 2)
		}
		if v.prec < Hour {
			return string(b)
		}
		b = append(b, 'T')
	}
	b = pad(b, v.part[Hour], 2)
	for p := Minute; p <= v.prec; p++ {
		b = pad(append(b, ':'), v.part[p], 2)
	}
	if v.digits > 0 {
		b = append(b, '.')
		b = append(b, pad(nil, v.nano, 9)[:v.digits]...)
	}
	if v.zoned {
		b = appendZone(b, v.offset)
	}
	return string(b)
}

func appendZone(b []byte, offset int) []byte {
	if offset == 0 {
		return append(b, 'Z')
	}
	sign := byte('+')
	if offset < 0 {
		sign, offset = '-', -offset
	}
	b = pad(append(b, sign), offset/60, 2)
	return pad(append(b, ':'), offset%60, 2)
}

// pad appends n with at least width digits.
func pad(b []byte, n, width int) []byte {
	s := strconv.Itoa(n)
	for i := len(s); i < width; i++ {
		b = append(b, '0')
	}
	return append(b, s...)
}
