package batch

import (
	"fmt"
	"slices"
	"strings"
)

// Why a review or contact waits for its surgery.
var (
	noSurgery  = Reason{"surgery-not-there", "no row of this run made a record of the surgery that it names: that may wait in the worksheet, be rejected, or stand in another file"}
	toesUntold = Reason{"toes-of-its-surgery", "it names no toe, and nobody knows the surgery that would tell it: it was not handed over; when that surgery is there, run this file again with the same layout and options and another --out: rows that were taken in change nothing then"}
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

// later says which files to run again once the surgeries are there that tell the toes of their rows; empty
// where none waits for that.
func (sum Summary) later() string {
	var files []string
	for _, l := range byName(sum.Untold) {
		files = append(files, fmt.Sprintf("%s (rows: %d)", l.Name, l.Count))
	}
	if len(files) == 0 {
		return ""
	}
	return " When the surgeries are in the data folder, run again, with the same layout and options and another --out: " + strings.Join(files, ", ") + "; rows that were taken in change nothing then."
}

// untoldIn counts the rows of a file that a later run can hand over, once their surgery is there.
func (sum *Summary) untoldIn(file string, why []Reason) {
	if slices.Contains(why, toesUntold) {
		sum.Untold[file]++
	}
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
