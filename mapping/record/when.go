package record

import (
	"encoding/json"
	"errors"
	"fmt"
	"time"
)

// Precision says how much of a When was recorded.
type Precision uint8

// The precisions, coarse to fine.
const (
	PrecisionYear Precision = iota + 1
	PrecisionMonth
	PrecisionDay
	PrecisionMinute // seconds absent: shown as absent, never as zero (D5.6)
	PrecisionSecond
)

// When is a date or date-time as recorded: "2014", "2014-06", "2014-06-03",
// "2014-06-03T10:05", "2014-06-03T10:05:30.5", each time with or without an
// offset ("Z", "+01:00"). It keeps its text and never gains precision.
type When struct {
	Text                           string // as sent
	Precision                      Precision
	Year, Month, Day, Hour, Minute int
	Second, Nanosecond             int
	HasOffset                      bool
	OffsetMinutes                  int
}

// The two ways in which a text is no When.
var (
	// ErrWhenForm says that the text does not have the form of a When.
	ErrWhenForm = errors.New("not a date or date-time of the record format")
	// ErrWhenImpossible says that the form is right and that no calendar or
	// clock has such a date or time, as 30 February or 25:00.
	ErrWhenImpossible = errors.New("a date or time that no calendar has")
)

// maxOffset is the widest offset from UTC, in minutes, that FHIR's dateTime
// allows (https://hl7.org/fhir/R4/datatypes.html#dateTime).
const maxOffset = 14 * 60

// ParseWhen reads a date or date-time of the record format. It is strict: a
// year has four digits, months and days exist in the calendar, hours go from
// 00 to 23, seconds from 00 to 59 (no leap second), a fraction has one to nine
// digits, and an offset is "Z" or a sign with hh:mm of at most 14:00. The error
// is ErrWhenForm or ErrWhenImpossible and never holds the text.
func ParseWhen(text string) (When, error) {
	p := whenParser{rest: text}
	w := When{Text: text, Precision: PrecisionYear, Month: 1, Day: 1}
	w.Year = p.digits(4)
	if p.take('-') {
		w.Precision, w.Month = PrecisionMonth, p.digits(2)
		if p.take('-') {
			w.Precision, w.Day = PrecisionDay, p.digits(2)
			if p.take('T') {
				p.clock(&w)
			}
		}
	}
	if p.bad || p.rest != "" {
		return When{}, ErrWhenForm
	}
	if !w.possible() {
		return When{}, ErrWhenImpossible
	}
	return w, nil
}

// whenParser reads the parts of a When from the left.
type whenParser struct {
	rest string
	bad  bool
}

func (p *whenParser) take(c byte) bool {
	if p.rest == "" || p.rest[0] != c {
		return false
	}
	p.rest = p.rest[1:]
	return true
}

// digits reads exactly n decimal digits.
func (p *whenParser) digits(n int) int {
	if len(p.rest) < n {
		p.bad = true
		return 0
	}
	v := 0
	for i := range n {
		c := p.rest[i]
		if c < '0' || c > '9' {
			p.bad = true
			return 0
		}
		v = v*10 + int(c-'0')
	}
	p.rest = p.rest[n:]
	return v
}

// clock reads hh:mm, then seconds with fraction and an offset where present.
func (p *whenParser) clock(w *When) {
	w.Precision, w.Hour = PrecisionMinute, p.digits(2)
	if !p.take(':') {
		p.bad = true
		return
	}
	w.Minute = p.digits(2)
	if p.take(':') {
		w.Precision, w.Second = PrecisionSecond, p.digits(2)
		if p.take('.') {
			w.Nanosecond = p.fraction()
		}
	}
	p.offset(w)
}

// fraction reads one to nine digits as nanoseconds.
func (p *whenParser) fraction() int {
	v, n := 0, 0
	for n < 9 && p.rest != "" && p.rest[0] >= '0' && p.rest[0] <= '9' {
		v = v*10 + int(p.rest[0]-'0')
		p.rest = p.rest[1:]
		n++
	}
	if n == 0 {
		p.bad = true
	}
	for ; n < 9; n++ {
		v *= 10
	}
	return v
}

func (p *whenParser) offset(w *When) {
	if p.take('Z') {
		w.HasOffset = true
		return
	}
	sign := 1
	switch {
	case p.take('+'):
	case p.take('-'):
		sign = -1
	default:
		return
	}
	hours := p.digits(2)
	if !p.take(':') {
		p.bad = true
		return
	}
	minutes := p.digits(2)
	if minutes > 59 {
		hours = maxOffset // more than any zone: impossible
	}
	w.HasOffset, w.OffsetMinutes = true, sign*(hours*60+minutes)
}

// possible reports whether calendar and clock have the parts of w.
func (w When) possible() bool {
	if w.Year < 1 || w.Month < 1 || w.Month > 12 || w.Day < 1 {
		return false
	}
	lastDay := time.Date(w.Year, time.Month(w.Month)+1, 0, 0, 0, 0, 0, time.UTC).Day()
	return w.Day <= lastDay && w.Hour <= 23 && w.Minute <= 59 && w.Second <= 59 &&
		w.OffsetMinutes >= -maxOffset && w.OffsetMinutes <= maxOffset
}

// HasTime reports whether w has a time of day.
func (w When) HasTime() bool { return w.Precision >= PrecisionMinute }

// Partial reports whether w is less than a full date.
func (w When) Partial() bool { return w.Precision < PrecisionDay }

// Date is the calendar date as recorded, in the recorder's own zone; ok is
// false where w is less than a full date.
func (w When) Date() (year int, month time.Month, day int, ok bool) {
	return w.Year, time.Month(w.Month), w.Day, !w.Partial()
}

// String is the text as recorded; of a When built from its parts, the text
// that ParseWhen reads back to the same parts.
func (w When) String() string {
	if w.Text != "" {
		return w.Text
	}
	switch w.Precision {
	case PrecisionYear:
		return fmt.Sprintf("%04d", w.Year)
	case PrecisionMonth:
		return fmt.Sprintf("%04d-%02d", w.Year, w.Month)
	}
	text := fmt.Sprintf("%04d-%02d-%02d", w.Year, w.Month, w.Day)
	if w.HasTime() {
		text += fmt.Sprintf("T%02d:%02d", w.Hour, w.Minute)
	}
	if w.Precision == PrecisionSecond {
		text += fmt.Sprintf(":%02d", w.Second)
		if w.Nanosecond != 0 {
			text += fmt.Sprintf(".%09d", w.Nanosecond)
		}
	}
	return text + w.offsetText()
}

func (w When) offsetText() string {
	switch m := w.OffsetMinutes; {
	case !w.HasOffset || !w.HasTime():
		return ""
	case m == 0:
		return "Z"
	case m < 0:
		return fmt.Sprintf("-%02d:%02d", -m/60, -m%60)
	default:
		return fmt.Sprintf("+%02d:%02d", m/60, m%60)
	}
}

// MarshalJSON writes w as its text.
func (w When) MarshalJSON() ([]byte, error) { return json.Marshal(w.String()) }

// UnmarshalJSON reads w by ParseWhen.
func (w *When) UnmarshalJSON(b []byte) error {
	var text string
	if err := json.Unmarshal(b, &text); err != nil {
		return ErrWhenForm
	}
	parsed, err := ParseWhen(text)
	if err != nil {
		return err
	}
	*w = parsed
	return nil
}
