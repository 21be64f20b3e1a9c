package batch_test

import (
	"bytes"
	"context"
	"encoding/csv"
	"encoding/json"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/text/encoding/charmap"

	"nailbridge/internal/config"
	"nailbridge/internal/old/batch"
	"nailbridge/internal/old/layout"
	"nailbridge/mapping/record"
)

const shipped = "../../../testdata/old"

// options are those of a run over a shipped export.
func options(t testing.TB, file, layoutFile string) batch.Options {
	t.Helper()
	settings, err := config.Read("../../../testdata/settings.json")
	require.NoError(t, err)
	clinics, err := settings.Settings(config.DemoNamespace)
	require.NoError(t, err)
	for i := range clinics {
		clinics[i].Clinic.ShareUnstated = "invented basis"
	}
	return batch.Options{Files: []string{file}, Layout: layoutOf(t, layoutFile), Folder: shipped, Clinics: clinics,
		LayoutName: filepath.Base(layoutFile), AsOf: time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC), Out: t.TempDir(), Workers: 2, Sharing: "agreed", Basis: "invented basis"}
}

func layoutOf(t testing.TB, path string) layout.Layout {
	t.Helper()
	b, err := os.ReadFile(path)
	require.NoError(t, err)
	l, err := layout.Read(b)
	require.NoError(t, err)
	return l
}

func run(t testing.TB, o batch.Options) batch.Summary {
	t.Helper()
	s, err := batch.Run(context.Background(), o)
	require.NoError(t, err)
	return s
}

// The facts of the shipped exports, written down from the files before anything was run:
// where each row ends.
func TestEveryRowEndsOnce(t *testing.T) {
	for _, c := range []struct {
		file, layout string
		rows         int
		want         map[string]int
	}{
		{"surgeries.csv", "surgeries.layout.json", 7, map[string]int{"provenance": 3, "worksheet": 2, "skipped": 2}},
		{"visits.xlsx", "visits.layout.json", 9, map[string]int{"provenance": 7, "waiting": 1, "worksheet": 1}},
		{"older.json", "older.layout.json", 4, map[string]int{"provenance": 3, "worksheet": 1}},
	} {
		o := options(t, filepath.Join(shipped, c.file), filepath.Join(shipped, c.layout))
		s := run(t, o)
		assert.Equal(t, c.rows, s.Rows, c.file)
		assert.Equal(t, c.want, s.Outcomes, c.file)
		total := 0
		for _, n := range s.Outcomes {
			total += n
		}
		assert.Equal(t, s.Rows, total)
	}
}

// The plans of surgeries from a day on are followed here, with activities that are
// open; those of before are revoked, and have none (D4.4).
func TestPlansAreFollowedFromADayOn(t *testing.T) {
	o := options(t, filepath.Join(shipped, "surgeries.csv"), filepath.Join(shipped, "surgeries.layout.json"))
	o.Clinics[0].Clinic.DefaultProtocol = "partial-avulsion-chemical-ablation"
	byStatus := func(since string) (out map[string]int) {
		o.Out, o.FollowSince = t.TempDir(), nil
		if since != "" {
			w, err := record.ParseWhen(since)
			require.NoError(t, err)
			o.FollowSince = &w
		}
		run(t, o)
		out = map[string]int{}
		for _, p := range resources(t, o.Out, "CarePlan") {
			status := p["status"].(string)
			out[status]++
			assert.Equal(t, status == "revoked", len(list(p["activity"])) == 0, status)
		}
		return out
	}
	assert.Equal(t, map[string]int{"revoked": 3}, byStatus(""))
	assert.Equal(t, map[string]int{"revoked": 3}, byStatus("2030-01-01"))
	assert.Equal(t, map[string]int{"active": 2, "revoked": 1}, byStatus("2014-06-03"), "of June 2014 nobody can say that it was from that day on")
}

// answered reads the worksheet of a run with people's answers in it.
func answered(t testing.TB, out string, answer func(lines [][]string)) batch.Decisions {
	t.Helper()
	b, err := os.ReadFile(filepath.Join(out, "worksheet.csv"))
	require.NoError(t, err)
	rows, err := csv.NewReader(bytes.NewReader(b)).ReadAll()
	require.NoError(t, err)
	answer(rows[1:])
	var filled bytes.Buffer
	require.NoError(t, csv.NewWriter(&filled).WriteAll(rows))
	path := filepath.Join(t.TempDir(), "worksheet.csv")
	require.NoError(t, os.WriteFile(path, filled.Bytes(), 0o644))
	d, err := batch.ReadDecisions(path)
	require.NoError(t, err)
	return d
}

func resources(t testing.TB, dir, typ string) (out []map[string]any) {
	t.Helper()
	b, err := os.ReadFile(filepath.Join(dir, typ+".ndjson"))
	require.NoError(t, err)
	for line := range strings.Lines(string(b)) {
		var r map[string]any
		require.NoError(t, json.Unmarshal([]byte(line), &r))
		out = append(out, r)
	}
	return out
}

func list(v any) []any {
	l, _ := v.([]any)
	return l
}

// form is another form of a table, with the layout edited to match.
type form struct {
	name   string
	edit   func(rows [][]string, l *layout.Layout) []byte
	suffix string
}

// The shipped wide CSV in other forms (columns shuffled, headers renamed, delimiter,
// encoding, decimal mark and date format changed) with the layout edited to match gives equal
// resources.
func TestOtherFormsOfAFileGiveEqualRecords(t *testing.T) {
	file, lay := filepath.Join(shipped, "surgeries.csv"), filepath.Join(shipped, "surgeries.layout.json")
	in, err := os.ReadFile(file)
	require.NoError(t, err)
	r := csv.NewReader(bytes.NewReader(in))
	r.Comma = ';'
	rows, err := r.ReadAll()
	require.NoError(t, err)
	rows[1][17] = "très bien – ½" // letters that encodings differ in
	base := options(t, filepath.Join(t.TempDir(), "surgeries.csv"), lay)
	require.NoError(t, os.WriteFile(base.Files[0], delimited(rows, ';'), 0o644))
	run(t, base)
	want := procedures(t, base.Out)
	require.Contains(t, want, rows[1][17])
	for _, f := range forms() {
		t.Run(f.name, func(t *testing.T) {
			o := options(t, filepath.Join(t.TempDir(), "surgeries"+f.suffix), lay)
			copied := make([][]string, len(rows))
			for i := range rows {
				copied[i] = append([]string{}, rows[i]...)
			}
			require.NoError(t, os.WriteFile(o.Files[0], f.edit(copied, &o.Layout), 0o644))
			run(t, o)
			assert.Equal(t, want, procedures(t, o.Out))
		})
	}
}

// procedures are what a run made of what was done, and of the words about it.
func procedures(t *testing.T, out string) string {
	t.Helper()
	return string(must(os.ReadFile(filepath.Join(out, "Procedure.ndjson")))(t)) + string(must(os.ReadFile(filepath.Join(out, "Observation.ndjson")))(t))
}

func delimited(rows [][]string, comma rune) []byte {
	var b bytes.Buffer
	w := csv.NewWriter(&b)
	w.Comma = comma
	_ = w.WriteAll(rows) // into memory
	return b.Bytes()
}

func forms() []form {
	write := delimited
	return []form{
		{"shuffled", func(rows [][]string, _ *layout.Layout) []byte {
			for _, r := range rows {
				r[12], r[3], r[1], r[16], r[8], r[10] = r[3], r[12], r[16], r[1], r[10], r[8]
			}
			return write(rows, ';')
		}, ".csv"},
		{"renamed", func(rows [][]string, l *layout.Layout) []byte {
			rows[0][0], rows[5][0] = "Operation no", "Operation no"
			l.Schema.Columns[0].Titles = layout.Strings{"Operation no"}
			return write(rows, ';')
		}, ".csv"},
		{"tabs, byte order mark", func(rows [][]string, l *layout.Layout) []byte {
			l.Dialect.Delimiter, l.URL = "\t", "surgeries*.tsv"
			return append([]byte("\xef\xbb\xbf"), write(rows, '\t')...)
		}, ".tsv"},
		{"dates", func(rows [][]string, l *layout.Layout) []byte {
			for _, r := range rows[1:] {
				if p := strings.Split(r[5], "/"); len(p) == 3 {
					r[5] = p[2] + "-" + p[1] + "-" + p[0]
				}
			}
			l.Schema.Columns[5].Datatype.Format = "yyyy-MM-dd"
			return write(rows, ';')
		}, ".csv"},
		{"windows-1252", func(rows [][]string, l *layout.Layout) []byte {
			l.Dialect.Encoding = "windows-1252"
			text, _ := charmap.Windows1252.NewEncoder().Bytes(write(rows, ';')) // all of it has a code
			return text
		}, ".csv"},
		{"decimal point", func(rows [][]string, l *layout.Layout) []byte {
			for _, r := range rows[1:] {
				r[16] = strings.Replace(r[16], ",", ".", 1)
			}
			l.Schema.Columns[16].Datatype.DecimalChar = "."
			return write(rows, ';')
		}, ".csv"},
	}
}

// A killed run goes on where it was: the files equal those of an unbroken run. The run
// is cut off by its context at each of its steps.
func TestAStoppedRunGoesOn(t *testing.T) {
	file, lay := filepath.Join(shipped, "visits.xlsx"), filepath.Join(shipped, "visits.layout.json")
	whole := options(t, file, lay)
	whole.Gzip = true
	run(t, whole)
	o := options(t, file, lay)
	o.Gzip = true
	stopAgainAndAgain(t, o)
	run(t, o)
	same(t, whole.Out, o.Out)
}

// stopAgainAndAgain cuts a run off at its steps, and goes on with it, until it ends; it is
// cut off once at least.
func stopAgainAndAgain(t *testing.T, o batch.Options) {
	t.Helper()
	stops := 0
	for range 20 {
		ctx, cancel := context.WithCancel(context.Background())
		o.Progress = func(string, int, int) { cancel() }
		_, err := batch.Run(ctx, o)
		cancel()
		if err == nil {
			break
		}
		require.ErrorIs(t, err, context.Canceled)
		stops++
	}
	assert.Positive(t, stops)
}

func same(t testing.TB, want, got string) {
	t.Helper()
	entries, err := os.ReadDir(want)
	require.NoError(t, err)
	for _, e := range entries {
		if strings.HasPrefix(e.Name(), "working") {
			continue
		}
		a, err := os.ReadFile(filepath.Join(want, e.Name()))
		require.NoError(t, err)
		b, err := os.ReadFile(filepath.Join(got, e.Name()))
		require.NoError(t, err)
		assert.True(t, bytes.Equal(a, b), e.Name())
	}
}

// A worksheet filled in is applied: what was corrected is published, what was left stays
// out, and who decided is kept.
func TestDecisionsAreApplied(t *testing.T) {
	file, lay := filepath.Join(shipped, "surgeries.csv"), filepath.Join(shipped, "surgeries.layout.json")
	o := options(t, file, lay)
	run(t, o)
	again := options(t, file, lay)
	again.Decided = answered(t, o.Out, func(lines [][]string) {
		require.Len(t, lines, 2)
		decide(lines[0], "correct", "left hallux medial")
		decide(lines[1], "leave", "")
	})
	s := run(t, again)
	assert.Equal(t, 4, s.Outcomes["provenance"])
	assert.Equal(t, 1, s.Outcomes["rejected"], "without a toe there is no surgery to publish")
	assert.Zero(t, s.Outcomes["worksheet"])
}

// A worksheet comes back as spreadsheets save it: parted by semicolons, with a mark, in Windows-1252.
// Decisions of a file that goes by another name now are counted, and apply under its former one.
func TestAWorksheetAsSpreadsheetsSaveIt(t *testing.T) {
	file, lay := filepath.Join(shipped, "surgeries.csv"), filepath.Join(shipped, "surgeries.layout.json")
	o := options(t, file, lay)
	run(t, o)
	rows, err := csv.NewReader(bytes.NewReader(must(os.ReadFile(filepath.Join(o.Out, "worksheet.csv")))(t))).ReadAll()
	require.NoError(t, err)
	copy(rows[1][8:], []string{"correct", "left hallux medial", "R. Érable"})
	save := func(comma rune, mark string, enc func(string) string) batch.Decisions {
		var text strings.Builder
		w := csv.NewWriter(&text)
		w.Comma = comma
		require.NoError(t, w.WriteAll(rows))
		path := filepath.Join(t.TempDir(), "saved.csv")
		require.NoError(t, os.WriteFile(path, []byte(mark+enc(text.String())), 0o600))
		return must(batch.ReadDecisions(path))(t)
	}
	plain := func(s string) string { return s }
	want := save(',', "", plain)
	require.Len(t, want, 1)
	assert.Equal(t, want, save(';', "\xef\xbb\xbf", plain))
	assert.Equal(t, want, save('\t', "", plain))
	assert.Equal(t, want, save(';', "", func(s string) string { return must(charmap.Windows1252.NewEncoder().String(s))(t) }))

	// A sheet of an earlier release has its readings in another form.
	sides := slices.IndexFunc(rows, func(r []string) bool { return strings.HasPrefix(r[5], "toe: ") })
	require.Positive(t, sides, rows)
	asIs := slices.Clone(rows[1])
	copy(rows[1][8:], []string{"", "", ""})
	copy(rows[sides][5:], []string{"site left 1 lateral", "site right 1 lateral", rows[sides][7], "accept", "", "R. Érable"})
	accepted := options(t, file, lay)
	accepted.Decided = save(',', "", plain)
	rows[1] = asIs
	assert.Equal(t, 1, run(t, accepted).Outcomes["worksheet"])

	renamed := options(t, filepath.Join(t.TempDir(), "surgeries-2.csv"), lay)
	require.NoError(t, os.WriteFile(renamed.Files[0], must(os.ReadFile(file))(t), 0o600))
	renamed.Decided = want
	s := run(t, renamed)
	assert.Equal(t, 1, s.Elsewhere)
	assert.Equal(t, 2, s.Outcomes["worksheet"])
	var text strings.Builder
	require.NoError(t, s.WriteText(&text))
	assert.Contains(t, text.String(), "Decisions of rows that were not read")
	renamed.Out, renamed.NameAs = t.TempDir(), map[string]string{"surgeries-2.csv": "surgeries.csv"}
	s = run(t, renamed)
	assert.Zero(t, s.Elsewhere)
	assert.Equal(t, 1, s.Outcomes["worksheet"])
}

func decide(line []string, kind, words string) {
	copy(line[len(line)-3:], []string{kind, words, "r.office"})
}

// A decision holds for the row that the person saw, by its record and its words: another
// that stands in its place, since a row came in before it, waits.
func TestADecisionNeverReachesAnotherRow(t *testing.T) {
	head, _, _ := strings.Cut(string(must(os.ReadFile(filepath.Join(shipped, "surgeries.csv")))(t)), "\n")
	const (
		left  = "000101;004711;;;1971;03/06/2014;10:05;HB;;hallux;lat;PNA;;;;;;\n"
		right = "000102;004712;;;1971;04/06/2014;10:05;HB;;hallux;lat;PNA;;;;;;\n" // the same words of another's toe
	)
	lay := filepath.Join(shipped, "surgeries.layout.json")
	of := func(rows string) batch.Options {
		o := options(t, filepath.Join(t.TempDir(), "surgeries.csv"), lay)
		require.NoError(t, os.WriteFile(o.Files[0], []byte(head+"\n"+rows), 0o600))
		return o
	}
	o := of(left + right)
	require.Equal(t, map[string]int{"worksheet": 2}, run(t, o).Outcomes)
	decided := answered(t, o.Out, func(lines [][]string) {
		decide(lines[0], "correct", "left hallux lat")
		decide(lines[1], "correct", "right hallux lat")
	})
	for rows, want := range map[string]int{
		left + right: 0,
		right + left: 2,
		strings.ReplaceAll(left+right, "lat", "med"): 2,
	} {
		o := of(rows)
		o.Decided = decided
		s := run(t, o)
		assert.Equal(t, want, s.Outcomes["worksheet"], rows)
		assert.Equal(t, want, s.Reasons["other-words"], rows)
	}
}

// A toe that a spreadsheet made a date of, a toe that no cell says and a key that is not
// there are what a person may write; nothing was read that could be accepted.
func TestAPersonSaysWhatTheRowDoesNot(t *testing.T) {
	head, _, _ := strings.Cut(string(must(os.ReadFile(filepath.Join(shipped, "surgeries.csv")))(t)), "\n")
	o := options(t, filepath.Join(t.TempDir(), "surgeries.csv"), filepath.Join(shipped, "surgeries.layout.json"))
	o.Layout.Schema.Columns[0].Required = false
	require.NoError(t, os.WriteFile(o.Files[0], []byte(head+`
000101;004711;;;1971;03/06/2014;10:05;HB;R;01-Feb;med;PNA;;;;;;
000102;004712;;;1971;03/06/2014;10:05;HB;;;;PNA;;;;;;
;004713;;;1971;03/06/2014;10:05;HB;R;hallux;lat;PNA;;;;;;
`), 0o600))
	require.Equal(t, map[string]int{"worksheet": 3}, run(t, o).Outcomes)
	o.Out, o.Decided = t.TempDir(), answered(t, o.Out, func(lines [][]string) {
		require.Len(t, lines, 3)
		assert.Equal(t, []string{"surgeries.csv", "2", "old-op-000101", "toe", "R 01-Feb med", "", "", "became-date"}, lines[0][:8])
		decide(lines[0], "correct", "right 2nd medial")
		decide(lines[1], "correct", "left hallux lateral")
		decide(lines[2], "correct", "000103")
	})
	require.Equal(t, map[string]int{"provenance": 3}, run(t, o).Outcomes)
	var toes []string
	for _, r := range resources(t, o.Out, "BodyStructure") {
		toes = append(toes, r["description"].(string))
	}
	assert.ElementsMatch(t, []string{"right second toe, medial (tibial) border", "left hallux, lateral (fibular) border", "right hallux, lateral (fibular) border"}, toes)

	path := filepath.Join(t.TempDir(), "worksheet.csv")
	require.NoError(t, os.WriteFile(path, []byte("file,row,record,column,original,reading,other readings,rule,decision,words,who\na.csv,2,r,toe,01-Feb,,,became-date,accept,,r.office\n"), 0o600))
	_, err := batch.ReadDecisions(path)
	assert.ErrorContains(t, err, "line 2: accept, where nothing was read")
}

// A layout that does not say, and values that do not tell, stop a run before anything
// is written; so do values that contradict it.
func TestTheOrderOfDayAndMonthIsNeverGuessed(t *testing.T) {
	lay := filepath.Join(shipped, "surgeries.layout.json")
	for name, c := range map[string]struct{ format, cell, want string }{
		"contradicted": {"MM/dd/yyyy", "17/06/2014", "contradicts the declared order"},
		"not declared": {"", "03/06/2014", "does not declare the order"},
	} {
		t.Run(name, func(t *testing.T) {
			head, _, _ := strings.Cut(string(must(os.ReadFile(filepath.Join(shipped, "surgeries.csv")))(t)), "\n")
			o := options(t, filepath.Join(t.TempDir(), "surgeries.csv"), lay)
			row := "000101;004711;Ashgrove;Tilda;1971;" + c.cell + ";10:05;HB;R;hallux;lat;PNA;;;;;;"
			require.NoError(t, os.WriteFile(o.Files[0], []byte(head+"\n"+row+"\n"), 0o644))
			o.Layout.Schema.Columns[5].Datatype.Format = c.format
			o.Layout.Schema.Columns[5].Note.Formats = nil
			o.Out = filepath.Join(o.Out, "out")
			_, err := batch.Run(context.Background(), o)
			require.ErrorContains(t, err, c.want)
			entries, _ := os.ReadDir(o.Out)
			assert.Empty(t, entries)
		})
	}
}

func must[T any](v T, err error) func(testing.TB) T {
	return func(t testing.TB) T { require.NoError(t, err); return v }
}
