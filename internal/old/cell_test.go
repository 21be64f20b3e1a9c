package old

import (
	"regexp"
	"strconv"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/old/layout"
	"nailbridge/internal/ucum"
)

func codesOf(fs []Finding) []string {
	var out []string
	for _, f := range fs {
		c := f.Code
		if f.Mended {
			c += " mended"
		}
		if f.Reject {
			c += " reject"
		}
		out = append(out, c)
	}
	return out
}

// What programs do to the letters of a cell.
func TestCleanCells(t *testing.T) {
	c := &column{null: []string{"-", "n/a"}}
	for cell, want := range map[string]struct {
		text  string
		codes []string
	}{
		"R hallux":         {"R hallux", nil},
		"R\u00a0hallux":    {"R hallux", []string{"no-break-space mended"}},
		"MÃ¼ller":          {"Müller", []string{"mis-decoded mended"}},
		"Âµ":               {"µ", []string{"mis-decoded mended"}},
		"Ãtienne":          {"Ãtienne", nil}, // reads back as no UTF-8: left as it is
		"M\ufffdller":      {"M\ufffdller", []string{"lost-characters"}},
		"#N/A":             {"", []string{"error-cell"}},
		"#DIV/0!":          {"", []string{"error-cell"}},
		" N/A ":            {"", nil},
		"-":                {"", nil},
		"":                 {"", nil},
		"#4 of the series": {"#4 of the series", nil},
	} {
		text, fs := c.clean(cell)
		assert.Equal(t, want.text, text, cell)
		assert.Equal(t, want.codes, codesOf(fs), cell)
	}
}

// Keys: zeros come back only where the declared form demands them; a long number in
// scientific notation has lost its last digits and is never mended.
func TestKeys(t *testing.T) {
	c := &column{format: regexp.MustCompile(`^[0-9]{6}$`)}
	for cell, want := range map[string]struct {
		text  string
		codes []string
	}{
		"000101":      {"000101", nil},
		"101":         {"000101", []string{"leading-zeros mended"}},
		"1234567":     {"", []string{"form reject"}},
		"12a456":      {"", []string{"form reject"}},
		"1.23457E+11": {"", []string{"scientific-notation reject"}},
		"1,23E+15":    {"", []string{"scientific-notation reject"}},
	} {
		text, fs := c.text(cell)
		assert.Equal(t, want.text, text, cell)
		assert.Equal(t, want.codes, codesOf(fs), cell)
	}
}

// Words that a spreadsheet turned into dates.
func TestBecameDate(t *testing.T) {
	for cell, want := range map[string]bool{
		"01-Feb": true, "2-Jan": true, "Jan-02": true, "3-Apr-24": true, "2024-02-01": true, "01/02/2024": true, "2024-02-01 00:00:00": true,
		"1-2": false, "3/4": false, "R 1st": false, "T5": false, "phenol 3x1": false,
	} {
		assert.Equal(t, want, becameDate(cell, false), cell)
	}
	assert.True(t, becameDate("43102", true), "a day number in a workbook")
	assert.False(t, becameDate("43102", false))
}

// Serial numbers of dates: 1 is 1 January 1900 and 60 a day that never was, by the system
// of 1900; 0 is 1 January 1904 by the other (ECMA-376 part 1, section 18.17.4.1). The
// values are those of the standard's own examples where it has them: 39448 is 1 January
// 2008.
func TestSerialDates(t *testing.T) {
	for _, c := range []struct {
		cell string
		of   int
		base string
		want string
	}{
		{"1", 1900, "date", "1900-01-01"},
		{"59", 1900, "date", "1900-02-28"},
		{"61", 1900, "date", "1900-03-01"},
		{"39448", 1900, "date", "2008-01-01"},
		{"37986", 1904, "date", "2008-01-01"},
		{"0", 1904, "date", "1904-01-01"},
		{"39448.5", 1900, "datetime", "2008-01-01T12:00"},
		{"39448.420138888891", 1900, "datetime", "2008-01-01T10:05"},
	} {
		f, err := strconv.ParseFloat(c.cell, 64)
		require.NoError(t, err)
		assert.Equal(t, c.want, serialMoment(f, c.of, c.base).When(), c.cell)
	}
}

// A whole day number says no time, and a number that may be a year by itself or an age is
// no day: 2017 would be 9 July 1905, and 45 a day of 1900.
func TestANumberIsADayOnlyWhereItIsSurelyOne(t *testing.T) {
	for cell, want := range map[string]string{
		"39448": "2008-01-01", "39448.5": "2008-01-01T12:00", "2200": "1906-01-08", "1799": "1904-12-03", "2014.5": "1905-07-06T12:00",
		"2017": "", "1981": "", "1800": "", "2199": "", "45": "", "0.5": "", "149": "",
	} {
		for _, workbook := range []bool{true, false} {
			col := &column{serial: 1900, workbook: workbook}
			col.Datatype.Base = "datetime"
			m, fs := col.moment(cell)
			if want == "" {
				assert.Equal(t, []string{"not-a-date"}, codesOf(fs), cell)
				continue
			}
			assert.Equal(t, want, m.When(), cell)
		}
	}
	col := &column{serial: 1900, workbook: true}
	col.Datatype.Base = "time"
	m, fs := col.moment("0.5")
	assert.Empty(t, fs)
	assert.Equal(t, 12, m.Hour, "a time by itself is part of a day")
}

// Dates by declared patterns stay as precise as they are; two digits of a year need a
// century; a day that no calendar has is no date.
func TestDates(t *testing.T) {
	for _, c := range []struct {
		patterns []string
		cell     string
		century  int
		want     string
		code     string
	}{
		{[]string{"dd/MM/yyyy"}, "03/06/2014", 0, "2014-06-03", ""},
		{[]string{"dd/MM/yyyy"}, "3/6/2014", 0, "2014-06-03", ""},
		{[]string{"MM/dd/yyyy"}, "03/06/2014", 0, "2014-03-06", ""},
		{[]string{"dd/MM/yyyy", "MM/yyyy", "yyyy"}, "06/2014", 0, "2014-06", ""},
		{[]string{"dd/MM/yyyy", "MM/yyyy", "yyyy"}, "2014", 0, "2014", ""},
		{[]string{"dd MMM yyyy HH:mm"}, "03 Jun 2014 10:05", 0, "2014-06-03T10:05", ""},
		{[]string{"dd/MM/yy"}, "02/11/58", 1920, "1958-11-02", ""},
		{[]string{"dd/MM/yy"}, "02/11/19", 1920, "2019-11-02", ""},
		{[]string{"dd/MM/yy"}, "02/11/58", 0, "", "two-digit-year"},
		{[]string{"dd/MM/yyyy"}, "30/02/2014", 0, "", "not-a-date"},
		{[]string{"dd/MM/yyyy"}, "17.06.2014", 0, "", "not-a-date"},
	} {
		col := &column{}
		col.Note.Century = c.century
		for _, p := range c.patterns {
			q, err := layout.ParsePattern(p)
			require.NoError(t, err)
			col.patterns = append(col.patterns, q)
		}
		m, fs := col.moment(c.cell)
		if c.code != "" {
			assert.Equal(t, []string{c.code}, codesOf(fs), c.cell)
			continue
		}
		assert.Empty(t, fs, c.cell)
		assert.Equal(t, c.want, m.When(), c.cell)
	}
}

// Numbers by the declared characters, in the record's unit: 154 lb are 69.853225 kg
// (1 lb = 0.45359237 kg, UCUM [lb_av]).
func TestNumbers(t *testing.T) {
	lb, err := ucum.Parse("[lb_av]")
	require.NoError(t, err)
	kg, err := ucum.Parse("kg")
	require.NoError(t, err)
	comma := &column{}
	comma.Datatype.DecimalChar, comma.Datatype.GroupChar = ",", "."
	for _, c := range []struct {
		col        *column
		cell, want string
	}{
		{&column{}, "2.50", "2.50"},
		{comma, "1.234,5", "1234.5"},
		{&column{from: &lb, to: &kg}, "154", "69.853225"},
		{&column{workbook: true}, "0.30000000000000004", "0.3"},
		{&column{}, "1e3", "1000"},
	} {
		got, _ := c.col.number(c.cell)
		assert.Equal(t, c.want, got, c.cell)
	}
	for _, cell := range []string{"", "abc", "1/2", "0x10", "1e999999999", "1,5"} {
		got, fs := (&column{}).number(cell)
		assert.Empty(t, got, cell)
		assert.Equal(t, []string{"not-a-number"}, codesOf(fs), cell)
	}
}
