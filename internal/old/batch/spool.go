package batch

import (
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"path/filepath"
	"strconv"

	_ "modernc.org/sqlite" // the working file
)

// The states of a row.
const (
	converted = "converted" // a record was made
	rejected  = "rejected"
	question  = "worksheet"
	skipped   = "skipped" // goes with the rejects, with its reason
)

// The reasons of a skipped row that is one of data.
const (
	excluded    = "excluded"     // its patient is left out
	beforeSince = "before-since" // it is dated before what is converted
)

// rowState is a row as the working file keeps it.
type rowState struct {
	Input, Number int
	State, Reason string // of a skipped row
	Record        string // record id
	Clinic        string
	Patient       string // identifier, system and value
	Body, Raw     []byte
	Detail        []byte // findings and questions, JSON
	Sites         []byte
	Why           []Reason // of one that is held, refused or waits
}

// untold reports whether only its surgery, which nobody knows, can tell the toes of a row.
func (r rowState) untold() bool {
	var d detail
	return json.Unmarshal(r.Detail, &d) == nil && d.Untold
}

// spool is the working file.
type spool struct{ db *sql.DB }

const spoolSchema = `
CREATE TABLE IF NOT EXISTS meta (key TEXT PRIMARY KEY, value TEXT NOT NULL) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS row (input INTEGER NOT NULL, number INTEGER NOT NULL, state TEXT NOT NULL, reason TEXT NOT NULL, record TEXT NOT NULL,
	clinic TEXT NOT NULL, patient TEXT NOT NULL, body BLOB, raw BLOB, detail BLOB, sites BLOB, outcome TEXT NOT NULL DEFAULT '', PRIMARY KEY (input, number)) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS why (input INTEGER NOT NULL, number INTEGER NOT NULL, reasons BLOB NOT NULL, PRIMARY KEY (input, number)) WITHOUT ROWID;
CREATE INDEX IF NOT EXISTS row_patient ON row (clinic, patient) WHERE state = 'converted';
CREATE INDEX IF NOT EXISTS row_id ON row (record);
CREATE TABLE IF NOT EXISTS clinic (ref TEXT PRIMARY KEY, body BLOB NOT NULL) WITHOUT ROWID;`

// openSpool opens the working file of a run, or makes it. fingerprint is what the run
// reads and how.
func openSpool(path, fingerprint string) (*spool, error) {
	db, err := sql.Open("sqlite", "file:"+path+"?_pragma=journal_mode(WAL)&_pragma=synchronous(FULL)&_pragma=busy_timeout(10000)")
	if err != nil {
		return nil, err
	}
	db.SetMaxOpenConns(1)
	s := &spool{db}
	if _, err := db.Exec(spoolSchema); err != nil {
		return nil, errors.Join(err, db.Close())
	}
	switch was, err := s.meta("fingerprint"); {
	case err != nil:
		return nil, errors.Join(err, db.Close())
	case was == "":
		err = s.within(func(tx *sql.Tx) error { return setMeta(tx, "fingerprint", fingerprint) })
		return s, err
	case was != fingerprint:
		return nil, errors.Join(ErrOtherRun, db.Close())
	}
	return s, nil
}

func (s *spool) close() error { return s.db.Close() }

func (s *spool) meta(key string) (string, error) {
	var v string
	err := s.db.QueryRow(`SELECT value FROM meta WHERE key = ?`, key).Scan(&v)
	if errors.Is(err, sql.ErrNoRows) {
		return "", nil
	}
	return v, err
}

func (s *spool) number(key string) (int, error) {
	v, err := s.meta(key)
	if err != nil || v == "" {
		return 0, err
	}
	return strconv.Atoi(v)
}

// folded is the last patient, by clinic and id, whose records are done.
func (s *spool) folded() (last [2]string, err error) {
	v, err := s.meta("folded")
	if err == nil && v != "" {
		err = json.Unmarshal([]byte(v), &last)
	}
	return last, err
}

// countPatients counts the patients with rows that made records.
func (s *spool) countPatients() (int, error) {
	return s.count(`SELECT count(*) FROM (SELECT DISTINCT clinic, patient FROM row WHERE state = 'converted')`)
}

func (s *spool) count(query string, args ...any) (int, error) {
	var n int
	err := s.db.QueryRow(query, args...).Scan(&n)
	return n, err
}

func setMeta(tx *sql.Tx, key, value string) error {
	_, err := tx.Exec(`INSERT INTO meta (key, value) VALUES (?, ?) ON CONFLICT (key) DO UPDATE SET value = excluded.value`, key, value)
	return err
}

func (s *spool) within(f func(tx *sql.Tx) error) error {
	tx, err := s.db.Begin()
	if err != nil {
		return err
	}
	if err := f(tx); err != nil {
		return errors.Join(err, tx.Rollback())
	}
	return tx.Commit()
}

// addRows keeps rows, and that the input was read so far.
func (s *spool) addRows(in int, rows []rowState, upTo int, whole bool) error {
	return s.within(func(tx *sql.Tx) error {
		st, err := tx.Prepare(`INSERT INTO row (input, number, state, reason, record, clinic, patient, body, raw, detail, sites) VALUES (?,?,?,?,?,?,?,?,?,?,?)`)
		if err != nil {
			return err
		}
		defer st.Close()
		for _, r := range rows {
			if _, err := st.Exec(r.Input, r.Number, r.State, r.Reason, r.Record, r.Clinic, r.Patient, r.Body, r.Raw, r.Detail, r.Sites); err != nil {
				return err
			}
		}
		if whole {
			return setMeta(tx, fmt.Sprintf("read-%d", in), "whole")
		}
		return setMeta(tx, fmt.Sprintf("read-%d", in), strconv.Itoa(upTo))
	})
}

// surgeriesOf are the rows of a state and reason that are a surgery of a record id at a clinic.
func (s *spool) surgeriesOf(clinic, record, state, reason string) (out []rowState, err error) {
	rows, err := s.db.Query(`SELECT body, sites FROM row WHERE record = ? AND clinic = ? AND state = ? AND reason = ? AND sites IS NOT NULL ORDER BY input, number`, record, clinic, state, reason)
	if err != nil {
		return nil, err
	}
	for rows.Next() {
		var r rowState
		if err := rows.Scan(&r.Body, &r.Sites); err != nil {
			return nil, errors.Join(err, rows.Close())
		}
		out = append(out, r)
	}
	return out, errors.Join(rows.Err(), rows.Close())
}

// patient is one patient with the rows that made records.
type patient struct {
	clinic, id string
	rows       []rowState
	there      [][]byte // what the door has of the patient, in a dry run
}

// patients are the next patients behind one, in order.
func (s *spool) patients(after [2]string, n int) ([]patient, error) {
	rows, err := s.db.Query(`SELECT DISTINCT clinic, patient FROM row WHERE state = 'converted' AND (clinic, patient) > (?, ?) ORDER BY clinic, patient LIMIT ?`, after[0], after[1], n)
	if err != nil {
		return nil, err
	}
	var out []patient
	for rows.Next() {
		var p patient
		if err := rows.Scan(&p.clinic, &p.id); err != nil {
			return nil, errors.Join(err, rows.Close())
		}
		out = append(out, p)
	}
	if err := errors.Join(rows.Err(), rows.Close()); err != nil {
		return nil, err
	}
	for i := range out {
		if out[i].rows, err = s.rowsOf(out[i]); err != nil {
			return nil, err
		}
	}
	return out, nil
}

// EachPatient gives the records that a run made, those of one patient after another, from
// the folder of its output.
func EachPatient(out string, f func(records [][]byte) error) (err error) {
	db, err := sql.Open("sqlite", "file:"+filepath.Join(out, workFile)+"?_pragma=query_only(1)")
	if err != nil {
		return err
	}
	s := &spool{db}
	defer func() { err = errors.Join(err, s.close()) }()
	for after := [2]string{}; ; {
		ps, err := s.patients(after, patientsAtOnce)
		if err != nil || len(ps) == 0 {
			return err
		}
		for _, p := range ps {
			if err := f(p.bodies()); err != nil {
				return err
			}
			after = [2]string{p.clinic, p.id}
		}
	}
}

// bodies are the records of a patient's rows.
func (p patient) bodies() (out [][]byte) {
	for _, r := range p.rows {
		out = append(out, r.Body)
	}
	return out
}

func (s *spool) rowsOf(p patient) ([]rowState, error) {
	rows, err := s.db.Query(`SELECT input, number, record, body, detail FROM row WHERE state = 'converted' AND clinic = ? AND patient = ? ORDER BY input, number`, p.clinic, p.id)
	if err != nil {
		return nil, err
	}
	var out []rowState
	for rows.Next() {
		r := rowState{State: converted, Clinic: p.clinic, Patient: p.id}
		if err := rows.Scan(&r.Input, &r.Number, &r.Record, &r.Body, &r.Detail); err != nil {
			return nil, errors.Join(err, rows.Close())
		}
		out = append(out, r)
	}
	return out, errors.Join(rows.Err(), rows.Close())
}

func jsonOf(v any) []byte {
	b, _ := json.Marshal(v) // plain structs: always marshals
	return b
}
