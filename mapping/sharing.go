package mapping

import (
	"cmp"
	"slices"
	"strings"
	"time"

	"nailbridge/mapping/record"
	"nailbridge/mapping/resource"
)

// Sharing is whether a patient's cases at a clinic may leave it, and why.
type Sharing struct {
	Shared bool
	Stated record.Code // agreed, declined, or "" when never stated
	// Unreadable: the latest word was stated and cannot be read. The patient is
	// then not one who never stated anything, and is not shared.
	Unreadable bool
	Basis      string // a sentence
	// by is the hash of the content that states it.
	by string
	// undated is the hash of a content without saved-at that declines, came
	// after the agreement that counts was stated, and ranks below it.
	undated string
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
	// Joined are the Patients whom the patient's may go on naming (D1.5, D3.1).
	Joined []resource.Ref
}

// Contain says what must be done at once for a patient whose fold fails.
func Contain(s Settings, in PatientFold) Containment {
	v := newPatientView(s, in)
	sharing := decideSharing(in.Deliveries, in.Patient, s.Clinic)
	return Containment{sharing, v.endangered, v.moved, v.joinedRefs(sharing)}
}

// decideSharing takes the latest stated value over all non-draft contents
// ever received that name the patient: superseded, held, waiting and withdrawn
// ones included (D3.1). The greatest by (saved-at, record, revision, hash)
// wins, and an absent value never overrides.
//
// It fails closed. A value that was stated and cannot be read is a word of the
// patient that nobody knows: not shared until a readable one comes, whatever
// the clinic does with those who never stated anything. A refused content whose
// clinic and patient can be read may end sharing, and never begins it.
func decideSharing(ds []Delivery, p record.Identifier, c ClinicSettings) Sharing {
	var best *Delivery
	for i := range ds {
		if d := &ds[i]; d.statesSharing(p, c) && (best == nil || compareStatement(best, d, c.Zone) < 0) {
			best = d
		}
	}
	switch {
	case best == nil && c.ShareUnstated == "":
		return Sharing{Basis: "Sharing was never stated, and the clinic has no basis for sharing without a statement: not shared."}
	case best == nil:
		return Sharing{Shared: true, Basis: "Sharing was never stated. The clinic shares on this basis: " + c.ShareUnstated}
	case best.sharingUnreadable():
		return Sharing{Unreadable: true, by: best.Hash, Basis: "The latest word on sharing cannot be read: not shared until a readable one comes."}
	case best.Record.Sharing == "agreed":
		return Sharing{Shared: true, Stated: "agreed", by: best.Hash, undated: outranked(ds, best, p, c), Basis: "Sharing with the region was agreed."}
	default:
		return Sharing{Stated: best.Record.Sharing, by: best.Hash, Basis: "Sharing with the region was declined."}
	}
}

// outranked is the hash of the greatest content without saved-at that does not
// agree and came after an agreement was stated: it ranks below the agreement
// all the same (D1.1, D3.1), which somebody must look at.
func outranked(ds []Delivery, agreement *Delivery, p record.Identifier, c ClinicSettings) (hash string) {
	var last *Delivery
	for i := range ds {
		d := &ds[i]
		ends := d.statesSharing(p, c) && !d.Refused && d.Record.SavedAt == nil && (d.Record.Sharing != "agreed" || d.sharingUnreadable())
		if ends && d.Received.After(agreement.statedAt(c.Zone)) && (last == nil || compareStatement(last, d, c.Zone) < 0) {
			last, hash = d, d.Hash
		}
	}
	return hash
}

// statesSharing reports whether the delivery states the patient's word.
func (d *Delivery) statesSharing(p record.Identifier, c ClinicSettings) bool {
	switch {
	case d.Record.Status == "draft" && !d.unread("/status") || !names(d.Record, p):
		return false
	case d.Refused && (d.Record.Clinic != c.ID || d.unread("/clinic", "/patient", "/patient/identifier", "/patient/identifier/system", "/patient/identifier/value")):
		return false
	case d.Refused && d.Record.Sharing == "agreed":
		return d.sharingUnreadable()
	}
	return d.Record.Sharing != "" || d.sharingUnreadable()
}

// EndsSharing reports that a refused delivery acts all the same: it says that a
// patient is not shared, and clinic and patient can be read (D3.1).
func (d *Delivery) EndsSharing(c ClinicSettings) bool {
	return d.Refused && d.Record.Patient != nil && d.Record.Patient.Identifier != nil && d.statesSharing(*d.Record.Patient.Identifier, c)
}

// sharingUnreadable reports a value of sharing that was sent and is none of the
// list, or was sent twice or under a name that differs by case.
func (d *Delivery) sharingUnreadable() bool {
	return d.unread("/sharing") || slices.ContainsFunc(d.Findings, func(f record.Finding) bool {
		return f.Code == "member-case" && strings.EqualFold(f.Pointer, "/sharing")
	})
}

// unread reports that something sent at one of the places is not what it should
// be, so that what was read there, if anything, is not to be relied on.
func (d *Delivery) unread(pointers ...string) bool {
	return slices.ContainsFunc(d.Findings, func(f record.Finding) bool {
		return slices.Contains(pointers, f.Pointer) && slices.Contains([]string{"unlisted-value", "wrong-type", "duplicate-member", "malformed-id", "malformed-uri"}, f.Code)
	})
}

// sharingSignals say that somebody must ask the patient again. They are
// critical: nothing of the patient leaves the clinic since the latest word
// cannot be read, or all of it does although a word without a date ends it.
func sharingSignals(s Sharing) (out []signal) {
	if s.Unreadable {
		out = append(out, signal{Flag: Flag{
			Code: "sharing-unreadable", Level: Critical, Place: "/sharing", Rule: "D3.1", Inputs: inputs("content", s.by),
			Text: "The latest word on sharing with the region cannot be read, so nothing of the patient is shared until a readable one is sent.",
		}})
	}
	if s.undated != "" {
		out = append(out, signal{Flag: Flag{
			Code: "sharing-undated", Level: Critical, Place: "/sharing", Rule: "D3.1", Inputs: inputs("content", s.undated),
			Text: "A record without saved-at says that the patient is not to be shared. It ranks below the agreement that counts, so the patient is shared: ask again, and send the answer with its saved-at.",
		}})
	}
	return out
}

// statedAt is when a statement about a patient counts as made: when its content
// counts as saved or, of a refused one without a readable saved-at, when it
// came.
func (d *Delivery) statedAt(zone *time.Location) time.Time {
	if d.Refused && d.Record.SavedAt == nil {
		return d.Received
	}
	at, _ := d.SavedAt(zone)
	return at
}

// compareStatement orders by (saved-at, record, revision, hash): the order in
// which statements about a patient override one another (D1.3, D3.1).
func compareStatement(a, b *Delivery, zone *time.Location) int {
	return cmp.Or(
		a.statedAt(zone).Compare(b.statedAt(zone)),
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
