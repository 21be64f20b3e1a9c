package sqlite

import (
	"database/sql"

	"nailbridge/internal/store"
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
