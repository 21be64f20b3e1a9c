package batch_test

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"github.com/xuri/excelize/v2"
)

// Rejected rows, mended in the file that the run wrote of them, are taken by the same
// layout, of each format, and nothing else is.
func TestRejectsAreMendedAndRunAlone(t *testing.T) {
	for _, c := range []struct {
		file, layout, rejects string
		spoil                 func(t *testing.T, path string)
		mend                  [2]string
	}{
		{"surgeries.csv", "surgeries.layout.json", "rejects-surgeries.csv", replacing("000101;004711;", "000101;;"), [2]string{"000101;;", "000101;004711;"}},
		{"older.json", "older.layout.json", "rejects-older.json", replacing(`"A-18"`, `""`), [2]string{`"number": ""`, `"number": "A-18"`}},
		{"visits.xlsx", "visits.layout.json", "rejects-visits.xlsx#Visits.csv", func(t *testing.T, path string) {
			book, err := excelize.OpenFile(path)
			require.NoError(t, err)
			require.NoError(t, book.SetCellValue("Visits", "B2", "no"))
			require.NoError(t, book.Save())
			require.NoError(t, book.Close())
		}, [2]string{",no,", ",00711,"}},
	} {
		t.Run(c.file, func(t *testing.T) {
			o := options(t, filepath.Join(t.TempDir(), c.file), filepath.Join(shipped, c.layout))
			require.NoError(t, os.WriteFile(o.Files[0], must(os.ReadFile(filepath.Join(shipped, c.file)))(t), 0o600))
			c.spoil(t, o.Files[0])
			before := run(t, o).Outcomes
			require.Equal(t, 1, before["rejected"], before)
			text := must(os.ReadFile(filepath.Join(o.Out, c.rejects)))(t)
			require.Contains(t, string(text), c.mend[0])
			mended := bytes.Replace(text, []byte(c.mend[0]), []byte(c.mend[1]), 1)
			again := options(t, filepath.Join(t.TempDir(), c.rejects), filepath.Join(shipped, c.layout))
			require.NoError(t, os.WriteFile(again.Files[0], mended, 0o600))
			s := run(t, again)
			assert.Equal(t, 1, s.Outcomes["provenance"], s.Outcomes)
			assert.Zero(t, s.Outcomes["rejected"])
			for _, x := range sources(t, again.Out) {
				assert.Equal(t, c.rejects, x.file)
			}
		})
	}
}

func replacing(from, to string) func(t *testing.T, path string) {
	return func(t *testing.T, path string) {
		text := string(must(os.ReadFile(path))(t))
		require.Equal(t, 1, strings.Count(text, from))
		require.NoError(t, os.WriteFile(path, []byte(strings.Replace(text, from, to, 1)), 0o600))
	}
}
