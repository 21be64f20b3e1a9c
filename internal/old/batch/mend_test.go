package batch_test

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"maps"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"github.com/xuri/excelize/v2"

	"nailbridge/internal/old"
	"nailbridge/internal/old/batch"
	"nailbridge/internal/old/layout"
	"nailbridge/mapping/record"
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

// handed are the records that a run over some files hands over, by their ids, without where they were
// converted from.
func handed(t *testing.T, o batch.Options, files map[string]string) map[string]string {
	t.Helper()
	d := &desk{kinds: map[string]string{}}
	o.Into, o.Files = "door", nil
	out := map[string]string{}
	o.Deliver = func(ctx context.Context, records []batch.Record) ([]batch.End, error) {
		for _, r := range records {
			var body map[string]any
			require.NoError(t, json.Unmarshal(r.Body, &body))
			delete(body, "converted")
			out[body["record"].(string)] = string(must(json.Marshal(body))(t))
		}
		return d.deliver(ctx, records)
	}
	for _, name := range slices.Sorted(maps.Keys(files)) {
		path := filepath.Join(t.TempDir(), name)
		require.NoError(t, os.WriteFile(path, []byte(files[name]), 0o600))
		o.Files = append(o.Files, path)
	}
	run(t, o)
	return out
}

// A review has the toes of the content of its surgery that counts (D1.1: the highest revision), of its
// own clinic, in whatever order the rows stand; what a surgery dated before what is converted treated is
// told by its row, unless the door knows another.
func TestD1_1_AReviewHasTheToesOfTheContentThatCounts(t *testing.T) {
	const ops, seen = "op,patient,revision,day,sharing,toe\n", "id,op,patient,day,words\nv1,A1,00101,2014-06-01,healed\n"
	one, two := "A1,00101,1,2014-05-01,,R hallux lat\n", "A1,00101,2,2014-05-01,,L hallux med\n"
	for name, files := range map[string]map[string]string{
		"revision 1 first": {"ops.csv": ops + one + two, "seen.csv": seen},
		"revision 2 first": {"ops.csv": ops + two + one, "seen.csv": seen},
		"of its clinic":    {"other.csv": "op,patient,day,toe\nA1,00106,2014-05-01,R2 lat\n", "rejects-ops.csv": ops + two, "seen.csv": seen},
	} {
		got := handed(t, endsOptions(t), files)["seen-v1"]
		assert.Contains(t, got, `"toes":[{"borders":[{"border":"medial","woundStage":"healed"}],"digit":"1","side":"left"}]`, name)
	}
	since := must(record.ParseWhen("2014-05-02"))(t)
	o := endsOptions(t)
	o.Since = &since
	got := handed(t, o, map[string]string{"ops.csv": ops + one + two, "seen.csv": seen})
	assert.Contains(t, got["seen-v1"], `"side":"left"`)
	assert.Len(t, got, 1)
	o = endsOptions(t)
	o.Since = &since
	o.Treated = func(context.Context, string, string) ([]old.Site, bool, error) {
		return []old.Site{{Side: "right", Digit: "2"}}, true, nil
	}
	assert.Contains(t, handed(t, o, map[string]string{"ops.csv": ops + two, "seen.csv": seen})["seen-v1"], `"side":"right"`)
}

// Mended reviews that are run without their surgeries have the toes that the door tells, and are the
// records of a run over all rows; where nobody tells they are not handed over. A row of the
// surgery in the run stands before what the door tells, but one that made no record tells nothing.
func TestReviewsRunAloneFindTheToesOfTheirSurgery(t *testing.T) {
	var asked []string
	door := func(_ context.Context, clinic, id string) ([]old.Site, bool, error) {
		asked = append(asked, clinic+" "+id)
		return []old.Site{{Side: "right", Digit: "1", Border: "lateral"}}, true, nil
	}
	noDoor := errors.New("the door is shut")
	op := "op,patient,revision,day,sharing,toe\nA1,00101,1,2014-05-01,,"
	seen := "id,op,patient,day,words\nv1,A1,00101,2014-06-01,healed\n"
	all := handed(t, endsOptions(t), map[string]string{"ops.csv": op + "R hallux lat\n", "seen.csv": seen})["seen-v1"]
	require.Contains(t, all, `"woundStage":"healed"`)

	o := endsOptions(t)
	o.Treated = door
	assert.Equal(t, all, handed(t, o, map[string]string{"rejects-seen.csv": seen})["seen-v1"])
	assert.Equal(t, []string{"brindlemere op-A1"}, asked)
	assert.Empty(t, handed(t, endsOptions(t), map[string]string{"rejects-seen.csv": seen}))
	assert.Empty(t, handed(t, endsOptions(t), map[string]string{"ops.csv": op + "R/L hallux\n", "seen.csv": seen}), "its row waits in the worksheet")
	o = endsOptions(t)
	o.Treated = door
	assert.Equal(t, all, handed(t, o, map[string]string{"ops.csv": op + "R/L hallux\n", "seen.csv": seen})["seen-v1"])
	o = endsOptions(t)
	o.Treated = door
	assert.Contains(t, handed(t, o, map[string]string{"ops.csv": op + "L hallux med\n", "seen.csv": seen})["seen-v1"], `"side":"left"`)

	o = endsOptions(t)
	o.Treated = func(context.Context, string, string) ([]old.Site, bool, error) { return nil, false, noDoor }
	o.Files = o.Files[2:]
	_, err := batch.Run(t.Context(), o)
	assert.ErrorIs(t, err, noDoor)
}

// Toes of which columns say side, digit and border tell their reviews what words tell: the records of
// the reviews are those of a layout that reads words, and of the surgeries too, but for the words.
func TestToesOfColumnsTellTheirReviews(t *testing.T) {
	const (
		words   = "op,patient,revision,day,sharing,toe\nA1,00101,1,2014-05-01,,R hallux lat\nA2,00102,1,2014-05-01,,L1 both borders\nA3,00103,1,2014-05-01,,L2\n"
		columns = "op,patient,revision,day,sharing,side,digit,border,border 2\nA1,00101,1,2014-05-01,,right,1,lateral,\nA2,00102,1,2014-05-01,,left,1,medial,lateral\nA3,00103,1,2014-05-01,,left,2,,\n"
		seen    = "id,op,patient,day,words\nv1,A1,00101,2014-06-01,healed\nv2,A2,00102,2014-06-01,healed\nv3,A3,00103,2014-06-01,healed\n"
	)
	want := handed(t, endsOptions(t), map[string]string{"ops.csv": words, "seen.csv": seen})
	o := endsOptions(t)
	ops := &o.Layout.Tables[0].Schema
	ops.Columns = ops.Columns[:5]
	for title, path := range map[string]string{"side": "side", "digit": "digit", "border": "borders/0/border", "border 2": "borders/1/border"} {
		ops.Columns = append(ops.Columns, layout.Column{Titles: layout.Strings{title}, Name: title, Note: layout.ColumnNote{Path: "/surgery/toes/0/" + path}})
	}
	got := handed(t, o, map[string]string{"ops.csv": columns, "seen.csv": seen})
	require.Len(t, want, 6)
	wordless := regexp.MustCompile(`"note":"toe: [^"]*",`)
	for id, text := range want {
		assert.Equal(t, wordless.ReplaceAllString(text, ""), got[id], id)
	}
	for _, id := range []string{"seen-v1", "seen-v2", "seen-v3"} {
		assert.Contains(t, got[id], `"woundStage":"healed"`)
	}
}

// A surgery in which a toe is not told tells none: a finding would be taken for the others'.
func TestSitesOfASurgery(t *testing.T) {
	s := record.Surgery{Toes: []record.Toe{{Side: "left", Digit: "2"}, {Side: "right", Digit: "1", Borders: []record.Border{{Border: "medial"}, {Border: "lateral"}}}}}
	assert.Equal(t, []old.Site{{Side: "left", Digit: "2"}, {Side: "right", Digit: "1", Border: "medial"}, {Side: "right", Digit: "1", Border: "lateral"}}, old.SitesOf(s))
	s.Toes[0].Digit = ""
	assert.Empty(t, old.SitesOf(s))
}

// A dry run asks the door before it folds, and again when it goes on.
func TestADryRunAsksTheDoor(t *testing.T) {
	o := endsOptions(t)
	o.DryRun = true
	run(t, o)
	rival := errors.New("otherwise")
	o.Check = func(_ context.Context, id string, _ batch.Record) error {
		if id == "seen-v1" {
			return rival
		}
		return nil
	}
	_, err := batch.Run(t.Context(), o)
	require.ErrorIs(t, err, rival)
	assert.ErrorContains(t, err, "seen.csv, row 2: ")
}
