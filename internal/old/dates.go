package old

import (
	"fmt"
	"regexp"
	"strconv"
	"strings"

	"nailbridge/internal/old/table"
)

// DateColumn watches the values of a column of dates, for the order of day and month.
type DateColumn struct {
	Name       string
	conv       *Converter
	index      int
	dayFirst   bool // declared
	monthFirst bool
	dayOver12  int // in the first place
	monthPlace int // over 12 in the second place
	both       int // 12 or less in both, and different
	row        int // the first row against the declared order
}

// twoNumbers finds the two numbers before the year of a date written with numbers
// only; ISO 8601 dates begin with the year and have one order.
var twoNumbers = regexp.MustCompile(`^\s*([0-9]{1,2})[-/. ]([0-9]{1,2})[-/. ][0-9]{2,4}`)

// DateColumns are the columns whose order of day and month must be watched.
func (c *Converter) DateColumns() []DateColumn {
	var out []DateColumn
	for i, col := range c.columns {
		if col == nil || col.Datatype.Base != "date" && col.Datatype.Base != "datetime" {
			continue
		}
		w := DateColumn{Name: col.Name, conv: c, index: i}
		for _, p := range col.patterns {
			w.dayFirst, w.monthFirst = w.dayFirst || p.DayFirst(), w.monthFirst || p.MonthFirst()
		}
		out = append(out, w)
	}
	return out
}

// See takes in a row.
func (w *DateColumn) See(r table.Row) {
	cells, _ := w.conv.cells(r)
	if len(cells) <= w.index {
		return
	}
	m := twoNumbers.FindStringSubmatch(strings.ReplaceAll(cells[w.index], "\u00a0", " "))
	if m == nil {
		return
	}
	a, _ := strconv.Atoi(m[1])
	b, _ := strconv.Atoi(m[2])
	switch {
	case a > 12 && a <= 31 && b <= 12:
		w.dayOver12++
		w.against(w.monthFirst && !w.dayFirst, r.Number)
	case b > 12 && b <= 31 && a <= 12:
		w.monthPlace++
		w.against(w.dayFirst && !w.monthFirst, r.Number)
	case a != b:
		w.both++
	}
}

func (w *DateColumn) against(is bool, row int) {
	if is && w.row == 0 {
		w.row = row
	}
}

// Fault says why the column's dates cannot be read, or "".
func (w *DateColumn) Fault() string {
	switch {
	case w.row > 0:
		return fmt.Sprintf("row %d contradicts the declared order of day and month", w.row)
	case w.dayFirst && w.monthFirst:
		return "patterns with the day first and with the month first are both declared"
	case w.dayOver12+w.monthPlace+w.both == 0 || w.dayFirst || w.monthFirst:
		return ""
	}
	return "the layout does not declare the order of day and month"
}
