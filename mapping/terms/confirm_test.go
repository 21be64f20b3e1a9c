package terms

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

const oneConfirmed = `{"codes":[{"code":"26402001","display":"Nerve block anesthesia","edition":"an invented edition","date":"2026-02-01",
	"confirmedBy":"A. Quill","list":"block-technique","local":"digital-block","equivalence":"wider"}]}`

// D7.2: a confirmed code stands for its local code under the licensed setting
// alone; the map without it stays as it was; every fault has its place.
func TestD7_2_ConfirmedCodes(t *testing.T) {
	ts := MustLoad()
	got, err := ts.Confirm("/a/path/own.json", []byte(oneConfirmed))
	require.NoError(t, err)
	code := func(ts *Terms, l Licence) string {
		return ts.Translate("block-technique", "digital-block", Setting{SnomedCT: l}).Codings[1].Code
	}
	assert.Equal(t, "26402001", code(got, Licensed))
	assert.Equal(t, "386761002", code(got, FreeSet))
	assert.Equal(t, "386761002", code(ts, Licensed))
	assert.Equal(t, "own.json", got.Confirmed().File)
	assert.NotContains(t, got.Confirmed().String(), "/")
	for change, place := range map[[2]string]string{
		{"26402001", "430903001"}: "/codes/0/code", {"26402001", "26402002"}: "/codes/0/code: a wrong check digit",
		{"26402001", "386761002"}: "/codes/0/code: it needs no confirming", {"Nerve block", "Nerve-block"}: "/codes/0/display",
		{"2026-02-01", "2026-02-30"}: "/codes/0/date", {"digital-block", "none-such"}: "/codes/0/local",
		{"block-technique", "anaesthetic"}: "/codes/0/list", {"A. Quill", " "}: "/codes/0/confirmedBy", {`"wider"`, `"narrower"`}: "/codes/0/equivalence",
	} {
		_, err := ts.Confirm("own.json", []byte(strings.Replace(oneConfirmed, change[0], change[1], 1)))
		assert.ErrorContains(t, err, place, change)
	}
}
