package sqlite

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"slices"

	"nailbridge/internal/disk"
	"nailbridge/internal/store"
	"nailbridge/mapping/resource"
)

// erased stands in place of the patient of a resource of which a tombstone is
// left. No patient has this key: theirs have a bar in them.
const erased = "erased"

// Erasures gives the tombstones of a subject, the latest first; of everybody
// for "".
func (s *snapshot) Erasures(subject string) ([]store.Erasure, error) {
	const op = "erasures"
	if err := s.enter(op); err != nil {
		return nil, err
	}
	var out []store.Erasure
	err := s.each(op, `SELECT subject, reason, who, at FROM erasure WHERE ?1 = '' OR subject = ?1 ORDER BY at DESC, subject`,
		[]any{subject}, func(rows *sql.Rows) error {
			var e store.Erasure
			err := rows.Scan(&e.Subject, &e.Reason, &e.Who, at{&e.At})
			out = append(out, e)
			return err
		})
	return out, err
}

// PutErasure keeps a tombstone; kept already, it stays as it is.
func (t *txn) PutErasure(e store.Erasure) error {
	const op = "put-erasure"
	if err := t.enter(op); err != nil {
		return err
	}
	_, err := t.exec(op, `INSERT INTO erasure (subject, at, reason, who) VALUES (`+marks(4)+`) ON CONFLICT DO NOTHING`,
		e.Subject, instant(e.At), e.Reason, e.Who)
	return err
}

// Belongings gives what is stored of an owner, for Erase to leave nothing of.
func (s *snapshot) Belongings(o store.Owner, unread func(body []byte) bool) (store.Belongings, error) {
	const op = "belongings"
	var b store.Belongings
	if err := s.enter(op); err != nil {
		return b, err
	}
	if o.Patient == "" || o.Patient == erased {
		return b, s.fail(op, errOwner)
	}
	var err error
	b.Records, err = s.texts(op, `
		SELECT record FROM delivery WHERE clinic = ?1 AND patient = ?2 AND record <> ''
		UNION SELECT record FROM merged WHERE clinic = ?1 AND patient = ?2 AND record <> '' ORDER BY 1`, o.Clinic, o.Patient)
	if err != nil {
		return b, err
	}
	if err := s.deliveriesToErase(op, o, &b, unread); err != nil {
		return b, err
	}
	err = s.each(op, `SELECT type, id FROM resource WHERE clinic = ? AND patient = ? ORDER BY type, id`,
		[]any{o.Clinic, o.Patient}, func(rows *sql.Rows) error {
			var ref resource.Ref
			err := rows.Scan(&ref.Type, &ref.ID)
			b.Resources = append(b.Resources, ref)
			return err
		})
	return b, err
}

// deliveriesToErase fills in the deliveries that name the patient, as one replaced
// too, and those of no patient that share a record with them or that unread takes.
func (s *snapshot) deliveriesToErase(op string, o store.Owner, b *store.Belongings, unread func([]byte) bool) error {
	return s.each(op, `
		WITH named (seq) AS (
			SELECT seq FROM delivery WHERE clinic = ?1 AND patient = ?2
			UNION SELECT seq FROM merged WHERE clinic = ?1 AND patient = ?2)
		SELECT seq, seq IN named, record, body FROM delivery
		WHERE seq IN (SELECT seq FROM named UNION SELECT seq FROM delivery WHERE clinic = ?1 AND patient = '') ORDER BY seq`,
		[]any{o.Clinic, o.Patient}, func(rows *sql.Rows) error {
			var seq int64
			var named bool
			var record string
			var body []byte
			if err := rows.Scan(&seq, &named, &record, &body); err != nil {
				return err
			}
			if named || record != "" && slices.Contains(b.Records, record) || unread != nil && unread(body) {
				b.Deliveries = append(b.Deliveries, seq)
			} else {
				b.Nobodys++
			}
			return nil
		})
}

// Erase takes away all that is stored of an owner (see store.Writer).
func (t *txn) Erase(e store.Erasing) (store.Belongings, []store.Version, error) {
	const op = "erase"
	b, err := t.Belongings(e.Owner, e.Unread)
	if err == nil {
		err = t.enter(op)
	}
	if err != nil {
		return b, nil, err
	}
	var made []store.Version
	for _, ref := range b.Resources {
		v, deleted, err := t.eraseResource(e.Owner, ref)
		if err != nil {
			return b, nil, err
		}
		if deleted {
			made = append(made, v)
		}
	}
	for _, seq := range b.Deliveries {
		if _, err := t.exec(op, `DELETE FROM delivery WHERE seq = ?`, seq); err != nil {
			return b, nil, err
		}
	}
	for _, table := range []string{"flag", "activity", "fact", "ack"} {
		if _, err := t.exec(op, `DELETE FROM `+table+` WHERE clinic = ? AND patient = ?`, e.Owner.Clinic, e.Owner.Patient); err != nil {
			return b, nil, err
		}
	}
	for _, source := range e.Sources {
		if _, err := t.exec(op, `DELETE FROM staff WHERE clinic = ? AND source = ?`, e.Owner.Clinic, source); err != nil {
			return b, nil, err
		}
	}
	return b, made, t.blank(e, b)
}

// eraseResource leaves of a resource its id and one DELETE entry; deleted says
// that the entry is new.
func (t *txn) eraseResource(o store.Owner, ref resource.Ref) (v store.Version, deleted bool, err error) {
	const op = "erase"
	cur, err := t.mutable(op, o, ref)
	if err != nil {
		return v, false, err
	}
	if v = cur.Version; !cur.Deleted {
		if v, err = t.Delete(o, ref); err != nil {
			return v, false, err
		}
	}
	if _, err := t.exec(op, `UPDATE version SET body = NULL WHERE rid = ?`, cur.rid); err != nil {
		return v, false, err
	}
	_, err = t.exec(op, `UPDATE resource SET patient = ?, kase = '', content = NULL WHERE rid = ?`, erased, cur.rid)
	return v, !cur.Deleted, err
}

// blank puts e.Blank in place of every event that names something of the owner.
func (t *txn) blank(e store.Erasing, b store.Belongings) error {
	const op = "erase"
	var seqs []int64
	err := t.each(op, `SELECT seq, json FROM outbox WHERE clinic = ?`, []any{e.Owner.Clinic}, func(rows *sql.Rows) error {
		var seq int64
		var event []byte
		err := rows.Scan(&seq, &event)
		if b.NamedIn(event) {
			seqs = append(seqs, seq)
		}
		return err
	})
	if err != nil {
		return err
	}
	for _, seq := range seqs {
		if _, err := t.exec(op, `UPDATE outbox SET json = ? WHERE seq = ?`, e.Blank, seq); err != nil {
			return err
		}
	}
	return nil
}

// Scrub leaves nothing readable in the files of what was deleted: the data file
// is written anew, and the write-ahead file emptied. Others wait meanwhile; who
// reads on makes it fail, to be done again. It holds the data in memory once.
func (d *DB) Scrub(ctx context.Context) (err error) {
	ss := append(settings(d.opts.Busy, false), setting{"secure_delete", "ON", "1"})
	db := poolOf(d.path, ss, 1)
	defer func() { err = errors.Join(err, db.Close()) }()
	if err := truncateWAL(ctx, db); err != nil {
		return fmt.Errorf("scrub: %w: %w", store.ErrUnavailable, err)
	}
	if _, err := db.ExecContext(ctx, `VACUUM`); err != nil {
		return fmt.Errorf("scrub: %w: %w", store.ErrUnavailable, err)
	}
	if err := truncateWAL(ctx, db); err != nil {
		return fmt.Errorf("scrub: %w: %w", store.ErrUnavailable, err)
	}
	return disk.SyncFile(d.path)
}
