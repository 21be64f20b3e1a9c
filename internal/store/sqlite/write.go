package sqlite

import (
	"bytes"
	"database/sql"
	"errors"
	"fmt"
	"time"

	"nailbridge/internal/searchparam"
	"nailbridge/internal/store"
	"nailbridge/internal/store/order"
	"nailbridge/internal/validate"
	"nailbridge/mapping/resource"
)

// Misuse of a Writer. The transaction is lost, since its caller is at fault.
var (
	errUnstamped = errors.New("version without a stamp")
	errOwner     = errors.New("resource of another owner")
	errUnchecked = errors.New("resource that was not checked")
)

// txn is a write transaction; it implements store.Writer.
type txn struct {
	*snapshot
	stamped bool
}

// Stamp takes the next place in the order; again in the same transaction it
// gives the same place.
func (t *txn) Stamp(now time.Time) (store.Stamp, error) {
	if err := t.enter("stamp"); err != nil {
		return store.Stamp{}, err
	}
	if t.stamped {
		return t.head, nil
	}
	next := place(t.head).Next(now.UnixMilli())
	if _, err := t.exec("stamp", insertStamp, next.Seq, next.At); err != nil {
		return store.Stamp{}, err
	}
	t.head.Seq, t.head.LastUpdated, t.stamped = next.Seq, time.UnixMilli(next.At).UTC(), true
	return t.head, nil
}

const insertStamp = `INSERT INTO stamp (seq, updated) VALUES (?, ?)`

// place is where a stamp stands in the order.
func place(s store.Stamp) order.Place {
	if s.Seq == 0 {
		return order.Place{}
	}
	return order.Place{Seq: s.Seq, At: s.LastUpdated.UnixMilli()}
}

// row is the stored state of one resource.
type row struct {
	rid, vid int64
	owner    store.Owner
	kase     string
	content  []byte
	store.Version
}

// holds reports whether the current version has this content.
func (r row) holds(c resource.Resource) (bool, error) {
	if r.rid == 0 || r.Deleted {
		return false, nil
	}
	content, err := contentFrom(r.content, r.Body)
	return bytes.Equal(content, c.JSON()), err
}

// row reads the state of a resource; rid is 0 when there is none.
func (t *txn) row(op string, ref resource.Ref) (row, error) {
	var r row
	v, err := scanVersion(t.queryRow(`
		SELECT `+versionColumns+`, v.vid, r.rid, r.clinic, r.patient, r.kase, r.content
		FROM resource r JOIN version v ON v.vid = r.current WHERE r.type = ? AND r.id = ?`, ref.Type, ref.ID),
		&r.vid, &r.rid, &r.owner.Clinic, &r.owner.Patient, &r.kase, &r.content)
	if errors.Is(err, sql.ErrNoRows) {
		return row{}, nil
	}
	r.Version = v
	return r, t.fail(op, err)
}

// Put adds a version of a checked resource. Content equal to the current
// version's makes none: the current version is returned. One transaction
// makes at most one version of a resource: a second Put, or Delete, replaces
// what the first made.
func (t *txn) Put(o store.Owner, caseID string, c validate.Checked, rows []searchparam.Row) (store.Version, error) {
	if err := t.enter("put"); err != nil {
		return store.Version{}, err
	}
	r := c.Resource()
	if r.IsZero() {
		return store.Version{}, t.fail("put", errUnchecked)
	}
	cur, err := t.mutable("put", o, r.Ref())
	if err != nil {
		return store.Version{}, err
	}
	if same, err := cur.holds(r); err != nil {
		return store.Version{}, t.fail("put", err)
	} else if same {
		return cur.Version, t.setCase(cur, caseID)
	}
	v := t.next(r.Ref(), cur)
	if v.Body, err = r.Splice(v.VersionID, v.LastUpdated); err != nil {
		return store.Version{}, t.fail("put", err)
	}
	kept := r.JSON()
	if c, err := resource.Unsplice(v.Body); err == nil && bytes.Equal(c, kept) {
		kept = nil
	}
	vid, err := t.add("put", o, caseID, cur, v, kept)
	if err != nil {
		return store.Version{}, err
	}
	return v, t.addRows(vid, r.Type(), rows)
}

// mutable reads the state of a resource that o is about to change.
func (t *txn) mutable(op string, o store.Owner, ref resource.Ref) (row, error) {
	cur, err := t.row(op, ref)
	switch {
	case err != nil:
		return row{}, err
	case cur.rid != 0 && cur.owner.Clinic == o.Clinic && cur.owner.Patient == erased:
		// The id is the patient's own: nobody else comes to it.
		return cur, nil
	case cur.rid != 0 && cur.owner != o:
		return row{}, t.fail(op, fmt.Errorf("%s: %w", ref.Type, errOwner))
	}
	return cur, nil
}

func (t *txn) setCase(cur row, caseID string) error {
	if cur.kase == caseID {
		return nil
	}
	_, err := t.exec("put", `UPDATE resource SET kase = ? WHERE rid = ?`, caseID, cur.rid)
	return err
}

// next is the version after cur, or in place of cur when this transaction
// made it, at the stamp of the transaction.
func (t *txn) next(ref resource.Ref, cur row) store.Version {
	n := cur.Number + 1
	if t.made(cur) {
		n = cur.Number
	}
	return store.Version{
		Ref: ref, Number: n, VersionID: versionID(t.head.Epoch, n), First: n == 1,
		Seq: t.head.Seq, LastUpdated: t.head.LastUpdated,
	}
}

// made reports whether this transaction made the current version.
func (t *txn) made(cur row) bool { return t.stamped && cur.rid != 0 && cur.Seq == t.head.Seq }

// add stores v as the current version and gives its vid.
func (t *txn) add(op string, o store.Owner, caseID string, cur row, v store.Version, content []byte) (vid int64, err error) {
	if !t.stamped {
		return 0, t.fail(op, errUnstamped)
	}
	rid := cur.rid
	switch {
	case rid == 0:
		rid, err = t.insertID(op, `INSERT INTO resource (type, id, clinic, patient, kase, current) VALUES (?, ?, ?, ?, ?, 0)`,
			v.Ref.Type, v.Ref.ID, o.Clinic, o.Patient, caseID)
	case t.made(cur):
		if err := t.dropRows(op, `?`, cur.vid); err != nil {
			return 0, err
		}
		_, err = t.exec(op, `DELETE FROM version WHERE vid = ?`, cur.vid)
	default:
		_, err = t.exec(op, `UPDATE version SET until = ? WHERE vid = ?`, v.Seq, cur.vid)
	}
	if err != nil {
		return 0, err
	}
	vid, err = t.insertID(op, `
		INSERT INTO version (rid, type, id, number, epoch, seq, until, updated, deleted, body)
		VALUES (`+marks(10)+`)`,
		rid, v.Ref.Type, v.Ref.ID, v.Number, t.head.Epoch, v.Seq, current, v.LastUpdated.UnixMilli(), v.Deleted, v.Body)
	if err != nil {
		return 0, err
	}
	_, err = t.exec(op, `UPDATE resource SET current = ?, patient = ?, kase = ?, content = ? WHERE rid = ?`,
		vid, o.Patient, caseID, content, rid)
	return vid, err
}

func (t *txn) insertID(op, query string, args ...any) (int64, error) {
	res, err := t.exec(op, query, args...)
	if err != nil {
		return 0, err
	}
	id, err := res.LastInsertId()
	return id, t.fail(op, err)
}

// Delete adds a DELETE entry and hides what came before (D3.1). A resource
// that is deleted already stays as it is; ErrNotFound when there is none.
func (t *txn) Delete(o store.Owner, ref resource.Ref) (store.Version, error) {
	if err := t.enter("delete"); err != nil {
		return store.Version{}, err
	}
	cur, err := t.mutable("delete", o, ref)
	switch {
	case err != nil:
		return store.Version{}, err
	case cur.rid == 0:
		return store.Version{}, store.ErrNotFound
	case cur.Deleted:
		return cur.Version, nil
	}
	v := t.next(ref, cur)
	v.Deleted = true
	if _, err := t.add("delete", o, cur.kase, cur, v, nil); err != nil {
		return store.Version{}, err
	}
	return v, t.hide("delete", cur.rid, v.Number)
}

// Mask hides the versions before the current one (D1.5).
func (t *txn) Mask(ref resource.Ref) error {
	if err := t.enter("mask"); err != nil {
		return err
	}
	cur, err := t.row("mask", ref)
	switch {
	case err != nil:
		return err
	case cur.rid == 0:
		return store.ErrNotFound
	}
	return t.hide("mask", cur.rid, cur.Number)
}

// hide hides the versions of a resource below a number, for every reader and
// every bound, and takes their index rows away.
func (t *txn) hide(op string, rid, below int64) error {
	const which = `SELECT vid FROM version WHERE rid = ? AND number < ? AND hidden = 0`
	if err := t.dropRows(op, which, rid, below); err != nil {
		return err
	}
	_, err := t.exec(op, `UPDATE version SET hidden = 1 WHERE vid IN (`+which+`)`, rid, below)
	return err
}

// dropRows deletes the index rows of the versions that a select names.
func (t *txn) dropRows(op, which string, args ...any) error {
	for _, table := range []string{"index_code", "index_text", "index_date", "index_quantity"} {
		if _, err := t.exec(op, `DELETE FROM `+table+` WHERE vid IN (`+which+`)`, args...); err != nil {
			return err
		}
	}
	return nil
}
