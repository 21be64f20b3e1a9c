package layout

import (
	"errors"
	"fmt"
	"strconv"
	"strings"
)

// Pattern is a pattern of dates and times: the letters of UTS 35 that the metadata
// vocabulary lists (section 6.4.4: yyyy, M, MM, d, dd, HH, mm, ss), and yy, MMM and H,
// which old files need.
type Pattern struct {
	parts []part
	text  string
}

type part struct {
	letter byte // y M d H m s; 0: literal
	width  int
	text   string
}

// ErrPattern says that a pattern is not one.
var ErrPattern = errors.New("not a pattern of dates")

// ParsePattern reads a pattern.
func ParsePattern(text string) (Pattern, error) {
	p := Pattern{text: text}
	for i := 0; i < len(text); {
		c := text[i]
		n := i
		for n < len(text) && text[n] == c {
			n++
		}
		switch width := n - i; {
		case strings.IndexByte("yMdHms", c) < 0:
			p.parts = append(p.parts, part{text: text[i:n]})
		case c == 'y' && width != 2 && width != 4, c == 'M' && width > 3, c != 'y' && c != 'M' && width > 2:
			return p, fmt.Errorf("%w: %s", ErrPattern, text[i:n])
		default:
			p.parts = append(p.parts, part{letter: c, width: width})
		}
		i = n
	}
	if len(p.parts) == 0 {
		return p, ErrPattern
	}
	return p, nil
}

// String is the pattern as it was written.
func (p Pattern) String() string { return p.text }

// DayFirst reports a pattern with day and month in numbers, the day first.
func (p Pattern) DayFirst() bool { return p.before('d', 'M') }

// MonthFirst reports one with the month first.
func (p Pattern) MonthFirst() bool { return p.before('M', 'd') }

func (p Pattern) before(a, b byte) bool {
	seen := false
	for _, q := range p.parts {
		if q.letter == a && (a != 'M' || q.width < 3) {
			seen = true
		}
		if q.letter == b && (b != 'M' || q.width < 3) {
			return seen
		}
	}
	return false
}

// Moment is what a text says by a pattern; -1 for what it does not say.
type Moment struct{ Year, Month, Day, Hour, Minute, Second int }

// ErrCentury says that a year of two digits has no century.
var ErrCentury = errors.New("a year of two digits, and the layout names no century")

// ErrForm says that a text does not follow the pattern.
var ErrForm = errors.New("not of the form that the layout declares")

var months = []string{"jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec"}

// Read reads a text. century is the first year that two digits may mean; 0: none.
func (p Pattern) Read(text string, century int) (Moment, error) {
	m := Moment{-1, -1, -1, -1, -1, -1}
	for _, q := range p.parts {
		if q.letter == 0 {
			if !strings.HasPrefix(text, q.text) {
				return m, ErrForm
			}
			text = text[len(q.text):]
			continue
		}
		v, n := q.number(text)
		if n == 0 {
			return m, ErrForm
		}
		if q.letter == 'y' && q.width == 2 {
			if century == 0 {
				return m, ErrCentury
			}
			v = century - century%100 + v
			if v < century {
				v += 100
			}
		}
		*m.field(q.letter) = v
		text = text[n:]
	}
	if text != "" {
		return m, ErrForm
	}
	return m, nil
}

func (m *Moment) field(letter byte) *int {
	return map[byte]*int{'y': &m.Year, 'M': &m.Month, 'd': &m.Day, 'H': &m.Hour, 'm': &m.Minute, 's': &m.Second}[letter]
}

// number reads the number of a part, and how many bytes it takes. Days, months and
// hours may have one digit where the pattern has two: programs drop the zero.
func (q part) number(text string) (int, int) {
	if q.letter == 'M' && q.width == 3 {
		for i, name := range months {
			if len(text) >= 3 && strings.EqualFold(text[:3], name) {
				return i + 1, 3
			}
		}
		return 0, 0
	}
	most := 2
	if q.width == 4 {
		most = 4
	}
	n := 0
	for n < len(text) && n < most && text[n] >= '0' && text[n] <= '9' {
		n++
	}
	if n == 0 || q.letter == 'y' && n != most || (q.letter == 'm' || q.letter == 's') && n != 2 {
		return 0, 0
	}
	v, err := strconv.Atoi(text[:n])
	if err != nil {
		return 0, 0
	}
	return v, n
}

// When is the moment in the form of the record format, as precise as it is: a year, a
// month, a day, or a time of a day.
func (m Moment) When() string {
	s := fmt.Sprintf("%04d", m.Year)
	if m.Month < 0 {
		return s
	}
	s += fmt.Sprintf("-%02d", m.Month)
	if m.Day < 0 {
		return s
	}
	s += fmt.Sprintf("-%02d", m.Day)
	if m.Hour < 0 {
		return s
	}
	return s + "T" + m.Clock()
}

// Clock is the time of day.
func (m Moment) Clock() string {
	s := fmt.Sprintf("%02d:%02d", m.Hour, max(m.Minute, 0))
	if m.Second >= 0 {
		s += fmt.Sprintf(":%02d", m.Second)
	}
	return s
}
