package mapping

import (
	"cmp"
	"strings"
	"time"

	"nailbridge/mapping/record"
)

// Sharing is whether a patient's cases at a clinic may leave it, and why.
type Sharing struct {
	Shared bool
	Stated record.Code // agreed, declined, or "" when never stated
	Basis  string      // a sentence
}

// Containment is what must be done at once for a patient whose fold fails: it
// needs no resource built (D2, held).
type Containment struct {
	Sharing Sharing
	// Endangered lists the cases, by surgery record id, whose published
	// resources may not stay, since a held content withdraws one of their
	// records or changes its patient, toe, side, border or procedure.
	Endangered []string
	// Moved lists those of them that now name another patient (D1.5).
	Moved []string
}

// Contain says what must be done at once for a patient whose fold fails.
func Contain(s Settings, in PatientFold) Containment {
	v := newPatientView(s, in)
	return Containment{decideSharing(in.Deliveries, in.Patient, s.Clinic), v.endangered, v.moved}
}

// decideSharing takes the latest stated value over all non-draft contents
// ever received that name the patient: superseded, held, waiting and withdrawn
// ones included (D3.1). The greatest by (saved-at, record, revision, hash)
// wins, and an absent value never overrides. Refused contents state nothing.
func decideSharing(ds []Delivery, p record.Identifier, c ClinicSettings) Sharing {
	var best *Delivery
	for i := range ds {
		d := &ds[i]
		if d.Refused || d.Record.Status == "draft" || d.Record.Sharing == "" || !names(d.Record, p) {
			continue
		}
		if best == nil || compareStatement(best, d, c.Zone) < 0 {
			best = d
		}
	}
	switch {
	case best == nil && c.ShareUnstated == "":
		return Sharing{Basis: "Sharing was never stated, and the clinic has no basis for sharing without a statement: not shared."}
	case best == nil:
		return Sharing{Shared: true, Basis: "Sharing was never stated. The clinic shares on this basis: " + c.ShareUnstated}
	case best.Record.Sharing == "agreed":
		return Sharing{Shared: true, Stated: "agreed", Basis: "Sharing with the region was agreed."}
	default:
		return Sharing{Stated: best.Record.Sharing, Basis: "Sharing with the region was declined."}
	}
}

// compareStatement orders by (saved-at, record, revision, hash): the order in
// which statements about a patient override one another (D1.3, D3.1).
func compareStatement(a, b *Delivery, zone *time.Location) int {
	as, _ := a.SavedAt(zone)
	bs, _ := b.SavedAt(zone)
	return cmp.Or(
		as.Compare(bs),
		strings.Compare(a.Record.Record, b.Record.Record),
		cmp.Compare(revisionOf(a.Record), revisionOf(b.Record)),
		strings.Compare(a.Hash, b.Hash),
	)
}

func revisionOf(r *record.Record) int64 {
	if r.Revision == nil {
		return 0
	}
	return *r.Revision
}

// names reports whether the record names the patient.
func names(r *record.Record, p record.Identifier) bool {
	return r.Patient != nil && r.Patient.Identifier != nil && *r.Patient.Identifier == p
}
