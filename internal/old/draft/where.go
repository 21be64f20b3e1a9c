package draft

import (
	"slices"
	"strings"

	"nailbridge/internal/old/layout"
	"nailbridge/mapping/record"
)

// sortsOfRow are the words by which a column says what a row is (common practice, no source).
var sortsOfRow = map[string]record.Code{
	"surgery": "surgery", "nail surgery": "surgery", "op": "surgery", "operation": "surgery", "procedure": "surgery", "surgical": "surgery",
	"review": "review", "follow-up": "review", "follow up": "review", "followup": "review", "f/u": "review", "fu": "review", "check": "review",
	"check-up": "review", "check up": "review", "recheck": "review", "post-op": "review", "post op": "review", "post-op review": "review", "post op review": "review",
}

// sort is the column that tells rows apart as surgeries and reviews.
type sort struct {
	column int // of the header
	says   map[record.Code]layout.Strings
	unsure string
}

// sortOf finds that column: nine rows in ten say what they are, both kinds occur, and its title
// says that it does, or nothing.
func (d *drafter) sortOf() (sort, bool) {
	for i := range d.header {
		m, known := d.means(i)
		if known && m.path != "SORT" {
			continue
		}
		s := sort{column: i, says: map[record.Code]layout.Strings{}}
		told := 0
		for _, row := range d.rows {
			word := cell(row, i)
			kind, ok := sortsOfRow[strings.ToLower(strings.Join(strings.Fields(word), " "))]
			if !ok {
				continue
			}
			told++
			if !(layout.Where{Says: s.says[kind]}).Takes(word) {
				s.says[kind] = append(s.says[kind], word)
			}
		}
		if len(s.says) < 2 || told*10 < len(d.rows)*9 {
			continue
		}
		switch {
		case told < len(d.rows):
			s.unsure = "some rows say neither surgery nor review: no table takes them"
		case !known:
			s.unsure = "no word of the title is known; its cells tell surgeries from reviews"
		}
		return s, true
	}
	return sort{}, false
}

// cell is a cell of a row, which may be shorter than the header.
func cell(row []string, i int) string {
	if i >= len(row) {
		return ""
	}
	return strings.TrimSpace(row[i])
}

// apart drafts a table of the surgeries and one of the reviews of a file.
func (d *drafter) apart(s sort) []layout.Table {
	var both []*drafter
	for _, kind := range []record.Code{"surgery", "review"} {
		of := *d
		of.sort = &s
		where := layout.Where{Says: s.says[kind]}
		of.rows = slices.DeleteFunc(slices.Clone(d.rows), func(row []string) bool { return !where.Takes(cell(row, s.column)) })
		of.fill()
		of.table.Note.Kind, of.table.Note.Where = kind, &where
		of.table.Note.RecordPrefix += string(kind) + "-"
		of.columns()
		where.Column = of.table.Schema.Columns[slices.Index(of.from, s.column)].Name
		both = append(both, &of)
	}
	both[1].belongsTo(both[0])
	return []layout.Table{both[0].table, both[1].table}
}

// belongsTo says by which column reviews name their surgery. What that column names is the key of the
// surgeries, and the reviews have another.
func (d *drafter) belongsTo(surgeries *drafter) {
	key, by, ok := d.surgeriesNamed(surgeries)
	if !ok {
		d.table.Note.Unsure = strings.TrimPrefix(d.table.Note.Unsure+"; no column surely names the surgery of a review: foreignKeys is to say which does", "; ")
		return
	}
	surgeries.keyIs(key)
	if keys := d.mayBeKeys(); keys[0] == by {
		d.keyIs(keys[1])
	}
	c := &d.table.Schema.Columns[by]
	f := layout.ForeignKey{ColumnReference: layout.Strings{c.Name}}
	f.Reference.Resource, f.Reference.ColumnReference = surgeries.table.URL, surgeries.table.Schema.PrimaryKey
	d.table.Schema.ForeignKeys = []layout.ForeignKey{f}
	c.Note = layout.ColumnNote{}
	if m, known := d.means(d.from[by]); !known || m.path != "KEY" {
		c.Note.Unsure = "no word of the title is known; its cells are keys of surgeries"
	}
}

// surgeriesNamed is a column of surgeries that may be their key, and one of reviews whose cells all are such keys: of one
// title, else of two.
func (d *drafter) surgeriesNamed(surgeries *drafter) (key, by int, ok bool) {
	for _, oneTitle := range []bool{true, false} {
		for _, key := range surgeries.mayBeKeys() {
			for by := range d.table.Schema.Columns {
				if (surgeries.from[key] == d.from[by]) == oneTitle && d.mayName(by) && within(d.values[d.from[by]], surgeries.values[surgeries.from[key]]) {
					return key, by, true
				}
			}
		}
	}
	return 0, 0, false
}

// mayName reports whether a column of reviews may name surgeries: it has no place, and is not their only key.
func (d *drafter) mayName(i int) bool {
	c := d.table.Schema.Columns[i]
	if c.Note.Path != "" || len(c.Note.Read) > 0 || d.from[i] == d.sort.column {
		return false
	}
	keys := d.mayBeKeys()
	return keys[0] != i || len(keys) > 1
}

// within reports whether there are values, and all of them are among others.
func within(values, others []string) bool {
	return len(values) > 0 && !slices.ContainsFunc(values, func(v string) bool { return !slices.Contains(others, v) })
}

// mayBeKeys are the columns whose cells may be the key of a table, the drafted key first: no other has
// a place, and no two rows say the same.
func (d *drafter) mayBeKeys() (out []int) {
	for i, c := range d.table.Schema.Columns {
		m, _ := d.means(d.from[i])
		switch is := slices.Contains(d.table.Schema.PrimaryKey, c.Name); {
		case is:
			out = slices.Insert(out, 0, i)
		case m.path == "KEY" && len(d.values[d.from[i]]) == len(d.rows) && !repeats(d.values[d.from[i]]):
			out = append(out, i)
		}
	}
	return out
}

// keyIs makes a column the key of the table, for certain: others that may be are others.
func (d *drafter) keyIs(key int) {
	for _, i := range d.mayBeKeys() {
		note := &d.table.Schema.Columns[i].Note
		if note.Ignore, note.Unsure = "another key", ""; i == key {
			note.Ignore = ""
		}
	}
	d.table.Schema.PrimaryKey = layout.Strings{d.table.Schema.Columns[key].Name}
}
