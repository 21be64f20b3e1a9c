// Package layout is what a file of old records looks like: W3C metadata for tabular
// data (https://www.w3.org/TR/2015/REC-tabular-metadata-20151217/) with annotations
// of our own that say which part of the clinic record each column is.
package layout

import (
	"bytes"
	"cmp"
	_ "embed"
	"encoding/json"
	"errors"
	"fmt"
	"reflect"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/santhosh-tekuri/jsonschema/v6"

	"nailbridge/mapping/record"
	"nailbridge/mapping/shorthand"
)

// Annotation is the property that holds our annotations of a table or a column: a
// common property of the metadata vocabulary (its section 5.8).
const Annotation = "https://nailbridge.example/layout"

// SchemaID is the $id of the JSON Schema of layouts.
const SchemaID = "https://nailbridge.example/schema/layout-1.0.json"

//go:embed layout.schema.json
var schemaJSON []byte

// Schema is the JSON Schema (2020-12) of layouts.
func Schema() []byte { return bytes.Clone(schemaJSON) }

// Layout is the metadata of one table or of a group of tables.
type Layout struct {
	Context json.RawMessage `json:"@context"`
	Table
	Tables []Table `json:"tables,omitempty"`
}

// All are the tables of a layout.
func (l Layout) All() []Table {
	if len(l.Tables) > 0 {
		return l.Tables
	}
	return []Table{l.Table}
}

// Table describes one file, or one sheet of a workbook.
type Table struct {
	URL     string    `json:"url,omitempty"` // the file's name; * for any name
	Dialect *Dialect  `json:"dialect,omitempty"`
	Null    Strings   `json:"null,omitempty"` // cells that say nothing; empty always does
	Schema  Schemata  `json:"tableSchema,omitzero"`
	Note    TableNote `json:"https://nailbridge.example/layout,omitzero"`
}

// Dialect says how delimited text is read (metadata vocabulary, section 5.9).
type Dialect struct {
	Delimiter string `json:"delimiter,omitempty"` // default comma
	QuoteChar string `json:"quoteChar,omitempty"` // default "
	Encoding  string `json:"encoding,omitempty"`  // utf-8 (default) or windows-1252
	// HeaderRowCount is how many rows the header takes; default 1. The words of
	// several are joined by a space.
	HeaderRowCount *int `json:"headerRowCount,omitempty"`
	SkipRows       int  `json:"skipRows,omitempty"` // before the header
}

// HeaderRows is how many rows the header takes.
func (d *Dialect) HeaderRows() int {
	if d == nil || d.HeaderRowCount == nil {
		return 1
	}
	return *d.HeaderRowCount
}

// Skipped is how many rows stand before the header.
func (d *Dialect) Skipped() int {
	if d == nil {
		return 0
	}
	return d.SkipRows
}

// Schemata are the columns of a table and their keys.
type Schemata struct {
	Columns []Column `json:"columns"`
	// PrimaryKey names the columns that the record id is made of.
	PrimaryKey Strings `json:"primaryKey,omitempty"`
	// ForeignKeys: the columns that name the surgery a review or contact belongs to.
	ForeignKeys []ForeignKey `json:"foreignKeys,omitempty"`
}

// ForeignKey names the columns of a row that are the key of a row elsewhere.
type ForeignKey struct {
	ColumnReference Strings `json:"columnReference"`
	Reference       struct {
		Resource        string  `json:"resource"`
		ColumnReference Strings `json:"columnReference"`
	} `json:"reference"`
}

// Column describes one column.
type Column struct {
	Titles   Strings    `json:"titles"` // any of them, compared without case and outer blanks; of JSON a pointer
	Name     string     `json:"name"`
	Datatype Datatype   `json:"datatype,omitzero"`
	Null     Strings    `json:"null,omitempty"`
	Required bool       `json:"required,omitempty"`
	Note     ColumnNote `json:"https://nailbridge.example/layout,omitzero"`
}

// Datatype is the type of a column's cells (section 5.11): base string (default),
// decimal, integer, boolean, date, datetime, time. A plain string in the file is the base.
type Datatype struct {
	Base string `json:"base"`
	// Format is the pattern of dates and times (dd/MM/yyyy, d.M.yy HH:mm), the
	// regular expression of strings, the two words of booleans (Y|N); of numbers
	// an object.
	Format      string `json:"-"`
	DecimalChar string `json:"-"`
	GroupChar   string `json:"-"`
}

// TableNote is what our annotation says of a table.
type TableNote struct {
	Kind   record.Code `json:"kind"`   // surgery, review or contact
	Clinic string      `json:"clinic"` // the clinic's id
	Zone   string      `json:"zone"`   // IANA name of the zone of its times
	// RecordPrefix stands before the key in the record id, so that the ids of two
	// files never meet.
	RecordPrefix string `json:"recordPrefix"`
	Sheet        string `json:"sheet,omitempty"` // of a workbook
	Rows         string `json:"rows,omitempty"`  // JSON Pointer of the list of rows
	// Where: the table is of those rows alone of its file. The others are of further tables of
	// the same file.
	Where *Where `json:"where,omitempty"`
	// Constants are values that every row has though no column says so, by record path.
	Constants map[string]string `json:"constants,omitempty"`
	// Crosswalks are files that say which numbers patients and staff have now.
	Crosswalks map[string]Crosswalk `json:"crosswalks,omitempty"`
	// SerialDates: 1900 or 1904, where dates of delimited text stand as the serial
	// numbers of a spreadsheet.
	SerialDates int `json:"serialDates,omitempty"`
	// Version is the layout's own, named in Provenance.
	Version string `json:"version,omitempty"`
	// Unsure says what of the table, its columns aside, a drafted layout is unsure of.
	Unsure string `json:"unsure,omitempty"`
}

// Where tells rows by what a column says.
type Where struct {
	Column string  `json:"column"` // its name
	Says   Strings `json:"says"`   // any of these
}

// Takes reports whether a cell of the column says one of the values, compared without case and outer
// blanks.
func (w Where) Takes(cell string) bool {
	return slices.ContainsFunc(w.Says, func(v string) bool { return Alike(v, cell) })
}

// Alike reports whether two texts are one but for case and blanks, no-break spaces among them.
func Alike(a, b string) bool {
	return strings.EqualFold(strings.Join(strings.Fields(a), " "), strings.Join(strings.Fields(b), " "))
}

// SameRows reports whether two tables are of the rows of the same file, or sheet.
func (t Table) SameRows(other Table) bool {
	return t.URL == other.URL && t.Note.Sheet == other.Note.Sheet
}

// Crosswalk is a CSV file with two columns.
type Crosswalk struct {
	URL  string `json:"url"`
	From string `json:"from"` // the column of old values
	To   string `json:"to"`   // the column of the values that count now
}

// ColumnNote is what our annotation says of a column. It has one of Path, Read and
// Ignore.
type ColumnNote struct {
	Path string `json:"path,omitempty"` // of the record, an RFC 6901 pointer
	// Read lists the kinds for which the cell is read as trade shorthand.
	Read []shorthand.Kind `json:"read,omitempty"`
	// Group joins the cells of columns that are read together, such as side and toe.
	Group  string `json:"group,omitempty"`
	Ignore string `json:"ignore,omitempty"` // why the column is left out
	// Unit is the UCUM unit of the cells where it is not that of the record.
	Unit string `json:"unit,omitempty"`
	// Codes maps cells to values of the record's list; CodeMap names a FHIR
	// ConceptMap file that does.
	Codes   map[string]string `json:"codes,omitempty"`
	CodeMap string            `json:"codeMap,omitempty"`
	// Crosswalk names the crosswalk that the cell goes through.
	Crosswalk string `json:"crosswalk,omitempty"`
	// Formats are further patterns of dates, such as MM/yyyy for what is known by
	// its month.
	Formats []string `json:"formats,omitempty"`
	// Century is the first year that a year of two digits may mean.
	Century int `json:"century,omitempty"`
	// DateColumn names the column with the date of a time.
	DateColumn string `json:"dateColumn,omitempty"`
	// Unsure says what a drafted layout is unsure of.
	Unsure string `json:"unsure,omitempty"`
}

// Strings is a string or a list of strings.
type Strings []string

// UnmarshalJSON takes either.
func (s *Strings) UnmarshalJSON(b []byte) error {
	var one string
	if json.Unmarshal(b, &one) == nil {
		*s = Strings{one}
		return nil
	}
	return json.Unmarshal(b, (*[]string)(s))
}

// MarshalJSON writes one string as a string.
func (s Strings) MarshalJSON() ([]byte, error) {
	if len(s) == 1 {
		return json.Marshal(s[0])
	}
	return json.Marshal([]string(s))
}

type datatypeForm struct {
	Base   string `json:"base"`
	Format any    `json:"format,omitempty"`
}

type numberForm struct {
	DecimalChar string `json:"decimalChar,omitempty"`
	GroupChar   string `json:"groupChar,omitempty"`
}

// UnmarshalJSON takes the base alone too, as text.
func (d *Datatype) UnmarshalJSON(b []byte) error {
	if json.Unmarshal(b, &d.Base) == nil {
		return nil
	}
	var f struct {
		Base   string          `json:"base"`
		Format json.RawMessage `json:"format"`
	}
	if err := json.Unmarshal(b, &f); err != nil {
		return err
	}
	d.Base = f.Base
	if len(f.Format) == 0 || json.Unmarshal(f.Format, &d.Format) == nil {
		return nil
	}
	var n numberForm
	err := json.Unmarshal(f.Format, &n)
	d.DecimalChar, d.GroupChar = n.DecimalChar, n.GroupChar
	return err
}

// MarshalJSON writes the datatype as short as it may be.
func (d Datatype) MarshalJSON() ([]byte, error) {
	switch {
	case d.DecimalChar != "" || d.GroupChar != "":
		return json.Marshal(datatypeForm{d.Base, numberForm{d.DecimalChar, d.GroupChar}})
	case d.Format != "":
		return json.Marshal(datatypeForm{d.Base, d.Format})
	}
	return json.Marshal(d.Base)
}

// Read reads a layout and checks it: by its schema, and that paths, kinds, columns
// and zones exist. The error has every fault with its place.
func Read(b []byte) (Layout, error) {
	if err := valid(b); err != nil {
		return Layout{}, err
	}
	var l Layout
	if err := json.Unmarshal(b, &l); err != nil {
		return l, err
	}
	var errs []error
	for i, t := range l.All() {
		for _, err := range t.check() {
			errs = append(errs, fmt.Errorf("table %d (%s): %w", i, t.URL, err))
		}
		for _, f := range t.Schema.ForeignKeys {
			if _, ok := l.Surgeries(f); !ok {
				errs = append(errs, fmt.Errorf("table %d (%s): foreignKeys: no table of surgeries is %s: a file that is not read is listed too, for the ids of its records", i, t.URL, f.Reference.Resource))
			}
		}
		for k, other := range l.All()[:i] {
			for _, why := range t.notApart(other) {
				errs = append(errs, fmt.Errorf("table %d (%s): table %d is of the same file: %s", i, t.URL, k, why))
			}
		}
	}
	return l, errors.Join(errs...)
}

// Surgeries is the table of surgeries that a foreign key names (metadata vocabulary, section 5.6: resource).
func (l Layout) Surgeries(f ForeignKey) (Table, bool) {
	for _, t := range l.All() {
		if t.URL == f.Reference.Resource && t.Note.Kind == "surgery" {
			return t, true
		}
	}
	return Table{}, false
}

// notApart says why a row could be of both of two tables of a file, or of none.
func (t Table) notApart(other Table) (out []string) {
	if t.URL == other.URL && (t.Note.Sheet == "") != (other.Note.Sheet == "") {
		return []string{"sheet: one of them names it and the other does not: which sheet that is, only the workbook tells"}
	}
	if !t.SameRows(other) {
		return nil
	}
	if !t.readAs(other) {
		out = append(out, "rows, dialect: it reads other rows of it: rows would be lost")
	}
	a, b := t.Note.Where, other.Note.Where
	switch {
	case a == nil || b == nil:
		return append(out, "where: one of them has none, and would take the rows of both")
	case !slices.Equal(t.titles(a.Column), other.titles(b.Column)):
		return append(out, "where: they tell their rows by two columns")
	}
	for _, v := range a.Says {
		if b.Takes(v) {
			out = append(out, fmt.Sprintf("where: rows that say %q are of both", v))
		}
	}
	return out
}

// readAs reports whether two tables of a file read the same rows of it.
func (t Table) readAs(other Table) bool {
	return t.Note.Rows == other.Note.Rows && reflect.DeepEqual(t.Dialect.plain(), other.Dialect.plain())
}

// plain is a dialect with its defaults (metadata vocabulary, section 5.9), but for the delimiter, which the name of a file
// tells too.
func (d *Dialect) plain() Dialect {
	if d == nil {
		d = &Dialect{}
	}
	rows := d.HeaderRows()
	return Dialect{Delimiter: d.Delimiter, QuoteChar: cmp.Or(d.QuoteChar, `"`), Encoding: cmp.Or(d.Encoding, "utf-8"), HeaderRowCount: &rows, SkipRows: d.SkipRows}
}

// titles are those of a column of a name.
func (t Table) titles(name string) Strings {
	for _, c := range t.Schema.Columns {
		if c.Name == name {
			return c.Titles
		}
	}
	return nil
}

func valid(b []byte) error {
	doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(b))
	if err != nil {
		return err
	}
	s, err := compiled()
	if err != nil {
		return err
	}
	return s.Validate(doc)
}

// compiled is the schema, ready to validate.
var compiled = sync.OnceValues(func() (*jsonschema.Schema, error) {
	schema, err := jsonschema.UnmarshalJSON(bytes.NewReader(schemaJSON))
	if err != nil {
		return nil, err
	}
	c := jsonschema.NewCompiler()
	if err := c.AddResource(SchemaID, schema); err != nil {
		return nil, err
	}
	return c.Compile(SchemaID)
})

// check gives every fault of a table.
func (t Table) check() []error {
	var errs []error
	fault := func(format string, args ...any) { errs = append(errs, fmt.Errorf(format, args...)) }
	if _, err := time.LoadLocation(t.Note.Zone); err != nil || t.Note.Zone == "" || t.Note.Zone == "Local" {
		fault("zone: an IANA zone name is needed")
	}
	for path := range t.Note.Constants {
		if _, ok := Place(path); !ok {
			fault("constants: no path %s", path)
		}
	}
	names := map[string]bool{}
	for _, c := range t.Schema.Columns {
		if names[c.Name] {
			fault("column %s: twice", c.Name)
		}
		names[c.Name] = true
		for _, err := range c.check(t) {
			fault("column %s: %w", c.Name, err)
		}
	}
	keys := slices.Clone(t.Schema.PrimaryKey)
	for _, f := range t.Schema.ForeignKeys {
		keys = append(keys, f.ColumnReference...)
	}
	for _, c := range t.Schema.Columns {
		if c.Note.DateColumn != "" {
			keys = append(keys, c.Note.DateColumn)
		}
	}
	if w := t.Note.Where; w != nil {
		keys = append(keys, w.Column)
	}
	for _, k := range keys {
		if !names[k] {
			fault("no column %s", k)
		}
	}
	if t.Note.Kind != "surgery" && len(t.Schema.ForeignKeys) == 0 {
		fault("foreignKeys: which surgery a %s belongs to", t.Note.Kind)
	}
	return errs
}

func (c Column) check(t Table) []error {
	var errs []error
	fault := func(format string, args ...any) { errs = append(errs, fmt.Errorf(format, args...)) }
	ways := 0
	for _, is := range []bool{c.Note.Path != "", len(c.Note.Read) > 0, c.Note.Ignore != ""} {
		if is {
			ways++
		}
	}
	if ways > 1 {
		fault("one of path, read and ignore")
	}
	if ways == 0 && !c.isKey(t) {
		fault("neither path nor read nor ignore, and no key")
	}
	if c.Note.Path != "" {
		if p, ok := Place(c.Note.Path); !ok || !p.Leaf() {
			fault("no path %s of a value", c.Note.Path)
		}
	}
	if w := c.Note.Crosswalk; w != "" {
		if _, ok := t.Note.Crosswalks[w]; !ok {
			fault("no crosswalk %s", w)
		}
	}
	for _, f := range append(slices.Clone(c.Note.Formats), c.Datatype.Format) {
		if f != "" && c.Datatype.temporal() {
			if _, err := ParsePattern(f); err != nil {
				fault("format %s: %w", f, err)
			}
		}
	}
	return errs
}

func (c Column) isKey(t Table) bool {
	if slices.Contains(t.Schema.PrimaryKey, c.Name) || t.Note.Where != nil && t.Note.Where.Column == c.Name {
		return true
	}
	return slices.ContainsFunc(t.Schema.ForeignKeys, func(f ForeignKey) bool { return slices.Contains(f.ColumnReference, c.Name) }) ||
		slices.ContainsFunc(t.Schema.Columns, func(o Column) bool { return o.Note.DateColumn == c.Name })
}

func (d Datatype) temporal() bool {
	return d.Base == "date" || d.Base == "datetime" || d.Base == "time"
}

// places are the places of the record format by their pattern.
var places = func() map[string]record.PathInfo {
	out := map[string]record.PathInfo{}
	for _, p := range record.Paths() {
		out[p.Path] = p
	}
	return out
}()

// Place is what the record format says of a pointer; the indexes of lists may be any.
func Place(pointer string) (record.PathInfo, bool) {
	parts := strings.Split(pointer, "/")
	for i, p := range parts {
		if p != "" && strings.Trim(p, "0123456789") == "" {
			parts[i] = "*"
		}
	}
	p, ok := places[strings.Join(parts, "/")]
	return p, ok
}
