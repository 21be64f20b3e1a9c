package draft

import (
	"fmt"
	"strings"

	"nailbridge/internal/old/layout"
	"nailbridge/internal/old/table"
)

// topRows is how many of the first rows may be the header.
const topRows = 10

// top finds the header of a table where lines stand before it, such as the clinic's
// name and the day of the export, or where it takes two rows. It marks the table then.
func (d *drafter) top(f table.Format) error {
	if d.what == "json" {
		return nil
	}
	rows, err := d.first(f)
	if err != nil || len(rows) == 0 {
		return err
	}
	at := headerAt(rows)
	if at == 0 {
		return nil
	}
	if d.table.Dialect == nil {
		d.table.Dialect = &layout.Dialect{}
	}
	d.lowest = rows[at]
	if !needsAbove(rows, at) {
		d.table.Dialect.SkipRows = at
		d.table.Note.Unsure = fmt.Sprintf("row %d is taken for the header; rows before it are skipped", at+1)
		return nil
	}
	two := 2
	d.table.Dialect.SkipRows, d.table.Dialect.HeaderRowCount = at-1, &two
	d.table.Note.Unsure = fmt.Sprintf("rows %d and %d together are taken for the header; rows before them are skipped", at, at+1)
	return nil
}

// headerAt is the place of the header: the row whose words are best known as titles
// among those that fill most columns and hold words, not values. Where none does it is the first.
func headerAt(rows [][]string) int {
	width := 0
	for _, r := range rows {
		n, _, _ := held(r)
		width = max(width, n)
	}
	at, best := 0, -1
	for i, r := range rows[:min(topRows, len(rows))] {
		n, known, values := held(r)
		if n*2 > width && values*2 < n && known > best {
			at, best = i, known
		}
	}
	return at
}

// held counts the cells of a row that are not empty, those that are known as titles, and
// those that are numbers, dates or times.
func held(cells []string) (n, known, values int) {
	for _, c := range cells {
		c = strings.TrimSpace(c)
		if c == "" {
			continue
		}
		n++
		if _, ok := meaningOf(c); ok {
			known++
		}
		if number.MatchString(c) || dayMonth.MatchString(c) || isoDay.MatchString(c) || clock.MatchString(c) {
			values++
		}
	}
	return n, known, values
}

// needsAbove reports that a row of titles is no header without the row above it: that has
// words of several columns, and titles are missing below it over values, or occur twice.
func needsAbove(rows [][]string, at int) bool {
	if n, _, _ := held(rows[at-1]); n < 2 {
		return false
	}
	seen := map[string]bool{}
	for i, title := range rows[at] {
		title = strings.ToLower(strings.TrimSpace(title))
		if title == "" && i < len(rows[at-1]) && strings.TrimSpace(rows[at-1][i]) != "" || title != "" && seen[title] {
			return true
		}
		seen[title] = true
	}
	for i := len(rows[at]); i < len(rows[at-1]); i++ { // a workbook has no empty cells at the end of a row
		if strings.TrimSpace(rows[at-1][i]) != "" {
			return true
		}
	}
	return false
}
