package table_test

import (
	"bytes"
	"compress/gzip"
	"errors"
	"io"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/old/table"
)

// rows reads all rows of a file with that text.
func rows(t testing.TB, name string, text []byte, f table.Format) []table.Row {
	t.Helper()
	path := filepath.Join(t.TempDir(), name)
	require.NoError(t, os.WriteFile(path, text, 0o600))
	r, err := table.Open(path, f)
	require.NoError(t, err)
	defer r.Close()
	var out []table.Row
	for {
		row, err := r.Next()
		if errors.Is(err, io.EOF) {
			return out
		}
		require.NoError(t, err)
		out = append(out, row)
	}
}

func cells(rs []table.Row) [][]string {
	var out [][]string
	for _, r := range rs {
		out = append(out, r.Cells)
	}
	return out
}

// RFC 4180 section 2: quoted cells hold delimiters, line ends and doubled marks. The
// bytes of every row together are the file.
func TestDelimitedText(t *testing.T) {
	for name, c := range map[string]struct {
		text string
		f    table.Format
		want [][]string
	}{
		"commas":         {"a,b\r\n1,\"x, \"\"y\"\"\"\r\n", table.Format{}, [][]string{{"a", "b"}, {"1", `x, "y"`}}},
		"quoted newline": {"a,b\n1,\"two\nlines\"\n2,c\n", table.Format{}, [][]string{{"a", "b"}, {"1", "two\nlines"}, {"2", "c"}}},
		"newline behind a mark": {"a,b\n1,\"he said \"\"ok\"\"\nrang\"\n2,\"\"\"x\"\"\n\"\"\"\n3,\"\"\n", table.Format{},
			[][]string{{"a", "b"}, {"1", "he said \"ok\"\nrang"}, {"2", "\"x\"\n\""}, {"3", ""}}},
		"semicolons":     {"a;b\n1,5;2\n", table.Format{Delimiter: ';'}, [][]string{{"a", "b"}, {"1,5", "2"}}},
		"tabs":           {"a\tb\n1\t\n", table.Format{Delimiter: '\t'}, [][]string{{"a", "b"}, {"1", ""}}},
		"inches":         {"a,b\n5\" nail,2\n", table.Format{}, [][]string{{"a", "b"}, {`5" nail`, "2"}}},
		"no end of line": {"a,b\n1,2", table.Format{}, [][]string{{"a", "b"}, {"1", "2"}}},
		"windows-1252":   {"a\nM\xfcller\n", table.Format{Encoding: "windows-1252"}, [][]string{{"a"}, {"Müller"}}},
	} {
		t.Run(name, func(t *testing.T) {
			rs := rows(t, "x.csv", []byte(c.text), c.f)
			assert.Equal(t, c.want, cells(rs))
			var all []byte
			for i, r := range rs {
				all = append(all, r.Raw...)
				assert.Equal(t, i+1, r.Number)
			}
			assert.Equal(t, c.text, string(all))
		})
	}
}

// A byte order mark is no part of the first title, and gzip is known by its bytes.
func TestMarkAndGzip(t *testing.T) {
	var packed bytes.Buffer
	w := gzip.NewWriter(&packed)
	_, err := w.Write([]byte("\xef\xbb\xbfa,b\n1,2\n"))
	require.NoError(t, err)
	require.NoError(t, w.Close())
	assert.Equal(t, [][]string{{"a", "b"}, {"1", "2"}}, cells(rows(t, "x.csv.gz", packed.Bytes(), table.Format{})))
}

// A quotation mark that is never closed breaks its own line, and none behind it.
func TestAnOpenQuotationMarkBreaksItsLineOnly(t *testing.T) {
	rs := rows(t, "x.csv", []byte("a,b\n1,\"open\n2,c\n3,d\n"), table.Format{})
	require.Len(t, rs, 4)
	assert.Equal(t, "1,\"open\n", string(rs[1].Raw))
	assert.NotEmpty(t, rs[1].Broken)
	assert.Equal(t, []string{"2", "c"}, rs[2].Cells)
	assert.Equal(t, []string{"3", "d"}, rs[3].Cells)
}

func TestBytesThatTheEncodingLacks(t *testing.T) {
	rs := rows(t, "x.csv", []byte("a\nM\xfcller\n"), table.Format{})
	assert.NotEmpty(t, rs[1].Broken)
}

// JSON: a list at a pointer, a list, and a line each; leaves by RFC 6901 pointer.
func TestJSONRows(t *testing.T) {
	for name, c := range map[string]struct {
		text, pointer string
	}{
		"pointer": {`{"n":{"x":[1]},"rows":[{"a":{"b":1.50}},{"a":{"b":2}}],"rest":0}`, "/rows"},
		"list":    {` [{"a":{"b":1.50}},{"a":{"b":2}}]`, ""},
		"lines":   {"{\"a\":{\"b\":1.50}}\n{\"a\":{\"b\":2}}\n", ""},
	} {
		rs := rows(t, "x.json", []byte(c.text), table.Format{Pointer: c.pointer})
		require.Len(t, rs, 2, name)
		assert.Equal(t, []string{"/a/b"}, rs[0].Names, name)
		assert.Equal(t, []string{"1.50"}, rs[0].Cells, name)
		assert.Equal(t, `{"a":{"b":2}}`, string(rs[1].Raw), name)
	}
}

func FuzzCSV(f *testing.F) {
	f.Add([]byte("a;b\n1;\"x\"\n"))
	f.Add([]byte("\"\n\"\"\n,\"a\n"))
	f.Fuzz(func(t *testing.T, text []byte) {
		if len(text) > 4096 {
			return
		}
		var all []byte
		for _, r := range rows(t, "x.csv", text, table.Format{Delimiter: ';'}) {
			all = append(all, r.Raw...)
		}
		assert.Equal(t, string(bytes.TrimPrefix(text, []byte("\xef\xbb\xbf"))), string(all), "nothing is lost")
	})
}
