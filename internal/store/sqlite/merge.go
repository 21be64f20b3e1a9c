package sqlite

import (
	"nailbridge/internal/store"
)

// SetMerged says whom a delivery of a merge names, in place of what was said of
// it before.
func (t *txn) SetMerged(d store.Delivery, patients []string) error {
	const op = "set-merged"
	if err := t.enter(op); err != nil {
		return err
	}
	if _, err := t.exec(op, `DELETE FROM merged WHERE seq = ?`, d.Seq); err != nil {
		return err
	}
	for _, p := range patients {
		_, err := t.exec(op, `INSERT INTO merged (clinic, patient, record, seq) VALUES (`+marks(4)+`) ON CONFLICT DO NOTHING`,
			d.Clinic, p, d.Record, d.Seq)
		if err != nil {
			return err
		}
	}
	return nil
}

// Merges gives all deliveries, in order of arrival, of every record id of which
// some delivery is a merge that names the patient, or another whom such a merge
// names, and so on.
func (s *snapshot) Merges(o store.Owner) ([]store.Delivery, error) {
	return s.deliveries("merges", ofMerged, o.Clinic, o.Patient)
}

// The joins name their order: each step is a walk of an index.
const ofMerged = `clinic = ?1 AND record IN (
	WITH RECURSIVE one (patient) AS (
		SELECT ?2
		UNION SELECT other.patient FROM one
			CROSS JOIN merged own ON own.clinic = ?1 AND own.patient = one.patient
			CROSS JOIN merged other ON other.clinic = ?1 AND other.record = own.record)
	SELECT m.record FROM one CROSS JOIN merged m ON m.clinic = ?1 AND m.patient = one.patient)`
