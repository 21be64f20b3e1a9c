package batch

// Why a review or contact waits for its surgery.
var (
	noSurgery  = Reason{"surgery-not-there", "no row of this run made a record of the surgery that it names: that may wait in the worksheet, be rejected, or stand in another file"}
	toesUntold = Reason{"toes-of-its-surgery", "it names no toe, and nobody knows the surgery that would tell it: it was not handed over; run its file again, with another --out, when that surgery is there"}
	// The same of a door that tells no toes: there a later run knows no more.
	toesUntoldEver  = Reason{toesUntold.Code, "it names no toe, and no row of this run made a record of the surgery that would tell it: it was not handed over; run it together with the row of its surgery, with another --out"}
	anothersSurgery = Reason{"surgery-of-another", "the surgery that it names is of another patient: see which of the two rows names the wrong one"}
)

// untoldHere is why a row waits whose toes nobody tells.
func (o Options) untoldHere() Reason {
	if o.Treated == nil {
		return toesUntoldEver
	}
	return toesUntold
}

// whyWaiting keeps a reason with each row that waits, as far as the rows of the run tell it.
func (s *spool) whyWaiting() error {
	_, err := s.db.Exec(`WITH waits AS (
	SELECT input, number, clinic, patient, coalesce(json_extract(body, '$.review.surgery'), json_extract(body, '$.contact.surgery')) AS surgery
	FROM row WHERE state = ? AND outcome = ?)
INSERT OR IGNORE INTO why (input, number, reasons)
SELECT w.input, w.number, CASE WHEN r.record IS NULL THEN ? ELSE ? END
FROM waits w LEFT JOIN row r ON r.record = w.surgery AND r.clinic = w.clinic AND r.state = ? AND r.sites IS NOT NULL
WHERE r.record IS NULL OR r.patient <> w.patient`,
		converted, waiting, jsonOf([]Reason{noSurgery}), jsonOf([]Reason{anothersSurgery}), converted)
	return err
}
