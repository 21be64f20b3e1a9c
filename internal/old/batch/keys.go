package batch

import (
	"bytes"
	"database/sql"
	"encoding/json"
	"errors"
	"slices"
	"strings"

	"nailbridge/internal/old"
	"nailbridge/internal/old/layout"
)

// stamped reports whether a table says itself which content of a record is the later:
// by a revision or by when it was saved. Else a row's own date stands for the latter,
// which tells nothing of two rows of one key.
func stamped(t layout.Table) bool {
	says := func(path string) bool { return path == "/savedAt" || path == "/revision" }
	for path := range t.Note.Constants {
		if says(path) {
			return true
		}
	}
	return slices.ContainsFunc(t.Schema.Columns, func(c layout.Column) bool { return says(c.Note.Path) })
}

// keys asks a person of rows that have one key and say several things: of which patient
// and which toe the record of that id is would else be told by the dates or by chance, and the others
// be lost. The key is no key then, or a row was entered twice.
func (o Options) keys(s *spool, inputs []input) error {
	groups, err := s.sharedKeys()
	if err != nil {
		return err
	}
	return s.within(func(tx *sql.Tx) error {
		for _, rows := range groups {
			if !apart(rows, inputs) {
				continue
			}
			for _, r := range rows {
				if err := setQuestion(tx, r, inputs[r.Input].table); err != nil {
					return err
				}
			}
		}
		return nil
	})
}

// sharedKeys are the rows that made records of one id, id by id.
func (s *spool) sharedKeys() (groups [][]rowState, err error) {
	rows, err := s.db.Query(`SELECT input, number, record, clinic, patient, body, detail FROM row WHERE state = 'converted' AND (clinic, record) IN
		(SELECT clinic, record FROM row WHERE state = 'converted' GROUP BY clinic, record HAVING count(*) > 1) ORDER BY clinic, record, input, number`)
	if err != nil {
		return nil, err
	}
	for rows.Next() {
		var r rowState
		if err := rows.Scan(&r.Input, &r.Number, &r.Record, &r.Clinic, &r.Patient, &r.Body, &r.Detail); err != nil {
			return nil, errors.Join(err, rows.Close())
		}
		if n := len(groups); n > 0 && groups[n-1][0].Record == r.Record && groups[n-1][0].Clinic == r.Clinic {
			groups[n-1] = append(groups[n-1], r)
		} else {
			groups = append(groups, []rowState{r})
		}
	}
	return groups, errors.Join(rows.Err(), rows.Close())
}

// apart reports whether rows of one record id contradict one another: they name two patients
// or are of two kinds, or have other contents and nothing that says which is the later.
func apart(rows []rowState, inputs []input) bool {
	first := rows[0]
	dated := !slices.ContainsFunc(rows, func(r rowState) bool { return !stamped(inputs[r.Input].table) })
	saved := map[string][]byte{} // contents without a revision, by when they were saved
	for _, r := range rows {
		if r.Patient != first.Patient || inputs[r.Input].table.Note.Kind != inputs[first.Input].table.Note.Kind {
			return true
		}
		content, at, revised := contentOf(r.Body)
		if revised {
			continue // revisions say which is the later, or are in conflict (D1.2)
		}
		if !dated {
			at = ""
		}
		if was, twice := saved[at]; twice && !bytes.Equal(was, content) {
			return true
		}
		saved[at] = content
	}
	return false
}

// contentOf is a record without where it was converted from, when it was saved, and
// whether it has a revision.
func contentOf(body []byte) (content []byte, savedAt string, revised bool) {
	var tree map[string]any
	_ = json.Unmarshal(body, &tree) // our own bytes
	savedAt, _ = tree["savedAt"].(string)
	_, revised = tree["revision"]
	delete(tree, "converted")
	return jsonOf(tree), savedAt, revised
}

// setQuestion puts a row that made a record into the worksheet.
func setQuestion(tx *sql.Tx, r rowState, t layout.Table) error {
	var d detail
	if err := json.Unmarshal(r.Detail, &d); err != nil {
		return err
	}
	d.Findings = append(d.Findings, old.Finding{Code: old.SharedKey, Text: "another row has the same key and says something else"})
	d.Questions = append(d.Questions, old.Question{Column: strings.Join(t.Schema.PrimaryKey, "+"), Original: r.Record, Rule: old.SharedKey})
	_, err := tx.Exec(`UPDATE row SET state = ?, body = NULL, sites = NULL, detail = ? WHERE input = ? AND number = ?`, question, jsonOf(d), r.Input, r.Number)
	return err
}
