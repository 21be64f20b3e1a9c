package old_test

import (
	"errors"
	"io"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/old"
	"nailbridge/internal/old/layout"
	"nailbridge/internal/old/table"
	"nailbridge/mapping/record"
)

// Whatever the rows under the shipped header, each becomes a record that can be read, or
// is rejected with a reason, asked about, or skipped with a reason: none is lost.
func FuzzRow(f *testing.F) {
	text, err := os.ReadFile("../../testdata/old/surgeries.layout.json")
	require.NoError(f, err)
	l, err := layout.Read(text)
	require.NoError(f, err)
	l.Schema.Columns[1].Note.Crosswalk = "" // which lists the shipped patients alone
	shipped, err := os.ReadFile("../../testdata/old/surgeries.csv")
	require.NoError(f, err)
	head := shipped[:1+len(firstLine(shipped))]
	f.Add(shipped[len(head):])
	f.Fuzz(func(t *testing.T, body []byte) {
		if len(body) > 4096 {
			return
		}
		path := filepath.Join(t.TempDir(), "x.csv")
		require.NoError(t, os.WriteFile(path, append(append([]byte{}, head...), body...), 0o600))
		rows, err := table.Open(path, table.Format{Delimiter: ';'})
		require.NoError(t, err)
		defer rows.Close()
		header, err := rows.Next()
		require.NoError(t, err)
		conv, err := old.New(l.Table, header.Cells, false, false, old.Beside{Crosswalks: map[string]map[string]string{"staff": {"HB": "st-1"}}})
		require.NoError(t, err)
		for {
			r, err := rows.Next()
			if errors.Is(err, io.EOF) {
				return
			}
			require.NoError(t, err)
			res := conv.Row(r, nil)
			ends := 0
			for _, is := range []bool{res.Skip != "", res.Record != nil, res.Rejected(), len(res.Questions) > 0 && !res.Rejected()} {
				if is {
					ends++
				}
			}
			assert.Equal(t, 1, ends, "%q", r.Raw)
			if res.Record != nil {
				assert.False(t, record.Read(res.Record, time.UTC).NotJSON)
			}
		}
	})
}

func firstLine(b []byte) []byte {
	for i, c := range b {
		if c == '\n' {
			return b[:i]
		}
	}
	return b
}
