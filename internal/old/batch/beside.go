package batch

import (
	"bytes"
	"cmp"
	"crypto/sha256"
	"encoding/csv"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"golang.org/x/text/encoding/charmap"

	"nailbridge/internal/old"
	"nailbridge/internal/old/layout"
)

// beside reads the crosswalks and code maps that a layout names, from its folder.
func (o Options) beside() (old.Beside, error) {
	out := old.Beside{Crosswalks: map[string]map[string]string{}, CodeMaps: map[string]map[string]string{}}
	var errs []error
	for _, t := range o.Layout.All() {
		for name, w := range t.Note.Crosswalks {
			m, err := readCrosswalk(filepath.Join(o.Folder, w.URL), w)
			out.Crosswalks[name] = m
			errs = append(errs, err)
		}
		for _, c := range t.Schema.Columns {
			if c.Note.CodeMap == "" {
				continue
			}
			m, err := readCodeMap(filepath.Join(o.Folder, c.Note.CodeMap))
			out.CodeMaps[c.Note.CodeMap] = m
			errs = append(errs, err)
		}
	}
	return out, errors.Join(errs...)
}

// isBeside reports whether a file is one that the layout names beside itself, as a folder
// may hold all of them.
func (o Options) isBeside(path string) bool {
	named := func(url string) bool {
		return url != "" && filepath.Clean(filepath.Join(o.Folder, url)) == filepath.Clean(path)
	}
	return slices.ContainsFunc(o.Layout.All(), func(t layout.Table) bool {
		for _, w := range t.Note.Crosswalks {
			if named(w.URL) {
				return true
			}
		}
		return slices.ContainsFunc(t.Schema.Columns, func(c layout.Column) bool { return named(c.Note.CodeMap) })
	})
}

func readCrosswalk(path string, w layout.Crosswalk) (map[string]string, error) {
	head, rows, err := readCSV(path)
	if err != nil {
		return nil, err
	}
	from, to := slices.Index(head, w.From), slices.Index(head, w.To)
	if from < 0 || to < 0 {
		return nil, fmt.Errorf("%s: no columns %s and %s", filepath.Base(path), w.From, w.To)
	}
	out := map[string]string{}
	for n, r := range rows {
		if was, twice := out[r[from]]; twice && was != r[to] {
			return nil, fmt.Errorf("%s: row %d: a second value for one old value", filepath.Base(path), n+2)
		}
		out[r[from]] = r[to]
	}
	return out, nil
}

// readCSV reads a CSV file as spreadsheets save it: with or without a byte order mark, in
// Windows-1252 where it is no UTF-8, and parted by what parts the first line into most cells.
func readCSV(path string) (head []string, rows [][]string, err error) {
	b, err := os.ReadFile(path)
	if err != nil {
		return nil, nil, err
	}
	b = bytes.TrimPrefix(b, []byte("\xef\xbb\xbf"))
	if !utf8.Valid(b) {
		if b, err = charmap.Windows1252.NewDecoder().Bytes(b); err != nil {
			return nil, nil, err
		}
	}
	first, _, _ := bytes.Cut(b, []byte("\n"))
	in := csv.NewReader(bytes.NewReader(b))
	for _, c := range ";\t" {
		if bytes.Count(first, []byte(string(c))) > bytes.Count(first, []byte(string(in.Comma))) {
			in.Comma = c
		}
	}
	all, err := in.ReadAll()
	if err != nil || len(all) == 0 {
		return nil, nil, fmt.Errorf("%s: not a CSV file with a header: %w", filepath.Base(path), cmp.Or(err, io.ErrUnexpectedEOF))
	}
	return all[0], all[1:], nil
}

// conceptMap is what is read of a FHIR ConceptMap (https://hl7.org/fhir/R4/conceptmap.html).
type conceptMap struct {
	ResourceType string `json:"resourceType"`
	Group        []struct {
		Element []struct {
			Code   string `json:"code"`
			Target []struct {
				Code        string `json:"code"`
				Equivalence string `json:"equivalence"`
			} `json:"target"`
		} `json:"element"`
	} `json:"group"`
}

// readCodeMap reads a ConceptMap: a cell may mean one value only, and never one that it
// does not mean.
func readCodeMap(path string) (map[string]string, error) {
	b, err := os.ReadFile(path)
	if err != nil {
		return nil, err
	}
	var m conceptMap
	if err := json.Unmarshal(b, &m); err != nil || m.ResourceType != "ConceptMap" {
		return nil, fmt.Errorf("%s: not a ConceptMap", filepath.Base(path))
	}
	out := map[string]string{}
	for _, g := range m.Group {
		for _, e := range g.Element {
			for _, t := range e.Target {
				if t.Equivalence == "unmatched" || t.Equivalence == "disjoint" {
					continue
				}
				if was, twice := out[e.Code]; twice && was != t.Code {
					return nil, fmt.Errorf("%s: %q means two values", filepath.Base(path), e.Code)
				}
				out[e.Code] = t.Code
			}
		}
	}
	return out, nil
}

// fingerprint is what a run reads and how, so that a run never goes on under
// another's working file.
func (o Options) fingerprint(inputs []input) (string, error) {
	h := sha256.New()
	for _, in := range inputs {
		fmt.Fprintf(h, "%q\n", in.name)
		f, err := os.Open(in.path)
		if err != nil {
			return "", err
		}
		_, err = io.Copy(h, f)
		if err := errors.Join(err, f.Close()); err != nil {
			return "", err
		}
	}
	exclude := make([]string, 0, len(o.Exclude))
	for id := range o.Exclude {
		exclude = append(exclude, id)
	}
	slices.Sort(exclude)
	fmt.Fprintf(h, "%s %v %v %d %v %v %q %s %q %v\n", jsonOf(o.Layout), o.Gzip, o.DryRun, o.Limit, o.Since, o.FollowSince, o.LayoutName, o.Sharing, o.Basis, exclude)
	fmt.Fprintf(h, "%q\n%s %s\n", o.Into, o.AsOf.UTC(), jsonOf(o.Decided))
	return hex.EncodeToString(h.Sum(nil)), nil
}

// Decisions are the decisions of a worksheet: by file, row and column.
type Decisions map[string]map[string]old.Decision

func rowKey(file string, number int) string { return file + ":" + strconv.Itoa(number) }

func (d Decisions) of(file string, number int) map[string]old.Decision {
	return d[rowKey(file, number)]
}

// unseen counts the decisions of rows that were not read.
func (d Decisions) unseen(seen map[string]bool) (n int) {
	for key, of := range d {
		if !seen[key] {
			n += len(of)
		}
	}
	return n
}

// worksheetHead are the columns of a worksheet; the last three are filled in by a
// person. The record and the original hold a decision to its row, wherever that moves.
var worksheetHead = []string{"file", "row", "record", "column", "original", "reading", "other readings", "rule", "decision", "words", "who"}

// ReadDecisions reads a worksheet that people filled in. Lines without a decision
// decide nothing. The error has every fault with its line.
func ReadDecisions(path string) (Decisions, error) {
	head, rows, err := readCSV(path)
	if err != nil {
		return nil, err
	}
	if !slices.Equal(head, worksheetHead) {
		return nil, fmt.Errorf("%s: not the columns of a worksheet: %s", filepath.Base(path), strings.Join(worksheetHead, ", "))
	}
	out := Decisions{}
	var errs []error
	for n, r := range rows {
		d := old.Decision{Record: r[2], Kind: strings.ToLower(strings.TrimSpace(r[8])), Text: strings.TrimSpace(r[9]), Who: strings.TrimSpace(r[10])}
		fault := func(text string) { errs = append(errs, fmt.Errorf("%s: line %d: %s", filepath.Base(path), n+2, text)) }
		switch {
		case d.Kind == "":
			continue
		case d.Kind != "accept" && d.Kind != "correct" && d.Kind != "leave":
			fault("the decision is none of accept, correct, leave")
		case d.Who == "":
			fault("a decision without who decided")
		case d.Kind == "correct" && d.Text == "":
			fault("correct, without the words that stand for the cell")
		case d.Kind == "accept" && strings.TrimSpace(r[5]) == "":
			fault("accept, where nothing was read: correct has the words, or leave")
		}
		number, err := strconv.Atoi(r[1])
		if err != nil {
			fault("no row number")
		}
		key := rowKey(r[0], number)
		if out[key] == nil {
			out[key] = map[string]old.Decision{}
		}
		was, twice := out[key][r[3]]
		if twice && (was.Record != d.Record || was.Kind != d.Kind || was.Text != d.Text || was.Who != d.Who) {
			fault("another line decides the same cell otherwise; lines of one row and column have one decision")
		}
		d.Originals = append(was.Originals, r[4])
		out[key][r[3]] = d
	}
	return out, errors.Join(errs...)
}
