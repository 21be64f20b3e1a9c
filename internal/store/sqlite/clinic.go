package sqlite

import (
	"database/sql"
	"time"

	"nailbridge/internal/store"
)

const flagColumns = `clinic, patient, kase, id, code, level, inputs_hash, open, json`

func scanFlag(row scanner) (store.Flag, error) {
	var f store.Flag
	err := row.Scan(&f.Owner.Clinic, &f.Owner.Patient, &f.Case, &f.ID, &f.Code, &f.Level, &f.InputsHash, &f.Open, &f.JSON)
	return f, err
}

func (s *snapshot) flags(op, rest string, args ...any) ([]store.Flag, error) {
	if err := s.enter(op); err != nil {
		return nil, err
	}
	var out []store.Flag
	err := s.each(op, `SELECT `+flagColumns+` FROM flag WHERE `+rest, args, func(rows *sql.Rows) error {
		f, err := scanFlag(rows)
		out = append(out, f)
		return err
	})
	return out, err
}

// Flags gives the owner's flags in the order given to ReplaceFlags.
func (s *snapshot) Flags(o store.Owner) ([]store.Flag, error) {
	return s.flags("flags", `clinic = ? AND patient = ? ORDER BY fid`, o.Clinic, o.Patient)
}

// ClinicFlags gives the flags of all patients of a clinic.
func (s *snapshot) ClinicFlags(clinic string, openOnly bool) ([]store.Flag, error) {
	if openOnly {
		return s.flags("clinic-flags", `clinic = ? AND open ORDER BY patient, fid`, clinic)
	}
	return s.flags("clinic-flags", `clinic = ? ORDER BY patient, fid`, clinic)
}

// Flag gives the flag with an id at a clinic: ErrNotFound when there is none.
// Two patients may have it after an amendment moved a record; the open one
// counts, then the one stored last.
func (s *snapshot) Flag(clinic, id string) (store.Flag, error) {
	fs, err := s.flags("flag", `clinic = ? AND id = ? ORDER BY open DESC, fid DESC LIMIT 1`, clinic, id)
	if err == nil && len(fs) == 0 {
		err = store.ErrNotFound
	}
	if err != nil {
		return store.Flag{}, err
	}
	return fs[0], nil
}

const activityColumns = `clinic, patient, kase, id, status, start, "end", open, json`

func (s *snapshot) activities(op, rest string, args ...any) ([]store.Activity, error) {
	if err := s.enter(op); err != nil {
		return nil, err
	}
	var out []store.Activity
	err := s.each(op, `SELECT `+activityColumns+` FROM activity a WHERE `+rest, args, func(rows *sql.Rows) error {
		var a store.Activity
		err := rows.Scan(&a.Owner.Clinic, &a.Owner.Patient, &a.Case, &a.ID, &a.Status,
			at{&a.Start}, at{&a.End}, &a.Open, &a.JSON)
		out = append(out, a)
		return err
	})
	return out, err
}

// Activities gives the activities of a clinic by the end of their window,
// those without one first.
func (s *snapshot) Activities(clinic string) ([]store.Activity, error) {
	return s.activities("activities", `clinic = ? ORDER BY "end", patient, aid`, clinic)
}

// EndedBefore gives, of every clinic, the open activities whose window ended
// at or before t and that have no fact with that same end, earliest first.
func (s *snapshot) EndedBefore(t time.Time) ([]store.Activity, error) {
	return s.activities("ended-before", endedUnknown, instant(t))
}

const endedUnknown = `open AND "end" > '' AND "end" <= ? AND NOT EXISTS (
	SELECT 1 FROM fact f WHERE f.clinic = a.clinic AND f.patient = a.patient AND f.kase = a.kase
		AND f.activity = a.id AND f."end" = a."end")
	ORDER BY "end", clinic, patient, aid`

// Facts gives the owner's overdue facts.
func (s *snapshot) Facts(o store.Owner) ([]store.Fact, error) {
	if err := s.enter("facts"); err != nil {
		return nil, err
	}
	var out []store.Fact
	err := s.each("facts", `SELECT kase, activity, "end" FROM fact WHERE clinic = ? AND patient = ?
		ORDER BY kase, activity, "end"`, []any{o.Clinic, o.Patient}, func(rows *sql.Rows) error {
		f := store.Fact{Owner: o}
		err := rows.Scan(&f.Case, &f.Activity, at{&f.End})
		out = append(out, f)
		return err
	})
	return out, err
}

// Acks gives the owner's acknowledgements, stale ones too, as they came.
func (s *snapshot) Acks(o store.Owner) ([]store.Ack, error) {
	if err := s.enter("acks"); err != nil {
		return nil, err
	}
	var out []store.Ack
	err := s.each("acks", `SELECT kase, flag, inputs_hash, json, stale FROM ack
		WHERE clinic = ? AND patient = ? ORDER BY kid`, []any{o.Clinic, o.Patient}, func(rows *sql.Rows) error {
		a := store.Ack{Owner: o}
		err := rows.Scan(&a.Case, &a.Flag, &a.InputsHash, &a.JSON, &a.Stale)
		out = append(out, a)
		return err
	})
	return out, err
}

// Staff gives what the sources of a clinic say of one member of staff, one
// statement for each source, by its name.
func (s *snapshot) Staff(clinic, key string) ([][]byte, error) {
	if err := s.enter("staff"); err != nil {
		return nil, err
	}
	var out [][]byte
	err := s.each("staff", `SELECT statement FROM staff WHERE clinic = ? AND key = ? ORDER BY source`,
		[]any{clinic, key}, func(rows *sql.Rows) error {
			var b []byte
			err := rows.Scan(&b)
			out = append(out, b)
			return err
		})
	return out, err
}

// Outbox gives up to limit events of a clinic after a number, in order.
func (s *snapshot) Outbox(clinic string, afterSeq int64, limit int) ([]store.Event, error) {
	if err := s.enter("outbox"); err != nil {
		return nil, err
	}
	var out []store.Event
	err := s.each("outbox", `SELECT number, kind, json FROM outbox WHERE clinic = ? AND number > ? ORDER BY number LIMIT ?`,
		[]any{clinic, afterSeq, limit}, func(rows *sql.Rows) error {
			var e store.Event
			err := rows.Scan(&e.Seq, &e.Kind, &e.JSON)
			out = append(out, e)
			return err
		})
	return out, err
}

// ReplaceFlags stores the flags of an owner in place of those before.
func (t *txn) ReplaceFlags(o store.Owner, flags []store.Flag) error {
	const op = "replace-flags"
	if err := t.enter(op); err != nil {
		return err
	}
	if _, err := t.exec(op, `DELETE FROM flag WHERE clinic = ? AND patient = ?`, o.Clinic, o.Patient); err != nil {
		return err
	}
	for _, f := range flags {
		_, err := t.exec(op, `INSERT INTO flag (`+flagColumns+`) VALUES (`+marks(9)+`)`,
			o.Clinic, o.Patient, f.Case, f.ID, f.Code, f.Level, f.InputsHash, f.Open, f.JSON)
		if err != nil {
			return err
		}
	}
	return nil
}

// ReplaceActivities stores the activities of an owner in place of those
// before.
func (t *txn) ReplaceActivities(o store.Owner, as []store.Activity) error {
	const op = "replace-activities"
	if err := t.enter(op); err != nil {
		return err
	}
	if _, err := t.exec(op, `DELETE FROM activity WHERE clinic = ? AND patient = ?`, o.Clinic, o.Patient); err != nil {
		return err
	}
	for _, a := range as {
		_, err := t.exec(op, `INSERT INTO activity (`+activityColumns+`) VALUES (`+marks(9)+`)`,
			o.Clinic, o.Patient, a.Case, a.ID, a.Status, instant(a.Start), instant(a.End), a.Open, a.JSON)
		if err != nil {
			return err
		}
	}
	return nil
}

// PutFact stores an overdue fact; stored already, it stays as it is.
func (t *txn) PutFact(f store.Fact) error {
	if err := t.enter("put-fact"); err != nil {
		return err
	}
	_, err := t.exec("put-fact", `INSERT INTO fact (clinic, patient, kase, activity, "end")
		VALUES (`+marks(5)+`) ON CONFLICT DO NOTHING`,
		f.Owner.Clinic, f.Owner.Patient, f.Case, f.Activity, instant(f.End))
	return err
}

// PutAck keeps an acknowledgement.
func (t *txn) PutAck(a store.Ack) error {
	if err := t.enter("put-ack"); err != nil {
		return err
	}
	_, err := t.exec("put-ack", `INSERT INTO ack (clinic, patient, kase, flag, inputs_hash, json, stale)
		VALUES (`+marks(7)+`)`,
		a.Owner.Clinic, a.Owner.Patient, a.Case, a.Flag, a.InputsHash, a.JSON, a.Stale)
	return err
}

// ReplaceStaff stores what one source says of members of staff in place of
// what the same source said before.
func (t *txn) ReplaceStaff(clinic, source string, statements []store.Statement) error {
	const op = "replace-staff"
	if err := t.enter(op); err != nil {
		return err
	}
	if _, err := t.exec(op, `DELETE FROM staff WHERE clinic = ? AND source = ?`, clinic, source); err != nil {
		return err
	}
	for _, x := range statements {
		_, err := t.exec(op, `INSERT INTO staff (clinic, key, source, statement) VALUES (`+marks(4)+`)`,
			clinic, x.Key, source, x.JSON)
		if err != nil {
			return err
		}
	}
	return nil
}

// PutEvent adds an event to the outbox of a clinic.
func (t *txn) PutEvent(clinic, kind string, json []byte) error {
	if err := t.enter("put-event"); err != nil {
		return err
	}
	_, err := t.exec("put-event", `INSERT INTO outbox (clinic, number, kind, json)
		SELECT ?, coalesce(max(number), 0) + 1, ?, ? FROM outbox WHERE clinic = ?`, clinic, kind, json, clinic)
	return err
}
