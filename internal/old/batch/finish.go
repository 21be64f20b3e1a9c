package batch

import (
	"bufio"
	"bytes"
	"cmp"
	"encoding/csv"
	"encoding/json"
	"errors"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"nailbridge/internal/old"
)

// Summary is what a run did, counted from what it wrote.
type Summary struct {
	Rows      int            `json:"rows"`     // of the input, headers aside
	Outcomes  map[string]int `json:"outcomes"` // each row once
	Reasons   map[string]int `json:"reasons"`  // rows with a finding, by its code
	Years     map[string]int `json:"years"`    // records by the year of saved-at
	Agents    map[string]int `json:"agents"`   // records by the chemical named
	Misses    map[string]int `json:"misses"`   // cells without a code, by column
	Files     map[string]int `json:"files"`    // lines of each file of the output
	Patients  int            `json:"patients"`
	Absent    int            `json:"excludedAndAbsent,omitempty"` // identifiers to leave out that no row has
	Elsewhere int            `json:"decisionsOfNoRow,omitempty"`  // decisions of rows that were not read
	Questions int            `json:"questions"`
	Untold    map[string]int `json:"runAgain,omitempty"` // by file, rows not handed over until their surgery tells their toes
}

// finish writes what is written once: the resources of the clinics, worksheet,
// rejects, manifest and summary.
func (o Options) finish(s *spool) (Summary, error) {
	f, err := openFiles(o, s)
	if err != nil {
		return Summary{}, err
	}
	if err := errors.Join(f.clinics(s), f.close()); err != nil {
		return Summary{}, err
	}
	sum := Summary{Outcomes: map[string]int{}, Reasons: map[string]int{}, Years: map[string]int{}, Agents: map[string]int{}, Misses: map[string]int{}, Untold: map[string]int{}, Patients: f.patients}
	if err := s.whyWaiting(); err != nil {
		return sum, err
	}
	w, err := newLists(o)
	if err != nil {
		return sum, err
	}
	seen := map[string]bool{} // rows of decisions
	err = s.eachRow(func(r rowState, outcome string) error {
		if key := rowKey(o.names[r.Input], r.Number); o.Decided[key] != nil {
			seen[key] = true
		}
		sum.untoldIn(o.names[r.Input], r.Why)
		return errors.Join(sum.count(r, outcome), w.row(r, outcome))
	})
	if err := errors.Join(err, w.close()); err != nil {
		return sum, err
	}
	if sum.Files, err = o.lines(slices.Sorted(maps.Keys(f.sizes))); err != nil {
		return sum, err
	}
	sum.Questions, sum.Elsewhere = w.questions, o.Decided.unseen(seen)
	found, err := s.count(`SELECT count(DISTINCT patient) FROM row WHERE state = ? AND reason = ?`, skipped, excluded)
	if err != nil {
		return sum, err
	}
	sum.Absent = len(o.Exclude) - found
	if o.DryRun {
		return sum, nil
	}
	return sum, errors.Join(o.manifest(sum), o.page(sum))
}

// clinics writes the resources that belong to clinics, once.
func (f *files) clinics(s *spool) error {
	if f.o.DryRun {
		return nil
	}
	rows, err := s.db.Query(`SELECT ref, body FROM clinic ORDER BY ref`)
	if err != nil {
		return err
	}
	for rows.Next() {
		var ref string
		var body []byte
		if err := rows.Scan(&ref, &body); err != nil {
			return errors.Join(err, rows.Close())
		}
		typ, _, _ := strings.Cut(ref, "/")
		f.add(typ, body)
	}
	if err := errors.Join(rows.Err(), rows.Close()); err != nil {
		return err
	}
	return f.flush()
}

// eachRow gives every row of the input in order, with where it ended.
func (s *spool) eachRow(f func(r rowState, outcome string) error) error {
	rows, err := s.db.Query(`SELECT input, number, state, reason, record, clinic, body, raw, detail, outcome, reasons FROM row LEFT JOIN why USING (input, number) ORDER BY input, number`)
	if err != nil {
		return err
	}
	for rows.Next() {
		var r rowState
		var outcome string
		var why []byte
		err := rows.Scan(&r.Input, &r.Number, &r.State, &r.Reason, &r.Record, &r.Clinic, &r.Body, &r.Raw, &r.Detail, &outcome, &why)
		if err == nil && why != nil {
			err = json.Unmarshal(why, &r.Why)
		}
		if err != nil {
			return errors.Join(err, rows.Close())
		}
		if r.State != converted {
			outcome = r.State
		}
		if err := f(r, outcome); err != nil {
			return errors.Join(err, rows.Close())
		}
	}
	return errors.Join(rows.Err(), rows.Close())
}

// counted is what the summary reads of a record.
type counted struct {
	SavedAt string `json:"savedAt"`
	Surgery struct {
		Toes []struct {
			Borders []struct {
				Matrix struct {
					Agent string `json:"agent"`
				} `json:"matrix"`
			} `json:"borders"`
		} `json:"toes"`
	} `json:"surgery"`
}

func (sum *Summary) count(r rowState, outcome string) error {
	sum.Rows++
	sum.Outcomes[outcome]++
	var d detail
	if err := json.Unmarshal(r.Detail, &d); err != nil {
		return err
	}
	codes := map[string]bool{}
	for _, f := range d.Findings {
		codes[f.Code] = true
		if f.Code == old.NoCode {
			sum.Misses[f.Column]++
		}
	}
	if r.Reason != "" {
		codes[r.Reason] = true
	}
	for _, w := range r.Why {
		codes[w.Code] = true
	}
	for c := range codes {
		sum.Reasons[c]++
	}
	if r.State != converted {
		return nil
	}
	var c counted
	if err := json.Unmarshal(r.Body, &c); err != nil {
		return err
	}
	sum.Years[cmp.Or(c.SavedAt, "none")[:4]]++
	for _, t := range c.Surgery.Toes {
		for _, b := range t.Borders {
			if b.Matrix.Agent != "" {
				sum.Agents[b.Matrix.Agent]++
			}
		}
	}
	return nil
}

// lists are the worksheet and the rejects, written row by row, so that memory does
// not grow with what was not converted.
type lists struct {
	o         Options
	sheet     *csv.Writer
	reasons   *bufio.Writer
	ends      *bufio.Writer            // of rows that made a record which is not published
	noticed   *bufio.Writer            // of rows that are not among the rejects
	rejects   map[string]*bufio.Writer // by file
	writers   []*bufio.Writer
	files     []*os.File
	questions int
}

func newLists(o Options) (*lists, error) {
	l := &lists{o: o, rejects: map[string]*bufio.Writer{}}
	sheet, err := l.create("worksheet.csv")
	if err != nil {
		return nil, err
	}
	l.sheet = csv.NewWriter(sheet)
	err = l.sheet.Write(worksheetHead)
	for _, f := range []struct {
		to         **bufio.Writer
		name, head string
	}{
		{&l.reasons, "rejects.tsv", "file\trow\tend\treasons\n"},
		{&l.ends, "ends.tsv", "file\trow\tend\trecord\treasons\n"},
		{&l.noticed, "noticed.tsv", "file\trow\tcolumn\tcode\tmended\ttext\n"},
	} {
		if err != nil {
			break
		}
		if *f.to, err = l.create(f.name); err == nil {
			_, err = (*f.to).WriteString(f.head)
		}
	}
	if err != nil {
		return nil, errors.Join(err, l.close())
	}
	return l, nil
}

// create begins a file of the output anew.
func (l *lists) create(name string) (*bufio.Writer, error) {
	f, err := os.Create(filepath.Join(l.o.Out, name))
	if err != nil {
		return nil, err
	}
	l.files = append(l.files, f)
	w := bufio.NewWriter(f)
	l.writers = append(l.writers, w)
	return w, nil
}

// close writes what is still held back.
func (l *lists) close() error {
	l.sheet.Flush()
	errs := []error{l.sheet.Error()}
	for _, w := range l.writers {
		errs = append(errs, w.Flush())
	}
	for _, f := range l.files {
		errs = append(errs, f.Close())
	}
	return errors.Join(errs...)
}

// row takes in a row: where it ended, unless its Provenance says it, and what was
// noticed.
func (l *lists) row(r rowState, outcome string) error {
	name := l.o.names[r.Input]
	var d detail
	if err := json.Unmarshal(r.Detail, &d); err != nil {
		return err
	}
	switch r.State {
	case converted:
		return errors.Join(l.notice(name, r.Number, d.Findings), l.end(name, r, outcome))
	case question:
		return errors.Join(l.notice(name, r.Number, d.Findings), l.ask(name, r, d.Questions))
	}
	return l.leave(name, r, outcome, d.Findings)
}

// end lists where a row ended that made a record.
func (l *lists) end(name string, r rowState, outcome string) error {
	if outcome == published && l.o.Deliver == nil && !l.o.DryRun {
		return nil
	}
	var why []string
	for _, w := range r.Why {
		why = append(why, w.Code+": "+w.Text)
	}
	return tsv(l.ends, name, strconv.Itoa(r.Number), outcome, r.Record, strings.Join(why, "; "))
}

// ask puts the questions of a row into the worksheet.
func (l *lists) ask(name string, r rowState, qs []old.Question) error {
	for _, q := range qs {
		l.questions++
		others := slices.DeleteFunc(slices.Clone(q.Others), func(o string) bool { return o == q.Reading })
		line := []string{name, strconv.Itoa(r.Number), r.Record, q.Column, q.Original, q.Reading, strings.Join(others, " | "), q.Rule, "", "", ""}
		if err := l.sheet.Write(line); err != nil {
			return err
		}
	}
	return nil
}

// leave lists a row that was rejected or skipped, with its reasons, and keeps it as it came.
func (l *lists) leave(name string, r rowState, outcome string, fs []old.Finding) error {
	var reasons []string
	if r.Reason != "" {
		reasons = append(reasons, strings.TrimSuffix(r.Reason+": "+skippedFor[r.Reason], ": "))
	}
	for _, f := range fs {
		reasons = append(reasons, strings.TrimPrefix(f.Column+": "+f.Code+": "+f.Text, ": "))
	}
	if err := tsv(l.reasons, name, strconv.Itoa(r.Number), outcome, strings.Join(reasons, "; ")); err != nil {
		return err
	}
	if r.Reason == excluded {
		return nil // in a file that is mended and run alone it would come back
	}
	return l.reject(r)
}

// skippedFor says in words why a row is skipped.
var skippedFor = map[string]string{
	old.RepeatedHeader: "the header of the file once more", old.Total: "a line of totals", old.EmptyRow: "nothing stands in it", old.Heading: "a year or month by itself",
	excluded: "its patient is in the --exclude file", beforeSince: "dated before --since",
}

// oneLine takes out of a field what ends one.
var oneLine = strings.NewReplacer("\t", " ", "\n", " ", "\r", " ")

// tsv writes a line of tab-separated fields.
func tsv(w *bufio.Writer, fields ...string) error {
	for i, f := range fields {
		end := "\t"
		if i == len(fields)-1 {
			end = "\n"
		}
		if _, err := oneLine.WriteString(w, f); err != nil {
			return err
		}
		if _, err := w.WriteString(end); err != nil {
			return err
		}
	}
	return nil
}

// notice lists what was noticed of a row.
func (l *lists) notice(name string, row int, fs []old.Finding) error {
	for _, f := range fs {
		mended := ""
		if f.Mended {
			mended = "mended"
		}
		if err := tsv(l.noticed, name, strconv.Itoa(row), f.Column, f.Code, mended, f.Text); err != nil {
			return err
		}
	}
	return nil
}

// reject writes the bytes of a row as they came, under the header of its file.
func (l *lists) reject(r rowState) error {
	name := l.o.rejects[r.Input]
	to := l.rejects[name]
	if to == nil {
		var err error
		if to, err = l.create(name); err != nil {
			return err
		}
		l.rejects[name] = to
		if _, err := to.Write(l.o.headers[r.Input]); err != nil {
			return err
		}
	}
	_, err := to.Write(r.Raw)
	if !bytes.HasSuffix(r.Raw, []byte("\n")) {
		err = errors.Join(err, to.WriteByte('\n'))
	}
	return err
}

// manifest lists the files of resources (the output members of the bulk data
// manifest, https://hl7.org/fhir/uv/bulkdata/STU2/export.html).
func (o Options) manifest(sum Summary) error {
	type output struct {
		Type  string `json:"type"`
		URL   string `json:"url"`
		Count int    `json:"count"`
	}
	m := struct {
		TransactionTime string   `json:"transactionTime"`
		Output          []output `json:"output"`
		Summary         Summary  `json:"extension"`
	}{TransactionTime: o.AsOf.UTC().Format("2006-01-02T15:04:05Z"), Output: []output{}, Summary: sum}
	for _, name := range slices.Sorted(maps.Keys(sum.Files)) {
		typ, _, _ := strings.Cut(name, ".")
		m.Output = append(m.Output, output{typ, name, sum.Files[name]})
	}
	b, err := json.MarshalIndent(m, "", "  ")
	if err != nil {
		return err
	}
	return os.WriteFile(filepath.Join(o.Out, "manifest.json"), append(b, '\n'), 0o644)
}

// Unfinished reports whether rows wait for a person, were rejected, held or refused,
// or contradict one another.
func (sum Summary) Unfinished() bool {
	return sum.Outcomes[question]+sum.Outcomes[rejected]+sum.Outcomes[held]+sum.Outcomes[waiting]+sum.Outcomes[conflict]+sum.Outcomes[refused] > 0
}
