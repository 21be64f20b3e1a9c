package sqlite

import (
	"database/sql"

	"nailbridge/internal/searchparam"
	"nailbridge/internal/store"
	"nailbridge/mapping/resource"
)

// texts runs a query for one column of text.
func (s *snapshot) texts(op, query string, args ...any) ([]string, error) {
	if err := s.enter(op); err != nil {
		return nil, err
	}
	var out []string
	err := s.each(op, query, args, func(rows *sql.Rows) error {
		var v string
		err := rows.Scan(&v)
		out = append(out, v)
		return err
	})
	return out, err
}

// Clinics gives the clinics of which anything is stored, by name. Each is found as
// the next in an index: they are few, and what is stored of them is not.
func (s *snapshot) Clinics() ([]string, error) {
	return s.texts("clinics", clinics)
}

const clinics = `
	WITH RECURSIVE
		d (clinic) AS (SELECT min(clinic) FROM delivery
			UNION ALL SELECT (SELECT min(clinic) FROM delivery WHERE clinic > d.clinic) FROM d WHERE d.clinic IS NOT NULL),
		r (clinic) AS (SELECT min(clinic) FROM resource
			UNION ALL SELECT (SELECT min(clinic) FROM resource WHERE clinic > r.clinic) FROM r WHERE r.clinic IS NOT NULL)
	SELECT clinic FROM d WHERE clinic IS NOT NULL UNION SELECT clinic FROM r WHERE clinic IS NOT NULL ORDER BY 1`

// Owners gives every patient of a clinic whom a delivery names or who has a
// resource, by key.
func (s *snapshot) Owners(clinic string) ([]store.Owner, error) {
	patients, err := s.texts("owners", `
		SELECT patient FROM delivery WHERE clinic = ?1 AND patient <> ''
		UNION SELECT patient FROM merged WHERE clinic = ?1
		UNION SELECT patient FROM resource WHERE clinic = ?1 AND patient NOT IN ('', ?2) ORDER BY 1`, clinic, erased)
	out := make([]store.Owner, len(patients))
	for i, p := range patients {
		out[i] = store.Owner{Clinic: clinic, Patient: p}
	}
	return out, err
}

// Mark gives what SetMark set; "" when nothing was.
func (s *snapshot) Mark(clinic, name string) (string, error) {
	if err := s.enter("mark"); err != nil {
		return "", err
	}
	var value string
	_, err := s.byKey("mark", `SELECT value FROM mark WHERE clinic = ? AND name = ?`, []any{clinic, name}, &value)
	return value, err
}

// SetMark keeps a value under a name, in place of the one before.
func (t *txn) SetMark(clinic, name, value string) error {
	if err := t.enter("set-mark"); err != nil {
		return err
	}
	_, err := t.exec("set-mark", `INSERT INTO mark (clinic, name, value) VALUES (`+marks(3)+`)
		ON CONFLICT (clinic, name) DO UPDATE SET value = excluded.value`, clinic, name, value)
	return err
}

// Reindex gives every version of the owner that is neither hidden nor a DELETE
// entry the index rows of its content, in place of those it has.
func (t *txn) Reindex(o store.Owner, index func(resource.Resource) ([]searchparam.Row, error)) error {
	const op = "reindex"
	if err := t.enter(op); err != nil {
		return err
	}
	type version struct {
		vid  int64
		body []byte
	}
	var all []version
	err := t.each(op, `SELECT v.vid, v.body FROM resource r JOIN version v ON v.rid = r.rid
		WHERE r.clinic = ? AND r.patient = ? AND v.hidden = 0 AND v.deleted = 0`,
		[]any{o.Clinic, o.Patient}, func(rows *sql.Rows) error {
			var v version
			err := rows.Scan(&v.vid, &v.body)
			all = append(all, v)
			return err
		})
	if err != nil {
		return err
	}
	for _, v := range all {
		r, err := resource.FromJSON(v.body)
		if err != nil {
			return t.fail(op, err)
		}
		if err := t.dropRows(op, `?`, v.vid); err != nil {
			return err
		}
		rows, err := index(r)
		if err != nil {
			return t.fail(op, err)
		}
		if err := t.addRows(v.vid, r.Type(), rows); err != nil {
			return err
		}
	}
	return nil
}
