package old

import (
	"errors"
	"math/big"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"golang.org/x/text/encoding/charmap"

	"nailbridge/internal/old/layout"
	"nailbridge/internal/ucum"
)

// Finding is one thing that was noticed about a cell or a row.
type Finding struct {
	Column string `json:"column,omitempty"` // its name in the layout
	Code   string `json:"code"`
	Text   string `json:"text"` // safe for logs
	// Mended: what the cell says was mended with certainty. Reject: the row
	// cannot become a record.
	Mended bool `json:"mended,omitempty"`
	Reject bool `json:"reject,omitempty"`
}

// column is a column of a layout, ready to read its cells.
type column struct {
	layout.Column
	null      []string
	format    *regexp.Regexp // of a string
	patterns  []layout.Pattern
	codes     map[string]string
	crosswalk map[string]string
	serial    int // 1900, 1904 or 0
	workbook  bool
	from, to  *ucum.Unit
}

// errorCells are what a spreadsheet shows where a formula failed (ECMA-376 part 1,
// section 18.17.3).
var errorCells = []string{"#N/A", "#REF!", "#VALUE!", "#DIV/0!", "#NAME?", "#NULL!", "#NUM!", "#GETTING_DATA"}

// clean takes away what says nothing, and mends what programs did to the letters.
func (c *column) clean(cell string) (string, []Finding) {
	var fs []Finding
	add := func(code, text string, mended bool) {
		fs = append(fs, Finding{Column: c.Name, Code: code, Text: text, Mended: mended})
	}
	if strings.ContainsAny(cell, "\u00a0\u202f") {
		add(NoBreakSpace, "no-break spaces, taken as spaces", true)
		cell = strings.NewReplacer("\u00a0", " ", "\u202f", " ").Replace(cell)
	}
	if fixed, ok := decodedTwice(cell); ok {
		add(MisDecoded, "UTF-8 that was read as Windows-1252, read back", true)
		cell = fixed
	}
	if strings.ContainsRune(cell, utf8.RuneError) {
		add(LostCharacters, "characters were lost before the file came here", false)
	}
	cell = strings.TrimSpace(cell)
	if slices.Contains(errorCells, strings.ToUpper(cell)) {
		add(ErrorCell, "an error of a spreadsheet stands in the cell; it says nothing", false)
		return "", fs
	}
	if slices.ContainsFunc(c.null, func(n string) bool { return strings.EqualFold(n, cell) }) {
		return "", fs
	}
	return cell, fs
}

// decodedTwice reads back UTF-8 that was taken for Windows-1252: "MÃ¼ller". It is
// certain where every byte comes back and the result is valid UTF-8 with fewer
// letters.
func decodedTwice(cell string) (string, bool) {
	if !strings.ContainsAny(cell, "ÃÂâ") {
		return cell, false
	}
	b, err := charmap.Windows1252.NewEncoder().String(cell)
	if err != nil || !utf8.ValidString(b) || b == cell || utf8.RuneCountInString(b) >= utf8.RuneCountInString(cell) {
		return cell, false
	}
	return b, true
}

var (
	plainNumber   = regexp.MustCompile(`^[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]{1,2})?$`)
	longNumber    = regexp.MustCompile(`^[0-9]+(?:[.,][0-9]+)?[eE]\+?[0-9]{1,2}$`)
	looksLikeDate = regexp.MustCompile(`(?i)^(?:[0-9]{1,2}[-/. ](?:jan|feb|mar|apr|may|jun|jul|aug|sep|oct|nov|dec)[a-z]*(?:[-/. ][0-9]{2,4})?|(?:jan|feb|mar|apr|may|jun|jul|aug|sep|oct|nov|dec)[-/. ][0-9]{2,4}|[0-9]{4}-[0-9]{2}-[0-9]{2}(?:[ T][0-9:.]+)?|[0-9]{1,2}[-/.][0-9]{1,2}[-/.](?:[0-9]{2}|[0-9]{4}))$`)
)

// becameDate reports whether a spreadsheet made a date of words such as "1-2": a
// date, or its day number, stands where the column has words or codes.
func becameDate(cell string, workbook bool) bool {
	if looksLikeDate.MatchString(cell) {
		return true
	}
	n, err := strconv.Atoi(cell)
	return workbook && err == nil && n > 20000 && n < 80000
}

// shown is a cell that became a date as a person sees it: a workbook keeps the day's
// number.
func (c *column) shown(cell string) string {
	if n, err := strconv.Atoi(cell); err == nil && c.workbook {
		return serialMoment(float64(n), max(c.serial, 1900), "date").When()
	}
	return cell
}

// text reads a cell of words: a key, a number of a patient, a name.
func (c *column) text(cell string) (string, []Finding) {
	var fs []Finding
	reject := func(code, text string) {
		fs = append(fs, Finding{Column: c.Name, Code: code, Text: text, Reject: true})
	}
	if longNumber.MatchString(cell) {
		reject(Scientific, "a long number in scientific notation: its last digits are lost")
		return "", fs
	}
	if c.format == nil || c.format.MatchString(cell) {
		return cell, fs
	}
	if strings.Trim(cell, "0123456789") == "" {
		for n := 1; n <= 12; n++ {
			if padded := strings.Repeat("0", n) + cell; c.format.MatchString(padded) {
				return padded, append(fs, Finding{Column: c.Name, Code: LeadingZeros, Text: "leading zeros that the declared form demands were lost", Mended: true})
			}
		}
	}
	reject(BadForm, "not of the form that the layout declares")
	return "", fs
}

// number reads a decimal by the characters that the layout declares, in the
// record's unit.
func (c *column) number(cell string) (string, []Finding) {
	bad := func(code, text string) (string, []Finding) {
		return "", []Finding{{Column: c.Name, Code: code, Text: text}}
	}
	s := cell
	if g := c.Datatype.GroupChar; g != "" {
		s = strings.ReplaceAll(s, g, "")
	}
	if d := c.Datatype.DecimalChar; d != "" && d != "." {
		if strings.Contains(s, ".") && !c.workbook {
			return bad(BadNumber, "not a number of the declared form")
		}
		s = strings.Replace(s, d, ".", 1)
	}
	if len(s) > 32 || !plainNumber.MatchString(s) {
		return bad(BadNumber, "not a number of the declared form")
	}
	r, _ := new(big.Rat).SetString(s)
	var fs []Finding
	if c.workbook && len(s) > 16 {
		if f, err := strconv.ParseFloat(s, 64); err == nil {
			s = strconv.FormatFloat(f, 'f', -1, 64)
			if short := strconv.FormatFloat(f, 'g', 15, 64); len(short) < len(s) {
				s = short
				fs = append(fs, Finding{Column: c.Name, Code: FloatNoise, Text: "digits beyond the fifteenth come of binary rounding", Mended: true})
			}
			r, _ = new(big.Rat).SetString(s)
		}
	}
	if c.from != nil {
		v, err := ucum.Convert(r, *c.from, *c.to)
		if err != nil {
			return bad(BadUnit, "cannot be turned into the record's unit")
		}
		return shortDecimal(v), fs
	}
	if strings.ContainsAny(s, "eE") {
		s = shortDecimal(r)
	}
	return strings.TrimPrefix(s, "+"), fs
}

// shortDecimal writes a number with at most six decimals, without zeros at its end.
func shortDecimal(r *big.Rat) string {
	s := r.FloatString(6)
	return strings.TrimSuffix(strings.TrimRight(s, "0"), ".")
}

// maxSerial is the day number of 31 December 9999.
const maxSerial = 2958465

// moment reads a date, a time or both.
func (c *column) moment(cell string) (layout.Moment, []Finding) {
	none := layout.Moment{Year: -1, Month: -1, Day: -1, Hour: -1, Minute: -1, Second: -1}
	if f, err := strconv.ParseFloat(cell, 64); err == nil && c.serial != 0 && !strings.ContainsAny(cell, "eE") && f >= 0 && f < maxSerial && !c.yearOnly(cell) {
		if c.Datatype.Base != "time" && mayBeYearOrAge(f) {
			return none, []Finding{{Column: c.Name, Code: BadDate, Text: "a number that may be a year or an age, and stands where a day does"}}
		}
		m := serialMoment(f, c.serial, c.Datatype.Base)
		if c.workbook {
			return m, nil // a workbook's own way of keeping a date
		}
		return m, []Finding{{Column: c.Name, Code: SerialDate, Text: "a day number of a spreadsheet, read as its date", Mended: true}}
	}
	failed := Finding{Column: c.Name, Code: BadDate, Text: "not a date of the declared forms"}
	for _, p := range c.patterns {
		m, err := p.Read(cell, c.Note.Century)
		switch {
		case errors.Is(err, layout.ErrCentury):
			failed = Finding{Column: c.Name, Code: TwoDigitYear, Text: "a year of two digits, and the layout names no century"}
		case err == nil && possible(m):
			return m, nil
		case err == nil:
			failed = Finding{Column: c.Name, Code: BadDate, Text: "no day of the calendar, or no time of a day"}
		}
	}
	return none, []Finding{failed}
}

// mayBeYearOrAge reports whether a number stands for a year by itself or for an age
// rather than for a day: as day numbers these are days of 1900 and of 1904 to 1906.
func mayBeYearOrAge(f float64) bool {
	return f < 150 || f >= 1800 && f < 2200 && f == float64(int64(f))
}

// yearOnly reports whether a cell is a bare year of a column that may hold one.
func (c *column) yearOnly(cell string) bool {
	return len(cell) == 4 && slices.ContainsFunc(c.patterns, func(p layout.Pattern) bool { return p.String() == "yyyy" })
}

// possible reports whether a calendar and a clock have a moment.
func possible(m layout.Moment) bool {
	if m.Hour > 23 || m.Minute > 59 || m.Second > 59 {
		return false
	}
	if m.Year < 0 {
		return m.Hour >= 0
	}
	t := time.Date(m.Year, time.Month(max(m.Month, 1)), max(m.Day, 1), 0, 0, 0, 0, time.UTC)
	return (m.Month < 0 || m.Month <= 12 && m.Month >= 1) && (m.Day < 0 || t.Day() == m.Day)
}

// serialMoment is the moment of a serial number: days from 1899-12-30 (the system of
// 1900, whose 29 February 1900 never was), or from 1904-01-01, and the part of a day (ECMA-376
// part 1, section 18.17.4).
func serialMoment(f float64, epoch int, base string) layout.Moment {
	start := time.Date(1899, 12, 30, 0, 0, 0, 0, time.UTC)
	if epoch == 1904 {
		start = time.Date(1904, 1, 1, 0, 0, 0, 0, time.UTC)
	} else if f < 60 {
		start = start.AddDate(0, 0, 1)
	}
	seconds := int64((f-float64(int64(f)))*86400 + 0.5)
	t := start.AddDate(0, 0, int(f)).Add(time.Duration(seconds) * time.Second)
	m := layout.Moment{Year: t.Year(), Month: int(t.Month()), Day: t.Day(), Hour: -1, Minute: -1, Second: -1}
	if base == "time" {
		m.Year, m.Month, m.Day = -1, -1, -1
	}
	if base == "time" || base == "datetime" && f != float64(int64(f)) { // a whole number is a day, and says no time
		m.Hour, m.Minute = t.Hour(), t.Minute()
		if t.Second() != 0 {
			m.Second = t.Second()
		}
	}
	return m
}
