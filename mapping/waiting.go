package mapping

import (
	"time"

	"nailbridge/mapping/record"
)

// mapWaiting folds a review or contact whose surgery is unknown. It is
// published only if it holds a red flag and sharing is agreed: the encounter,
// the findings and the issues at once, with the ids they keep when the surgery
// comes (D2, waiting).
func mapWaiting(b *builder, w Current, moved bool, acks []Acknowledgement, sharing Sharing) caseResult {
	id := w.Record.Case()
	red := redSignals(w, id)
	raised := append(red, standingSignals(w, id, b.s.Clinic.Zone)...)
	raised = append(raised, waitingSignal(w.Record, id, moved))
	if !publishedWaiting(w, sharing) {
		return caseResult{flags: publish(nil, raised, acks)}
	}
	c := b.inCase(id, nil, []*record.Record{w.Record})
	c.received = map[string]time.Time{w.Record.Record: w.Received}
	c.encounters()
	c.visitFindings(w.Record)
	return caseResult{flags: publish(c, raised, acks), sources: []Source{c.source(w)}, published: true}
}

// publishedWaiting reports whether a visit is published though its surgery is
// unknown: it holds a red flag, and sharing was agreed (D2, waiting).
func publishedWaiting(w Current, sharing Sharing) bool {
	return sharing.Stated == "agreed" && len(record.RedFlags(w.Record)) > 0
}

// waitingSignal says that a visit waits for its surgery; that its surgery names
// another patient now is critical (D1.5).
func waitingSignal(r *record.Record, caseID string, moved bool) signal {
	f := Flag{
		Code: "surgery-unknown", Level: Note, Case: caseID, Record: r.Record, Place: "/" + string(r.Kind) + "/surgery",
		Text: "The surgery that this record names is not known yet; the record waits for it.", Rule: "D2",
	}
	if moved {
		f.Code, f.Level, f.Rule = "review-of-other-patient", Critical, "D1.5"
		f.Text = "The surgery that this record names is another patient's; the record waits."
	}
	return signal{Flag: f, identified: r.VisitAt()}
}
