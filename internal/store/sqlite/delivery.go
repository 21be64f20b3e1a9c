package sqlite

import (
	"database/sql"
	"fmt"
	"time"

	"nailbridge/internal/store"
)

// instantLayout is how the clinic side keeps times: UTC, sortable, exact.
const instantLayout = "2006-01-02T15:04:05.000000000Z"

// instant is the stored form of a time, "" when absent.
func instant(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return t.UTC().Format(instantLayout)
}

// at reads an instant into a time.
type at struct{ t *time.Time }

// Scan is part of sql.Scanner.
func (a at) Scan(v any) error {
	s, ok := v.(string)
	if !ok {
		return fmt.Errorf("instant stored as %T", v)
	}
	if s == "" {
		*a.t = time.Time{}
		return nil
	}
	t, err := time.Parse(instantLayout, s)
	*a.t = t
	return err
}

const deliveryColumns = `seq, clinic, record, patient, surgery, kind, status, hash, saved_at, received,
	answer, held, refused, superseded, waiting, reasons, body`

func scanDelivery(row scanner) (store.Delivery, error) {
	var d store.Delivery
	err := row.Scan(&d.Seq, &d.Clinic, &d.Record, &d.Patient, &d.Surgery, &d.Kind, &d.Status, &d.Hash,
		at{&d.SavedAt}, at{&d.Received}, &d.Answer, &d.Held, &d.Refused, &d.Superseded, &d.Waiting, &d.Reasons, &d.Body)
	return d, err
}

func (s *snapshot) deliveries(op, where string, args ...any) ([]store.Delivery, error) {
	if err := s.enter(op); err != nil {
		return nil, err
	}
	var out []store.Delivery
	err := s.each(op, `SELECT `+deliveryColumns+` FROM delivery WHERE `+where+` ORDER BY seq`, args,
		func(rows *sql.Rows) error {
			d, err := scanDelivery(rows)
			out = append(out, d)
			return err
		})
	return out, err
}

// Deliveries gives all deliveries of a record id, in order of arrival.
func (s *snapshot) Deliveries(clinic, record string) ([]store.Delivery, error) {
	return s.deliveries("deliveries", `clinic = ? AND record = ?`, clinic, record)
}

// DeliveriesOf gives all deliveries, in order of arrival, of every record id
// that some delivery of it gives to the patient, of the surgeries that such a
// record names, and of the reviews and contacts of all these surgeries. An
// owner without a patient has none.
func (s *snapshot) DeliveriesOf(o store.Owner) ([]store.Delivery, error) {
	if o.Patient == "" {
		return nil, s.enter("deliveries-of")
	}
	return s.deliveries("deliveries-of", ofPatient, o.Clinic, o.Patient)
}

// The joins name their order: each step is a walk of an index.
const ofPatient = `clinic = ?1 AND record IN (
	WITH own (record) AS (
		SELECT DISTINCT record FROM delivery WHERE clinic = ?1 AND patient = ?2),
	surgery (record) AS (
		SELECT record FROM own
		UNION SELECT d.surgery FROM own CROSS JOIN delivery d INDEXED BY delivery_identity
			ON d.clinic = ?1 AND d.record = own.record WHERE d.surgery <> '')
	SELECT record FROM surgery
	UNION SELECT d.record FROM surgery s CROSS JOIN delivery d ON d.clinic = ?1 AND d.surgery = s.record)`

// marks of DeliveriesList and the rows they name.
var markSQL = map[string]string{
	"refused":    "refused AND answer = 'refused'",
	"held":       "held",
	"superseded": "superseded",
	"waiting":    "waiting",
}

// DeliveriesList gives the deliveries with a mark: refused, held, waiting or
// superseded; oldest first. Any other mark is ErrNotFound. A refused delivery
// whose answer is no longer "refused" was accepted under another one.
func (s *snapshot) DeliveriesList(clinic, mark string) ([]store.Delivery, error) {
	where, ok := markSQL[mark]
	if !ok {
		return nil, store.ErrNotFound
	}
	return s.deliveries("deliveries-list", `clinic = ? AND `+where, clinic)
}

// Arrived counts the deliveries of a clinic, and says when the last of them that
// is kept was received.
func (s *snapshot) Arrived(clinic string) (n int, last time.Time, err error) {
	const op = "arrived"
	if err := s.enter(op); err != nil {
		return 0, time.Time{}, err
	}
	_, err = s.one(op, `SELECT count(*), coalesce(max(received), '') FROM delivery WHERE clinic = ?`, []any{clinic}, &n, at{&last})
	return n, last, err
}

// PutDelivery keeps an arrival. The same content saved at the same time is
// the delivery already kept: that one is returned, unchanged. Saved again
// later, it is another (D1.1).
func (t *txn) PutDelivery(d store.Delivery) (store.Delivery, error) {
	const op = "put-delivery"
	if err := t.enter(op); err != nil {
		return store.Delivery{}, err
	}
	if d.Body == nil {
		d.Body = []byte{}
	}
	_, err := t.exec(op, `
		INSERT INTO delivery (clinic, record, patient, surgery, kind, status, hash, saved_at, received,
			answer, held, refused, superseded, waiting, reasons, body)
		VALUES (`+marks(16)+`) ON CONFLICT (clinic, record, hash, saved_at) DO NOTHING`,
		d.Clinic, d.Record, d.Patient, d.Surgery, d.Kind, d.Status, d.Hash, instant(d.SavedAt), instant(d.Received),
		d.Answer, d.Held, d.Refused, d.Superseded, d.Waiting, d.Reasons, d.Body)
	if err != nil {
		return store.Delivery{}, err
	}
	kept, err := scanDelivery(t.queryRow(`
		SELECT `+deliveryColumns+` FROM delivery WHERE clinic = ? AND record = ? AND hash = ? AND saved_at = ?`,
		d.Clinic, d.Record, d.Hash, instant(d.SavedAt)))
	return kept, t.fail(op, err)
}

// MarkDelivery sets the answer, reasons and marks of the delivery with d.Seq
// and d.Clinic, and what a retry could newly read of it: record, patient,
// surgery, kind, status, hash and saved-at where d has them. No other delivery
// may have the same record, hash and saved-at.
func (t *txn) MarkDelivery(d store.Delivery) error {
	const op = "mark-delivery"
	if err := t.enter(op); err != nil {
		return err
	}
	res, err := t.exec(op, `
		UPDATE delivery SET answer = ?, reasons = ?, held = ?, refused = ?, superseded = ?,
			patient = coalesce(nullif(?, ''), patient), surgery = coalesce(nullif(?, ''), surgery),
			kind = coalesce(nullif(?, ''), kind), status = coalesce(nullif(?, ''), status),
			record = coalesce(nullif(?, ''), record), hash = coalesce(nullif(?, ''), hash),
			saved_at = coalesce(nullif(?, ''), saved_at)
		WHERE seq = ? AND clinic = ?`,
		d.Answer, d.Reasons, d.Held, d.Refused, d.Superseded, d.Patient, d.Surgery, d.Kind, d.Status,
		d.Record, d.Hash, instant(d.SavedAt), d.Seq, d.Clinic)
	if err != nil {
		return err
	}
	n, err := res.RowsAffected()
	if err == nil && n == 0 {
		return store.ErrNotFound
	}
	return t.fail(op, err)
}

// SetWaiting marks the deliveries with these numbers, and no others of the
// patient, as waiting for their surgery.
func (t *txn) SetWaiting(o store.Owner, seqs []int64) error {
	const op = "set-waiting"
	if err := t.enter(op); err != nil {
		return err
	}
	args := []any{o.Clinic, o.Patient}
	for _, n := range seqs {
		args = append(args, n)
	}
	is := `seq IN (` + marks(len(seqs)) + `)`
	_, err := t.exec(op, `UPDATE delivery SET waiting = NOT waiting WHERE clinic = ? AND patient = ? AND waiting <> (`+is+`)`, args...)
	return err
}
