package jsontree_test

import (
	"bytes"
	"encoding/json"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/validate/jsontree"
)

// plain is what encoding/json makes of a text, or an error.
func plain(text string) (any, error) {
	d := json.NewDecoder(bytes.NewReader([]byte(text)))
	d.UseNumber()
	var v any
	err := d.Decode(&v)
	return v, err
}

// The texts of RFC 8259's rules, and what stands behind a value.
func TestRead(t *testing.T) {
	for _, good := range []string{
		`{}`, `[]`, `[[],{}]`, `{"a":{"b":[1,2.50,-0,1e5,1E+3,0.1e-2]},"c":"d"}`, `"x"`, `"\u00e4\ud83d\ude00\n\/\\"`, ` true `, "[null,false]",
	} {
		v, twice, err := jsontree.Read([]byte(good))
		require.NoError(t, err, good)
		assert.Empty(t, twice)
		want, err := plain(good)
		require.NoError(t, err)
		assert.Equal(t, want, v, good)
	}
	for _, bad := range []string{
		``, `{`, `{"a"}`, `{"a":}`, `{"a":1,}`, `[1,]`, `[1 2]`, `01`, `1.`, `.5`, `+1`, `-`, `1e`, `tru`, `"a`, `"\x"`, `"\u12"`,
		"\"a\nb\"", `{} {}`, `'a'`, `{a:1}`, "\"\xff\"", `"\ud800"`, `NaN`,
	} {
		_, _, err := jsontree.Read([]byte(bad))
		assert.Error(t, err, bad)
	}
	for text, want := range map[string]string{
		"{\n \"ä\": tru}":         "no JSON at line 2, column 7: no value begins so",
		"\ufeff{}":                "no JSON at line 1, column 1: a byte order mark stands before the text",
		"\n<Patient xmlns=\"\"/>": "no JSON at line 2, column 1: XML is not read",
	} {
		_, _, err := jsontree.Read([]byte(text))
		assert.EqualError(t, err, want)
	}
	_, _, err := jsontree.Read(bytes.Repeat([]byte("["), 100_000))
	assert.ErrorContains(t, err, "too deep")
}

// Of a member that occurs twice the first counts, and the object is named
// (RFC 8259 4: names should be unique; R4 json.html: they are).
func TestReadDuplicates(t *testing.T) {
	v, twice, err := jsontree.Read([]byte(`{"a":[{"b":1,"c":2,"b":3}]}`))
	require.NoError(t, err)
	inner := v.(map[string]any)["a"].([]any)[0].(map[string]any)
	assert.Equal(t, json.Number("1"), inner["b"])
	require.Len(t, twice, 1)
	assert.Equal(t, "b", twice[0].Name)
	twice[0].Object["mark"] = true
	assert.Contains(t, inner, "mark", "it is the object of the tree")
}

// What both read is the same, and what encoding/json refuses is refused.
func FuzzRead(f *testing.F) {
	for _, s := range []string{`{"a":[1,"b",null,true]}`, `"\ud83d\ude00"`, `[1e-5]`, `{"a":1,"a":2}`} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, text string) {
		v, twice, err := jsontree.Read([]byte(text))
		if err != nil {
			return
		}
		assert.True(t, json.Valid([]byte(text)))
		if len(twice) == 0 {
			want, err := plain(text)
			require.NoError(t, err)
			assert.Equal(t, want, v)
		}
	})
}
