package old

import (
	"errors"
	"fmt"
	"regexp"
	"slices"
	"strings"
	"time"

	"nailbridge/internal/old/layout"
	"nailbridge/internal/old/table"
	"nailbridge/internal/ucum"
	"nailbridge/mapping/record"
)

// Beside are the files that a layout names beside itself, as they were read.
type Beside struct {
	Crosswalks map[string]map[string]string // by name: old value, value now
	CodeMaps   map[string]map[string]string // by file: cell, value of the record's list
}

// Converter turns the rows of one table into records.
type Converter struct {
	Table    layout.Table
	zone     *time.Location
	columns  []*column // by the file's column; nil: the layout ignores it
	byName   map[string]int
	order    []int // of the file's columns, as the layout has them: a file may have another
	header   []string
	untitled []int // of the file's columns: without a title, and not in the layout
	json     bool
	at       map[string]int // of JSON: column by pointer
	// File and Layout name in each record where it comes from.
	File, Layout string
	// Wheres tell the rows of all tables of the file.
	Wheres []layout.Where
	// Rest: rows of no table of the file end here.
	Rest bool
	// FollowSince: the plans of surgeries from this day on are followed here; nil: of
	// none.
	FollowSince *record.When
	// SurgeryPrefix stands before the key in the record ids of the surgeries that
	// the foreign key of a review or contact names.
	SurgeryPrefix string
	// Surgery gives the sites that a surgery treated, for reviews that name none, and whether
	// that surgery is known; nil where nobody can be asked.
	Surgery func(recordID string) (sites []Site, known bool)
}

// errNoColumn: another row was read as the header, or the row in another way.
var errNoColumn = errors.New("the header has none of the layout's columns: see skipRows, headerRowCount, delimiter and encoding of its dialect")

// New is the converter of a file with that header under a table of a layout. The
// error has every column that the file lacks and every one that the layout does
// not know: an unknown column is a fault of the layout, so that nothing is lost
// unseen.
func New(t layout.Table, header []string, workbook bool, epoch1904 bool, b Beside) (*Converter, error) {
	zone, err := time.LoadLocation(t.Note.Zone)
	if err != nil {
		return nil, err
	}
	c := &Converter{Table: t, zone: zone, header: header, columns: make([]*column, len(header)), byName: map[string]int{}}
	serial := t.Note.SerialDates
	if workbook {
		serial = 1900
		if epoch1904 {
			serial = 1904
		}
	}
	var errs []error
	missing := 0
	for _, lc := range t.Schema.Columns {
		col, err := prepared(lc, t, b, serial, workbook)
		if err != nil {
			errs = append(errs, fmt.Errorf("column %s: %w", lc.Name, err))
			continue
		}
		switch at := c.find(lc); len(at) {
		case 0:
			missing++
			errs = append(errs, fmt.Errorf("column %s: the file has no %s", lc.Name, strings.Join(lc.Titles, " or ")))
		case 1:
			if lc.Note.Ignore == "" {
				c.columns[at[0]] = col
			}
			c.byName[lc.Name] = at[0]
			c.order = append(c.order, at[0])
		default:
			errs = append(errs, fmt.Errorf("column %s: the file has it %d times", lc.Name, len(at)))
		}
	}
	if missing > 1 && missing == len(t.Schema.Columns) {
		return nil, errNoColumn
	}
	known := map[int]bool{}
	for _, i := range c.byName {
		known[i] = true
	}
	for i, title := range header {
		switch {
		case known[i]:
		case strings.TrimSpace(title) == "":
			c.untitled = append(c.untitled, i)
		default:
			errs = append(errs, fmt.Errorf("the layout does not know the column %q", title))
		}
	}
	return c, errors.Join(errs...)
}

// NewJSON is the converter of a file of JSON rows, whose columns are pointers.
func NewJSON(t layout.Table, b Beside) (*Converter, error) {
	var header []string
	at := map[string]int{}
	for _, c := range t.Schema.Columns {
		for _, title := range c.Titles {
			at[title] = len(header)
		}
		header = append(header, c.Titles[0])
	}
	c, err := New(t, header, false, false, b)
	if c != nil {
		c.json, c.at = true, at
	}
	return c, err
}

// find is where the header has a column.
func (c *Converter) find(lc layout.Column) []int {
	var out []int
	for i, h := range c.header {
		if slices.ContainsFunc(lc.Titles, func(t string) bool { return layout.Alike(t, h) }) {
			out = append(out, i)
		}
	}
	return out
}

func prepared(lc layout.Column, t layout.Table, b Beside, serial int, workbook bool) (*column, error) {
	c := &column{Column: lc, null: append(slices.Clone([]string(t.Null)), lc.Null...), serial: serial, workbook: workbook}
	var err error
	switch lc.Datatype.Base {
	case "", "string":
		if lc.Datatype.Format != "" {
			if c.format, err = regexp.Compile("^(?:" + lc.Datatype.Format + ")$"); err != nil {
				return nil, err
			}
		}
	case "date", "datetime", "time":
		for _, f := range append([]string{lc.Datatype.Format}, lc.Note.Formats...) {
			if f == "" {
				continue
			}
			p, err := layout.ParsePattern(f)
			if err != nil {
				return nil, err
			}
			c.patterns = append(c.patterns, p)
		}
	}
	c.codes = folded(lc.Note.Codes)
	if m := lc.Note.CodeMap; m != "" {
		if c.codes = folded(b.CodeMaps[m]); c.codes == nil {
			return nil, fmt.Errorf("no code map %s", m)
		}
	}
	if w := lc.Note.Crosswalk; w != "" {
		if c.crosswalk = b.Crosswalks[w]; c.crosswalk == nil {
			return nil, fmt.Errorf("no crosswalk %s", w)
		}
	}
	return c, c.units()
}

// units prepares the way from the cells' unit to the record's.
func (c *column) units() error {
	if c.Note.Unit == "" {
		return nil
	}
	p, _ := layout.Place(c.Note.Path)
	from, err := ucum.Parse(c.Note.Unit)
	if err != nil {
		return err
	}
	to, err := ucum.Parse(p.Unit)
	if err != nil {
		return fmt.Errorf("unit: the record has no unit at %s", c.Note.Path)
	}
	if !from.Comparable(to) {
		return fmt.Errorf("unit: %s is no %s", c.Note.Unit, p.Unit)
	}
	c.from, c.to = &from, &to
	return nil
}

// folded is a code map whose cells are compared without case.
func folded(m map[string]string) map[string]string {
	if m == nil {
		return nil
	}
	out := map[string]string{}
	for k, v := range m {
		out[strings.ToLower(strings.TrimSpace(k))] = v
	}
	return out
}

// Takes reports whether a row ends here, and not in another table of its file.
func (c *Converter) Takes(r table.Row) bool {
	if c.Table.Note.Where == nil {
		return true
	}
	cells, _ := c.cells(r)
	told := c.told(cells)
	return c.Table.Note.Where.Takes(told) || c.Rest && !slices.ContainsFunc(c.Wheres, func(w layout.Where) bool { return w.Takes(told) })
}

// own reports whether a row is one of the table.
func (c *Converter) own(cells []string) bool {
	w := c.Table.Note.Where
	return w == nil || w.Takes(c.told(cells))
}

// told is what a row says by which the tables of its file part; nothing where it is no row.
func (c *Converter) told(cells []string) string {
	if cells == nil {
		return ""
	}
	return cells[c.byName[c.Table.Note.Where.Column]]
}

// cells are the cells of a row by the file's column.
func (c *Converter) cells(r table.Row) ([]string, []Finding) {
	if !c.json {
		if extra := slices.IndexFunc(r.Cells[min(len(r.Cells), len(c.columns)):], func(s string) bool { return strings.TrimSpace(s) != "" }); extra >= 0 {
			return nil, []Finding{{Code: WrongCellCount, Text: "more cells than the header has columns", Reject: true}}
		}
		out := make([]string, len(c.columns))
		copy(out, r.Cells)
		if slices.ContainsFunc(c.untitled, func(i int) bool { return strings.TrimSpace(out[i]) != "" }) {
			return nil, []Finding{{Code: WrongCellCount, Text: "a cell under no title: give its column one in the header, and a place in the layout", Reject: true}}
		}
		return out, nil
	}
	out := make([]string, len(c.columns))
	var fs []Finding
	for i, name := range r.Names {
		at, ok := c.at[name]
		if !ok {
			fs = append(fs, Finding{Column: name, Code: NoPlace, Text: "a member that the layout does not know", Reject: true})
			continue
		}
		out[at] = r.Cells[i]
	}
	return out, fs
}

// skipped says why a row is no row of data: it is empty, the header again, a total, or a
// heading.
func (c *Converter) skipped(cells []string) string {
	empty, same := true, len(cells) > 1
	for i, cell := range cells {
		cell = strings.TrimSpace(cell)
		empty = empty && cell == ""
		same = same && (!c.json && i < len(c.header) && layout.Alike(cell, c.header[i]))
	}
	switch {
	case empty:
		return EmptyRow
	case same:
		return RepeatedHeader
	case c.total(cells):
		return Total
	case c.heading(cells):
		return Heading
	}
	return ""
}

// yearOrMonth is a year, a month, or the month of a year.
var yearOrMonth = regexp.MustCompile(`(?i)^(?:(?:year )?(?:19|20)[0-9]{2}|(?:19|20)[0-9]{2}[-/.](?:0?[1-9]|1[0-2])|(?:0?[1-9]|1[0-2])[-/.](?:19|20)[0-9]{2}|` +
	`(?:jan(?:uary)?|feb(?:ruary)?|mar(?:ch)?|apr(?:il)?|may|june?|july?|aug(?:ust)?|sept?(?:ember)?|oct(?:ober)?|nov(?:ember)?|dec(?:ember)?)\.?(?:[-/., ]+(?:(?:19|20)[0-9]{2}|'?[0-9]{2}))?):?$`)

// heading reports whether a row is a year or month over the rows of it: that stands where the key
// does, and nothing else in the row.
func (c *Converter) heading(cells []string) bool {
	said := ""
	for i, cell := range cells {
		cell = strings.Join(strings.Fields(cell), " ")
		if cell == "" {
			continue
		}
		ofKey := slices.ContainsFunc(c.Table.Schema.PrimaryKey, func(k string) bool { return c.byName[k] == i })
		if !ofKey || said != "" {
			return false
		}
		said = cell
	}
	return yearOrMonth.MatchString(said)
}

// totals are the words that lines of sums begin with; summed are what may stand behind.
var (
	totals = []string{"total", "totals", "sum", "subtotal", "sub-total", "grand total", "count", "average"}
	summed = []string{"of", "for", "no", "number", "all", "year", "month", "ops", "op", "operations", "surgeries", "procedures", "cases", "visits", "reviews", "patients", "rows", "records"}
)

// total reports whether a row sums others up: a word of sums stands in its first
// cell that is not empty, and its key is not whole. Where more stands behind that word, such as
// a year, nothing but numbers may stand in the other cells.
func (c *Converter) total(cells []string) bool {
	keyless := false
	for _, k := range c.Table.Schema.PrimaryKey {
		key := cells[c.byName[k]]
		keyless = keyless || strings.TrimSpace(key) == "" || sums(key) != noSum
	}
	first := slices.IndexFunc(cells, func(cell string) bool { return strings.TrimSpace(cell) != "" })
	if !keyless || first < 0 {
		return false
	}
	switch sums(cells[first]) {
	case sumAlone:
		return true
	case sumOf:
		return !slices.ContainsFunc(cells[first+1:], func(cell string) bool { return strings.Trim(cell, "0123456789., ") != "" })
	}
	return false
}

// sumWords says what a cell has of words of sums.
type sumWords int

const (
	noSum    sumWords = iota
	sumAlone          // such a word and no other
	sumOf             // such a word, and of what
)

func sums(cell string) sumWords {
	cell = strings.ToLower(strings.Trim(strings.TrimSpace(cell), ":"))
	if slices.Contains(totals, cell) {
		return sumAlone
	}
	words := wordsOf(cell)
	if len(words) > 1 && (words[0] == "sub" || words[0] == "grand") {
		words = words[1:]
		if len(words) == 1 && slices.Contains(totals, words[0]) {
			return sumAlone
		}
	}
	if len(words) < 2 || !slices.Contains(totals, words[0]) {
		return noSum
	}
	for _, w := range words[1:] {
		if strings.Trim(w, "0123456789") != "" && !slices.Contains(summed, w) {
			return noSum
		}
	}
	return sumOf
}
