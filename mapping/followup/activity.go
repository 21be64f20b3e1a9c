package followup

import (
	"crypto/sha256"
	"encoding/hex"
	"strings"
	"time"

	"nailbridge/mapping/record"
)

// Status is a code of http://hl7.org/fhir/care-plan-activity-status
// (https://hl7.org/fhir/R4/valueset-care-plan-activity-status.html).
type Status string

// The statuses in use.
const (
	NotStarted Status = "not-started" // dated, not booked
	Scheduled  Status = "scheduled"   // booked
	InProgress Status = "in-progress"
	OnHold     Status = "on-hold"
	Completed  Status = "completed"
	Cancelled  Status = "cancelled"
)

// Open reports whether the activity still waits for its review (D4.2).
func (s Status) Open() bool {
	return s == NotStarted || s == Scheduled || s == InProgress || s == OnHold
}

// Origin says what opened an activity.
type Origin string

// The origins.
const (
	FromProtocol Origin = "protocol" // a step
	FromPlanned  Origin = "planned"  // a review that a record planned
	FromRecall   Origin = "recall"   // opened because a review was missed
	FromRebooked Origin = "rebooked" // in place of one cancelled or rebooked
)

// The reasons for which an activity was closed, and DidNotAttend also as the
// outcome of a missed review.
const (
	DidNotAttend       record.Code = "did-not-attend"
	CancelledByPatient record.Code = "cancelled-by-patient"
	CancelledByClinic  record.Code = "cancelled-by-clinic"
	CancelledByUnknown record.Code = "cancelled"
	RebookedByPatient  record.Code = "rebooked-by-patient"
	RebookedByClinic   record.Code = "rebooked-by-clinic"
	RebookedByUnknown  record.Code = "rebooked"
	Discharged         record.Code = "discharged"
	FollowUpStopped    record.Code = "follow-up-stopped"
	PatientDied        record.Code = "patient-died"
	NotFollowedHere    record.Code = "not-followed-here"
)

// StatusReasonSet lists every reason of an activity or a plan, and
// OutcomeSet every outcome of an activity.
var (
	StatusReasonSet = record.Set{Name: "follow-up-status-reason", Values: []record.Value{
		{Code: DidNotAttend, Display: "Did not attend"},
		{Code: CancelledByPatient, Display: "Cancelled by the patient"},
		{Code: CancelledByClinic, Display: "Cancelled by the clinic"},
		{Code: CancelledByUnknown, Display: "Cancelled, by whom not recorded"},
		{Code: RebookedByPatient, Display: "Rebooked by the patient"},
		{Code: RebookedByClinic, Display: "Rebooked by the clinic"},
		{Code: RebookedByUnknown, Display: "Rebooked, by whom not recorded"},
		{Code: Discharged, Display: "Every treated border discharged"},
		{Code: FollowUpStopped, Display: "Follow-up stopped clinically"},
		{Code: PatientDied, Display: "Patient died"},
		{Code: NotFollowedHere, Display: "Historical case, not followed here"},
	}}
	OutcomeSet = record.Set{Name: "follow-up-outcome", Values: []record.Value{
		{Code: Attended, Display: "Attended"},
		{Code: DidNotAttend, Display: "Did not attend"},
	}}
)

// Attended is the outcome of a completed activity.
const Attended record.Code = "attended"

// Activity is one dated review of the plan.
type Activity struct {
	// ID is stable: the protocol step, or the id made by OpenedID of the record
	// that opened the activity (D4.1).
	ID     string `json:"id"`
	Step   string `json:"step,omitempty"` // the protocol step it is, or stands in for
	Title  string `json:"title"`
	Origin Origin `json:"origin"`
	Status Status `json:"status"`
	// Proposed says that the date is not booked.
	Proposed bool   `json:"proposed,omitempty"`
	Window   Window `json:"window"`
	// Target is the date within the window that the protocol computed, or the
	// first day of a date that a record gave.
	Target Date `json:"target"`
	// At is the date as a record gave it; nil where the protocol computed it.
	At        *record.When   `json:"at,omitempty"`
	Mode      record.Code    `json:"mode,omitempty"` // record.ModeSet
	Performer *record.Person `json:"performer,omitempty"`
	// OpenedBy is the record that opened it, BookedBy the one that gave its
	// date; "" where the protocol did.
	OpenedBy string `json:"openedBy,omitempty"`
	BookedBy string `json:"bookedBy,omitempty"`
	// Planned is the item key of the planned review that the activity was last
	// taken from, in the record PlannedBy; "" where that gives none.
	Planned   string `json:"planned,omitempty"`
	PlannedBy string `json:"plannedBy,omitempty"`
	// Replaces names the activities in whose place this one stands, sorted.
	Replaces []string `json:"replaces,omitempty"`

	StatusReason record.Code `json:"statusReason,omitempty"` // StatusReasonSet
	ReasonText   string      `json:"reasonText,omitempty"`   // as recorded
	Outcome      record.Code `json:"outcome,omitempty"`      // OutcomeSet
	Closed       *Closing    `json:"closed,omitempty"`       // nil while open

	root          string // title of the first activity of a chain of replacements
	before, after int    // days of the window around a date that is not booked
	replacement   string // the activity opened in its place
}

// ClosedBy is the id of the record that closed the activity, "" while open and
// after a death.
func (a Activity) ClosedBy() string {
	if a.Closed == nil {
		return ""
	}
	return a.Closed.Record
}

// Cause says what kind of thing closed an activity or ended a plan.
type Cause string

// The causes.
const (
	ByReview    Cause = "review"
	ByContact   Cause = "contact"
	ByDischarge Cause = "discharge"
	ByStop      Cause = "stop"
	ByDeath     Cause = "death"
)

// Closing is what closed an activity or ended a plan, and when.
type Closing struct {
	Cause  Cause        `json:"cause"`
	Record string       `json:"record,omitempty"` // "" for a death
	At     *record.When `json:"at,omitempty"`     // of attendance, discharge, stop or death; nil: not recorded

	start time.Time // first instant of At; zero when not recorded
	first Date
}

// after reports whether the closing is dated after the window's end. An
// undated one is not.
func (c Closing) after(w Window) bool { return c.At != nil && !c.start.Before(w.End) }

// OpenedID is the id of an activity that a record opened: "record.key", each
// part with bytes outside A-Z a-z 0-9 - written as "..HH", so that no two pairs
// share an id; where that is longer than 63, the hex SHA-256 of it, which is
// 64. The result is a FHIR id, holds a dot or has 64 characters, and so never
// equals a protocol step (D4.1).
func OpenedID(recordID, key string) string {
	id := idPart(recordID) + "." + idPart(key)
	if len(id) > 63 {
		sum := sha256.Sum256([]byte(id))
		return hex.EncodeToString(sum[:])
	}
	return id
}

func idPart(s string) string {
	const hexDigits = "0123456789ABCDEF"
	var b strings.Builder
	for i := range len(s) {
		c := s[i]
		switch {
		case c >= 'A' && c <= 'Z', c >= 'a' && c <= 'z', c >= '0' && c <= '9', c == '-':
			b.WriteByte(c)
		default:
			b.WriteString("..")
			b.WriteByte(hexDigits[c>>4])
			b.WriteByte(hexDigits[c&15])
		}
	}
	return b.String()
}
