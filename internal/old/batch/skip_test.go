package batch_test

import (
	"bytes"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"github.com/xuri/excelize/v2"

	"nailbridge/internal/old/layout"
)

// Rows before the header (metadata vocabulary 5.9, skipRows), an empty one among them, move
// the numbers of the rows and change nothing else; the file of rejected rows has them too, and is
// read alone by the same layout.
func TestRowsBeforeTheHeaderAreSkipped(t *testing.T) {
	for file, spoil := range map[string]struct {
		layout, rejects    string
		titles, unreadable func(t *testing.T, path string)
		mend               [2]string
	}{
		"surgeries.csv": {"surgeries.layout.json", "rejects-surgeries.csv", func(t *testing.T, path string) {
			b := must(os.ReadFile(path))(t)
			require.NoError(t, os.WriteFile(path, append([]byte("Invented Foot Rooms\n\nExport of 2019;;\n"), b...), 0o600))
		}, replacing("000101;004711;", "000101;;"), [2]string{"000101;;", "000101;004711;"}},
		"visits.xlsx": {"visits.layout.json", "rejects-visits.xlsx#Visits.csv", func(t *testing.T, path string) {
			inBook(t, path, func(book *excelize.File) {
				for _, sheet := range book.GetSheetList() {
					require.NoError(t, book.InsertRows(sheet, 1, 3))
					require.NoError(t, book.SetCellValue(sheet, "A1", "Invented Foot Rooms"))
					require.NoError(t, book.SetCellValue(sheet, "B3", "Export of 2019"))
				}
			})
		}, func(t *testing.T, path string) {
			inBook(t, path, func(book *excelize.File) { require.NoError(t, book.SetCellValue("Visits", "B5", "no")) })
		}, [2]string{",no,", ",00711,"}},
	} {
		t.Run(file, func(t *testing.T) {
			o := options(t, filepath.Join(t.TempDir(), file), filepath.Join(shipped, spoil.layout))
			require.NoError(t, os.WriteFile(o.Files[0], must(os.ReadFile(filepath.Join(shipped, file)))(t), 0o600))
			before := run(t, o)
			want := map[string]int{}
			for _, s := range sources(t, o.Out) {
				want[s.record] = must(strconv.Atoi(s.row))(t) + 3
			}
			o.Out, o.Layout = t.TempDir(), skipping(o.Layout, 3)
			spoil.titles(t, o.Files[0])
			after := run(t, o)
			assert.Equal(t, before.Outcomes, after.Outcomes)
			got := map[string]int{}
			for _, s := range sources(t, o.Out) {
				got[s.record] = must(strconv.Atoi(s.row))(t)
			}
			assert.Equal(t, want, got)

			o.Out = t.TempDir()
			spoil.unreadable(t, o.Files[0])
			require.Equal(t, 1, run(t, o).Outcomes["rejected"])
			text := must(os.ReadFile(filepath.Join(o.Out, spoil.rejects)))(t)
			assert.True(t, strings.HasPrefix(string(text), "Invented Foot Rooms"), "%q", text)
			o.Files[0], o.Out = filepath.Join(t.TempDir(), spoil.rejects), t.TempDir()
			require.NoError(t, os.WriteFile(o.Files[0], bytes.Replace(text, []byte(spoil.mend[0]), []byte(spoil.mend[1]), 1), 0o600))
			alone := run(t, o).Outcomes
			assert.Equal(t, 1, alone["provenance"], alone)
			assert.Zero(t, alone["rejected"])
		})
	}
}

func inBook(t *testing.T, path string, change func(*excelize.File)) {
	book, err := excelize.OpenFile(path)
	require.NoError(t, err)
	change(book)
	require.NoError(t, book.Save())
	require.NoError(t, book.Close())
}

// skipping is a layout whose tables begin after so many rows.
func skipping(l layout.Layout, n int) layout.Layout {
	skip := func(t *layout.Table) {
		d := layout.Dialect{}
		if t.Dialect != nil {
			d = *t.Dialect
		}
		d.SkipRows = n
		t.Dialect = &d
	}
	skip(&l.Table)
	for i := range l.Tables {
		skip(&l.Tables[i])
	}
	return l
}
