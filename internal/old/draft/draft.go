// Package draft drafts the layout of a file of old records from its header and values,
// and marks what it is unsure of: a run under the layout stops while a mark stands.
package draft

import (
	_ "embed"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"nailbridge/internal/old/layout"
	"nailbridge/internal/old/table"
	"nailbridge/mapping/record"
	"nailbridge/mapping/shorthand"
)

// titles.tsv has the words that headers of old exports use (common practice, no
// source): the place of the record, or the kinds of shorthand, or what the column is for.
//
//go:embed titles.tsv
var titlesTSV string

// meaning is what a title may mean.
type meaning struct {
	path string
	read []shorthand.Kind
	unit string
}

var titles = func() map[string]meaning {
	out := map[string]meaning{}
	for _, line := range strings.Split(strings.TrimSpace(titlesTSV), "\n")[1:] {
		f := append(strings.Split(line, "\t"), "", "", "")
		m := meaning{path: f[1], unit: f[3]}
		for _, k := range strings.Split(f[2], ",") {
			if k != "" {
				m.read = append(m.read, shorthand.Kind(k))
			}
		}
		out[f[0]] = m
	}
	return out
}()

// sample is how many rows a draft looks at.
const sample = 2000

// File drafts the layout of a file: of each sheet of a workbook a table, or two where a column
// tells surgeries from reviews. kind is surgery, review or contact; empty: by that column, or the header.
func File(path string, kind record.Code, clinic, zone string) (layout.Layout, error) {
	context, _ := json.Marshal("http://www.w3.org/ns/csvw")
	out := layout.Layout{Context: context}
	what, err := table.Kind(path)
	if err != nil {
		return out, err
	}
	sheets := []string{""}
	if what == "xlsx" {
		if sheets, err = table.Sheets(path); err != nil {
			return out, err
		}
	}
	for _, sheet := range sheets {
		d := &drafter{path: path, what: what, kind: kind}
		d.table.URL = filepath.Base(strings.TrimSuffix(path, ".gz"))
		d.table.Note = layout.TableNote{Clinic: clinic, Zone: zone, RecordPrefix: "old-" + stem(d.table.URL, sheet) + "-", Sheet: sheet, Version: "1"}
		tables, err := d.draft()
		if err != nil {
			return out, err
		}
		out.Tables = append(out.Tables, tables...)
	}
	foreignKeys(out.Tables)
	if len(out.Tables) == 1 {
		out.Table, out.Tables = out.Tables[0], nil
	}
	return out, nil
}

func (d *drafter) draft() ([]layout.Table, error) {
	format, err := d.dialect()
	if err != nil {
		return nil, err
	}
	format.Sheet = d.table.Note.Sheet
	if d.what == "json" {
		if format.Pointer, err = d.pointer(); err != nil {
			return nil, err
		}
		d.table.Note.Rows = format.Pointer
	}
	if err := d.top(format); err != nil {
		return nil, err
	}
	if err := d.look(format); err != nil {
		return nil, err
	}
	if d.kind == "" {
		if s, ok := d.sortOf(); ok {
			return d.apart(s), nil
		}
	}
	d.kindOf()
	d.columns()
	return []layout.Table{d.table}, nil
}

// pointer finds the list of rows in a JSON document that is an object.
func (d *drafter) pointer() (string, error) {
	rows, err := table.Open(d.path, table.Format{})
	if err != nil {
		return "", err
	}
	defer rows.Close()
	r, err := rows.Next()
	if err != nil {
		return "", err
	}
	for _, name := range r.Names {
		if list, _, found := strings.Cut(name, "/0/"); found {
			return list, nil
		}
	}
	return "", nil
}

// foreignKeys lets a table of visits name the surgeries of another table by the
// column that is that table's key.
func foreignKeys(tables []layout.Table) {
	for i, t := range tables {
		if t.Note.Kind == "surgery" || len(t.Schema.ForeignKeys) > 0 {
			continue
		}
		for _, s := range tables {
			if s.Note.Kind != "surgery" || len(s.Schema.PrimaryKey) != 1 {
				continue
			}
			key := s.Schema.PrimaryKey[0]
			at := slices.IndexFunc(t.Schema.Columns, func(c layout.Column) bool { return c.Name == key })
			if at < 0 || slices.Contains(t.Schema.PrimaryKey, key) {
				continue
			}
			f := layout.ForeignKey{ColumnReference: layout.Strings{key}}
			f.Reference.Resource, f.Reference.ColumnReference = s.URL, layout.Strings{key}
			tables[i].Schema.ForeignKeys = []layout.ForeignKey{f}
			tables[i].Schema.Columns[at].Note.Ignore, tables[i].Schema.Columns[at].Note.Unsure = "", ""
		}
	}
}

// stem is what the record ids of a file, or of a sheet of one, begin with.
func stem(name, sheet string) string {
	s := strings.ToLower(strings.TrimSuffix(name, filepath.Ext(name)) + " " + sheet)
	return strings.Trim(notOfNames.ReplaceAllString(s, "-"), "-")
}

type drafter struct {
	path   string
	what   string // csv, xlsx or json
	kind   record.Code
	table  layout.Table
	header []string
	lowest []string   // of a header of several rows, its last
	rows   [][]string // those that are looked at
	whole  bool       // no others are in the file
	sort   *sort      // the column that tells the table's rows from others of the file; nil: it has all
	values [][]string // by column, not empty
	from   []int      // of the columns of the table: which of the header each is
	names  map[string]bool
}

// dialect finds delimiter and encoding of delimited text: the delimiter that parts
// the first lines into the most cells of the same number.
func (d *drafter) dialect() (table.Format, error) {
	if d.what != "csv" {
		return table.Format{}, nil
	}
	best, most := ',', 0
	for _, delimiter := range []rune{',', ';', '\t', '|'} {
		if n := d.width(table.Format{Delimiter: delimiter}); n > most {
			best, most = delimiter, n
		}
	}
	f := table.Format{Delimiter: best}
	di := &layout.Dialect{Delimiter: string(best)}
	if !d.readable(f) {
		f.Encoding, di.Encoding = "windows-1252", "windows-1252"
	}
	d.table.Dialect = di
	return f, nil
}

// width is how many cells most of the first rows have under a format that have more than
// one, as titles above a header have not; 0 where they differ by much.
func (d *drafter) width(f table.Format) int {
	rows, err := d.first(f)
	if err != nil {
		return 0
	}
	with, parted := map[int]int{}, 0
	for _, r := range rows {
		if len(r) > 1 {
			with[len(r)]++
			parted++
		}
	}
	best := 0
	for width, n := range with {
		if n*2 >= parted && width > best {
			best = width
		}
	}
	return best
}

// firstRows is how many rows of a file are looked at for how it is written.
const firstRows = 21

// first are the cells of the first rows.
func (d *drafter) first(f table.Format) (out [][]string, err error) {
	rows, err := table.Open(d.path, f)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	for range firstRows {
		r, err := rows.Next()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return nil, err
		}
		out = append(out, r.Cells)
	}
	return out, nil
}

func (d *drafter) readable(f table.Format) bool {
	rows, err := table.Open(d.path, f)
	if err != nil {
		return false
	}
	defer rows.Close()
	for range sample {
		r, err := rows.Next()
		if err != nil {
			return true
		}
		if strings.HasPrefix(r.Broken, "bytes") {
			return false
		}
	}
	return true
}

// look reads header and values.
func (d *drafter) look(f table.Format) error {
	rows, err := table.Open(d.path, f)
	if err != nil {
		return err
	}
	defer rows.Close()
	if d.what != "json" {
		di := d.table.Dialect
		if d.header, _, err = table.Header(rows, di.Skipped(), di.HeaderRows()); err != nil {
			return err
		}
	}
	at := map[string]int{}
	for range sample {
		r, err := rows.Next()
		if d.whole = errors.Is(err, io.EOF); d.whole {
			break
		}
		if err != nil {
			return err
		}
		row := r.Cells
		if r.Names != nil {
			row = d.named(r, at)
		}
		if n, _, _ := held(row); n > 0 {
			d.rows = append(d.rows, row)
		}
	}
	d.fill()
	if len(d.header) == 0 {
		return fmt.Errorf("%w: no rows", table.ErrFormat)
	}
	return nil
}

// named puts the cells of a row of JSON in the order of the header, which grows by names that are new.
func (d *drafter) named(r table.Row, at map[string]int) []string {
	for _, name := range r.Names {
		if _, known := at[name]; !known {
			at[name] = len(d.header)
			d.header = append(d.header, name)
		}
	}
	row := make([]string, len(d.header))
	for i, name := range r.Names {
		row[at[name]] = r.Cells[i]
	}
	return row
}

// fill takes the values of the columns out of the rows.
func (d *drafter) fill() {
	d.values = make([][]string, len(d.header))
	for _, row := range d.rows {
		for i := range d.header {
			if v := cell(row, i); v != "" {
				d.values[i] = append(d.values[i], v)
			}
		}
	}
}

// meaningOf is what a title means; of JSON, what the last name of its pointer does.
func meaningOf(title string) (meaning, bool) {
	if strings.HasPrefix(title, "/") {
		title = camel.ReplaceAllString(title[strings.LastIndex(title, "/")+1:], "$1 $2")
	}
	m, ok := titles[strings.ToLower(strings.Join(strings.Fields(strings.NewReplacer("_", " ", ".", " ").Replace(title)), " "))]
	return m, ok
}

// means is what the title of a column means; of a header of several rows also what the
// words of its last row do.
func (d *drafter) means(i int) (meaning, bool) {
	m, known := meaningOf(d.header[i])
	if !known && i < len(d.lowest) {
		m, known = meaningOf(d.lowest[i])
	}
	return m, known
}

// kindOf takes a file with visits for reviews where no column tells of an operation.
func (d *drafter) kindOf() {
	d.table.Note.Kind = d.kind
	if d.kind != "" {
		return
	}
	d.table.Note.Kind = "review"
	for i := range d.header {
		m, ok := d.means(i)
		if ok && (slices.Contains(m.read, shorthand.Procedure) || slices.Contains(m.read, shorthand.Anaesthetic) || strings.HasPrefix(m.path, "/surgery/")) {
			d.table.Note.Kind = "surgery"
		}
	}
}

// columns drafts each column.
func (d *drafter) columns() {
	d.names = map[string]bool{}
	taken := map[string]bool{}
	for i, h := range d.header {
		if strings.TrimSpace(h) == "" {
			continue
		}
		c := d.column(i, h, taken)
		d.table.Schema.Columns, d.from = append(d.table.Schema.Columns, c), append(d.from, i)
	}
	d.treatments()
	d.keys()
	d.times()
}

func (d *drafter) column(i int, title string, taken map[string]bool) layout.Column {
	c := layout.Column{Titles: layout.Strings{title}, Name: d.name(title)}
	switch {
	case d.sort != nil && i == d.sort.column:
		c.Note.Unsure = d.sort.unsure
		return c
	case d.sort != nil && d.whole && len(d.values[i]) == 0:
		c.Note.Ignore = "empty in these rows"
		return c
	}
	m, known := d.means(i)
	d.place(&c, m, known, taken)
	d.datatype(&c, d.values[i])
	return c
}

// name is a name for a column.
func (d *drafter) name(title string) string {
	n := strings.Trim(notOfNames.ReplaceAllString(strings.ToLower(title), "_"), "_")
	if n == "" || n[0] >= '0' && n[0] <= '9' {
		n = "c_" + n
	}
	for base, k := n, 2; d.names[n]; k++ {
		n = base + "_" + strconv.Itoa(k)
	}
	d.names[n] = true
	return n
}

// notKnown is why a column is left out whose title says nothing.
const notKnown = "not known"

// place says where a column goes. Two columns for one place, and a title that says
// nothing, are marked.
func (d *drafter) place(c *layout.Column, m meaning, known bool, taken map[string]bool) {
	kind := string(d.table.Note.Kind)
	switch m.path {
	case "KEY":
		if len(d.table.Schema.PrimaryKey) == 0 {
			d.table.Schema.PrimaryKey = layout.Strings{c.Name}
			return
		}
		c.Note.Ignore, c.Note.Unsure = "another key", "a second column that may be a key"
		return
	case "SORT":
		c.Note.Ignore, c.Note.Unsure = "what a row is", "its cells do not tell surgeries from reviews"
		return
	case "DATE":
		m.path = map[string]string{"surgery": "/surgery/start", "review": "/review/at", "contact": "/contact/at"}[kind]
	case "STAFF":
		m.path = map[string]string{"surgery": "/surgery/operator/staffKey", "review": "/review/reviewer/staffKey", "contact": "/contact/takenBy/staffKey"}[kind]
	case "NOTE":
		m.path = map[string]string{"surgery": "/surgery/note", "review": "/review/note", "contact": "/contact/reasonText"}[kind]
	}
	c.Note.Unit = m.unit
	switch {
	case len(m.read) > 0:
		c.Note.Read = m.read
		if slices.Contains(m.read, shorthand.Site) {
			c.Note.Group = "toe"
		}
	case !known:
		c.Note.Ignore, c.Note.Unsure = notKnown, "no word of the title is known"
	case strings.HasPrefix(m.path, "/surgery/") && kind != "surgery" || strings.HasPrefix(m.path, "/review/") && kind != "review":
		c.Note.Ignore, c.Note.Unsure = "of another kind of record", "a place of another kind of record"
	case taken[m.path] && !strings.HasSuffix(m.path, "/start") && !strings.HasSuffix(m.path, "/at"):
		c.Note.Ignore, c.Note.Unsure = "a second column for one place", "two columns for "+m.path
	default:
		c.Note.Path = m.path
		taken[m.path] = true
	}
}

var (
	dayMonth    = regexp.MustCompile(`^([0-9]{1,2})([-/.])([0-9]{1,2})([-/.])([0-9]{2}|[0-9]{4})(?: ([0-9]{1,2}:[0-9]{2})(:[0-9]{2})?)?$`)
	isoDay      = regexp.MustCompile(`^[0-9]{4}-[0-9]{2}-[0-9]{2}$`)
	clock       = regexp.MustCompile(`^[0-9]{1,2}:[0-9]{2}(:[0-9]{2})?$`)
	number      = regexp.MustCompile(`^-?[0-9]+(?:([.,])[0-9]+)?$`)
	monthNamed  = regexp.MustCompile(`^[A-Za-z]{3} [0-9]{4}$`)
	monthOfYear = regexp.MustCompile(`^[0-9]{2}/[0-9]{4}$`)
	notOfNames  = regexp.MustCompile(`[^a-z0-9]+`)
	camel       = regexp.MustCompile(`([a-z])([A-Z])`) // where a word of a member's name begins
	serial      = regexp.MustCompile(`^[0-9]+(?:\.[0-9]+)?$`)
	fixed       = regexp.MustCompile(`^0[0-9]+$`)
)

// datatype finds the type of the values of a column.
func (d *drafter) datatype(c *layout.Column, values []string) {
	p, _ := layout.Place(c.Note.Path)
	switch p.Type {
	case record.WhenPath:
		d.dates(c, values)
	case record.DecimalPath, record.IntegerPath:
		c.Datatype.Base = "decimal"
		for _, v := range values {
			if m := number.FindStringSubmatch(v); m != nil && m[1] == "," {
				c.Datatype.DecimalChar = ","
			}
		}
	case record.CodePath:
		c.Note.Codes = codesOf(p, values)
		if len(c.Note.Codes) == 0 {
			c.Note.Unsure = "no cell is a value of the list " + p.Set.Name
		}
	default:
		if width := fixedWidth(values); len(c.Note.Read) == 0 && width > 0 {
			c.Datatype = layout.Datatype{Base: "string", Format: fmt.Sprintf("[0-9]{%d}", width)}
		}
	}
}

// fixedWidth is the width of numbers with leading zeros, where seven cells in ten
// have it (headers and totals stand among them); else 0.
func fixedWidth(values []string) int {
	width, same := 0, 0
	for _, v := range values {
		if fixed.MatchString(v) {
			width = max(width, len(v))
		}
	}
	for _, v := range values {
		if len(v) == width && strings.Trim(v, "0123456789") == "" {
			same++
		}
	}
	if width == 0 || same*10 < len(values)*7 {
		return 0
	}
	return width
}

// codesOf maps the cells whose word, or its first letter, is one value of the list.
func codesOf(p record.PathInfo, values []string) map[string]string {
	out := map[string]string{}
	for _, v := range values {
		var fits []string
		for _, x := range p.Set.Values {
			code, word := string(x.Code), strings.ToLower(v)
			if code == word || strings.ToLower(x.Display) == word || len(word) == 1 && strings.HasPrefix(code, word) {
				fits = append(fits, code)
			}
		}
		if len(fits) == 1 {
			out[v] = fits[0]
		}
	}
	return out
}

// forms counts in which forms the values of a column of dates or times are.
type forms struct {
	sep, tail           string // of a day and a month in numbers: what separates them, and a time behind
	first12, second12   int    // whose first number is over 12 and no month, whose second
	shortYears          int    // years of two digits
	iso, times          int
	years, monthsOfYear int // no more than that
	monthsNamed         int // and its year
}

func formsOf(values []string) (f forms) {
	for _, v := range values {
		switch m := dayMonth.FindStringSubmatch(v); {
		case m != nil:
			a, _ := strconv.Atoi(m[1])
			b, _ := strconv.Atoi(m[3])
			f.sep, f.tail = m[2], m[6]
			if a > 12 {
				f.first12++
			}
			if b > 12 {
				f.second12++
			}
			if len(m[5]) == 2 {
				f.shortYears++
			}
		case isoDay.MatchString(v):
			f.iso++
		case clock.MatchString(v):
			f.times++
		case len(v) == 4 && strings.Trim(v, "0123456789") == "":
			f.years++
		case monthOfYear.MatchString(v):
			f.monthsOfYear++
		case monthNamed.MatchString(v):
			f.monthsNamed++
		}
	}
	return f
}

// dates finds the pattern of a column of dates or times.
func (d *drafter) dates(c *layout.Column, values []string) {
	c.Datatype.Base = "date"
	if d.what == "xlsx" && slices.ContainsFunc(values, serial.MatchString) {
		d.serials(c, values)
		values = slices.DeleteFunc(slices.Clone(values), serial.MatchString) // some may stand as text
		if f := formsOf(values); f.sep == "" && f.iso == 0 {
			return
		}
	}
	d.pattern(c, formsOf(values))
}

// pattern gives a column the pattern of dates or times as text.
func (d *drafter) pattern(c *layout.Column, f forms) {
	year := "yyyy"
	if f.shortYears > 0 {
		year = "yy"
		c.Note.Century = 1920
		c.Note.Unsure = "the century of years of two digits; 1920 to 2019 is assumed"
	}
	switch {
	case f.times > 0 && f.sep == "" && f.iso == 0:
		c.Datatype = layout.Datatype{Base: "time", Format: "HH:mm"}
	case f.sep == "" && f.iso == 0 && f.years == 0:
		c.Note.Unsure = "no value has the form of a date"
		c.Datatype.Format = "yyyy-MM-dd"
	case f.sep == "":
		c.Datatype.Format = "yyyy-MM-dd"
	case f.first12 > 0 && f.second12 > 0:
		c.Note.Unsure = "days and months stand in both orders"
		c.Datatype.Format = "dd" + f.sep + "MM" + f.sep + year
	case f.second12 > 0:
		c.Datatype.Format = "MM" + f.sep + "dd" + f.sep + year
	default:
		c.Datatype.Format = "dd" + f.sep + "MM" + f.sep + year
		if f.first12 == 0 {
			c.Note.Unsure = "the order of day and month; day first is assumed"
		}
	}
	if f.tail != "" {
		c.Datatype.Base, c.Datatype.Format = "datetime", c.Datatype.Format+" HH:mm"
	}
	if f.years > 0 {
		c.Note.Formats = append(c.Note.Formats, "yyyy")
	}
	if f.monthsOfYear > 0 {
		c.Note.Formats = append(c.Note.Formats, "MM/yyyy")
	}
	if f.monthsNamed > 0 {
		c.Note.Formats = append(c.Note.Formats, "MMM yyyy")
	}
}

// serials are dates, times or both as a workbook keeps them: days, and parts of a day.
func (d *drafter) serials(c *layout.Column, values []string) {
	days, parts := 0, 0
	for _, v := range values {
		f, err := strconv.ParseFloat(v, 64)
		switch {
		case err != nil:
		case f < 1:
			parts++
		case f == float64(int(f)):
			days++
		default:
			days, parts = days+1, parts+1
		}
	}
	switch {
	case days > 0 && parts > 0:
		c.Datatype = layout.Datatype{Base: "datetime"}
	case parts > 0:
		c.Datatype = layout.Datatype{Base: "time"}
	default:
		c.Datatype = layout.Datatype{Base: "date"}
	}
}

// keys marks a table without a key: nothing stable names its rows.
func (d *drafter) keys() {
	if len(d.table.Schema.PrimaryKey) > 0 || len(d.table.Schema.Columns) == 0 {
		d.repeatedKey()
		return
	}
	first := max(0, slices.IndexFunc(d.from, func(i int) bool { return d.sort == nil || i != d.sort.column && len(d.values[i]) > 0 }))
	d.table.Schema.PrimaryKey = layout.Strings{d.table.Schema.Columns[first].Name}
	d.table.Schema.Columns[first].Note.Unsure = "no column is surely a key; the first is assumed"
}

// repeatedKey doubts a key that several rows have.
func (d *drafter) repeatedKey() {
	for i, c := range d.table.Schema.Columns {
		if !slices.Contains(d.table.Schema.PrimaryKey, c.Name) {
			continue
		}
		at := slices.Index(d.header, c.Titles[0])
		if repeats(d.values[at]) {
			d.table.Schema.Columns[i].Note.Unsure = "several rows have one value: a key, entered twice, or the surgery of a visit"
		}
	}
}

// repeats reports whether a value occurs twice.
func repeats(values []string) bool {
	sorted := slices.Sorted(slices.Values(values))
	return len(slices.Compact(sorted)) < len(values)
}

// times gives a column of times the column with their date.
func (d *drafter) times() {
	day := ""
	for _, c := range d.table.Schema.Columns {
		if c.Datatype.Base == "date" && (strings.HasSuffix(c.Note.Path, "/start") || strings.HasSuffix(c.Note.Path, "/at")) {
			day = c.Name
		}
	}
	for i, c := range d.table.Schema.Columns {
		if c.Datatype.Base == "time" && day != "" {
			d.table.Schema.Columns[i].Note.DateColumn = day
		}
	}
}
