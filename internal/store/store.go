// Package store is the contract of the one place of truth: deliveries as they
// came, resource versions, the search index, flags, cases, facts and the
// outbox, all changed in one transaction per intake. The behaviour is held by
// the suite in storetest; sqlite is the store of one machine.
package store

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"time"

	"nailbridge/internal/searchparam"
	"nailbridge/internal/validate"
	"nailbridge/mapping/resource"
)

// Errors of a store. Anything else is a fault of the store and counts as
// ErrUnavailable at the doors.
var (
	// ErrNotFound: no such resource, version, delivery or flag.
	ErrNotFound = errors.New("not found")
	// ErrGone: it existed and may not be shown (declined sharing, masked).
	ErrGone = errors.New("gone")
	// ErrUnavailable: nothing was stored and nothing was promised: disk full,
	// locked database, stopping.
	ErrUnavailable = errors.New("store unavailable")
	// ErrEpoch: a token from before a restored backup, or the Since of a history
	// that lies between a backup and its restore.
	ErrEpoch = errors.New("token of another epoch")
)

// Store is a set of data with one writer at a time and readers that never
// wait for it: View sees the last committed state as a snapshot. A Reader or
// Writer is for the goroutine of its fn and ends with it.
type Store interface {
	// View runs fn on a snapshot. fn may be long.
	View(ctx context.Context, fn func(Reader) error) error
	// Update runs fn in one write transaction. All or nothing: when fn, any
	// operation of the Writer or the commit fails, nothing was stored; an
	// error of fn comes back as it is. fn must not call Update.
	Update(ctx context.Context, fn func(Writer) error) error
	// Close waits for what runs; nothing begins after it.
	Close() error
}

// Owner groups what is folded together: one patient of one clinic, or, with
// an empty Patient, the clinic itself.
type Owner struct{ Clinic, Patient string }

// Delivery is one arrival of one content of a record id, kept for ever.
type Delivery struct {
	Seq        int64 // order of first arrival within the store
	Clinic     string
	Record     string
	Patient    string // PatientKey of the content, "" when unreadable
	Surgery    string // record id of the surgery that a review or contact names; else ""
	Kind       string
	Status     string
	Hash       string
	SavedAt    time.Time // zero: absent
	Received   time.Time // of the first arrival
	Body       []byte    // as sent
	Answer     string    // how it stands: the answer given, or what a retry made of it (D2)
	Reasons    []byte    // JSON of the findings
	Held       bool
	Refused    bool
	Superseded bool // urgent mark of D1.1: never received before, older by saved-at alone
	Waiting    bool // a current review or contact without its surgery (D2, waiting)
}

// Stamp is the place of a commit in the one order of everything.
type Stamp struct {
	Epoch       string
	Seq         int64
	LastUpdated time.Time // strictly rising with Seq, to the millisecond
}

// Version is one stored version of a resource.
type Version struct {
	Ref         resource.Ref
	Number      int64
	VersionID   string // "<epoch>-<n>", never reused across restores (D8.3)
	Seq         int64
	LastUpdated time.Time
	Deleted     bool   // a DELETE entry: declined sharing (D3.1)
	First       bool   // the version that created the resource
	Revived     bool   // the version after a DELETE entry; told by History alone
	Body        []byte // as served, with meta spliced in; nil when Deleted
}

// Held is the state of one owned resource before a commit.
type Held struct {
	Ref       resource.Ref
	Case      string
	Content   resource.Resource // as put, without meta.versionId; zero when Deleted
	Version   int64
	VersionID string
	Deleted   bool
}

// Query is one search: conditions that all must hold, over one type.
type Query struct {
	Type  string
	Match []searchparam.Condition
	// Compartment, if set, bounds the search to what belongs to one resource.
	// With an empty Type it goes over every type that has a parameter there, and
	// Match may have _id and _lastUpdated alone.
	Compartment *Compartment
	// Sort orders by these values first; versions without one come last.
	Sort []SortKey
	// Reverse turns the whole order round, that of Sort too, for the page before.
	Reverse bool
	// UpTo bounds the walk: versions committed later are not seen. Zero: now.
	UpTo int64
	// After is the key of the last entry of the page before.
	After *Key
	// Ascending orders by (Seq, id) rising; else falling.
	Ascending bool
	// Count is the most versions a page holds; 0: none, for Total alone.
	Count int
	// NoTotal leaves Page.Total 0: counting visits every match.
	NoTotal bool
	// Epoch is that of the page token; another than the store's is ErrEpoch.
	// "": not asked.
	Epoch string
}

// Compartment is what refers to a resource by one of some parameters, named by
// type: "CarePlan.subject" (R4 compartmentdefinition.html).
type Compartment struct {
	Of     resource.Ref
	Params []string
	// Link, if set, is the parameter by which another resource of Of's type is
	// linked to it: what belongs to that one, or to one linked to that, belongs to
	// this compartment too ("Patient.link").
	Link string
}

// SortKey is one value to sort by, of a search parameter: the least of a
// version's values, or when Descending the greatest (R4 search.html#sort).
type SortKey struct {
	Param      string
	Kind       searchparam.Kind
	Descending bool
}

// SortValue is the value that a version is sorted by; neither is set where it has
// none.
type SortValue struct {
	Int  *int64  `json:"i,omitempty"`
	Text *string `json:"t,omitempty"`
}

// Key is the position of an entry in a keyset walk.
type Key struct {
	Seq  int64
	Ref  resource.Ref
	Sort []SortValue // as Query.Sort
}

// Page is a part of a walk.
type Page struct {
	Versions []Version
	Keys     []Key // of a search: of each version, in the same order
	Total    int   // of the whole search under the bound
	More     bool  // a next page exists
	UpTo     int64
	Epoch    string
}

// HistoryQuery is one history walk, newest first.
type HistoryQuery struct {
	Type  string // "": system history
	ID    string // "": type history
	Since time.Time
	UpTo  int64
	After *Key
	// Count, NoTotal and Epoch are as in Query.
	Count   int
	NoTotal bool
	Epoch   string
}

// Flag is a flag of a case as stored for the clinic's lists.
type Flag struct {
	ID         string
	Owner      Owner
	Case       string
	Code       string
	Level      string
	InputsHash string
	Open       bool
	JSON       []byte // the flag as answered
}

// Activity is a review activity as stored for the clinic's lists and the
// scheduler.
type Activity struct {
	Owner  Owner
	Case   string
	ID     string
	Status string
	Start  time.Time
	End    time.Time // exclusive end of the window
	Open   bool
	JSON   []byte
}

// Fact is a stored overdue fact (D1.6).
type Fact struct {
	Owner    Owner
	Case     string
	Activity string
	End      time.Time
}

// Statement is what one source, such as a record, says of a member of staff.
type Statement struct {
	Key  string // of the person, within the clinic
	JSON []byte
}

// Ack is a stored acknowledgement (D1.3). Stale: when it came, the inputs of
// its flag had changed; it left the flag open then.
type Ack struct {
	Owner      Owner
	Case       string
	Flag       string
	InputsHash string
	JSON       []byte // mapping.Acknowledgement
	Stale      bool
}

// Event is one outbox entry, relayed after the commit.
type Event struct {
	Seq  int64 // of the clinic's events, from 1 and without a gap: it tells nothing of other clinics
	Kind string
	JSON []byte
}

// Restore is one return of the data to the state of a backup. What was answered
// from Taken until At is lost unless it was sent again (D8.3).
type Restore struct {
	Epoch string    // the one that began
	Taken time.Time // zero: the backup did not say
	At    time.Time
}

// Erasure is the tombstone of a patient of whom everything was erased.
type Erasure struct {
	Subject string    `json:"subject"` // keyed hash of clinic and patient
	Reason  string    `json:"reason"`  // a code
	Who     string    `json:"who"`     // who had it done
	At      time.Time `json:"at"`
}

// Erasing says of whom everything is to be erased.
type Erasing struct {
	Owner Owner
	// Unread, if any, takes deliveries of which no patient could be read.
	Unread func(body []byte) bool
	// Sources are those of statements about staff that are the patient's.
	Sources []string
	// Blank stands from then on for every event that names what was the
	// patient's.
	Blank []byte
}

// Belongings is what is stored of one patient.
type Belongings struct {
	Deliveries []int64  // by number
	Records    []string // ids of the records that name the patient
	Resources  []resource.Ref
	// Nobodys counts the clinic's deliveries of which no patient could be read
	// and that are not taken for the patient's.
	Nobodys int
}

// NamedIn reports whether a JSON value names one of the records or resources.
func (b Belongings) NamedIn(event []byte) bool {
	for _, r := range b.Records {
		if name, err := json.Marshal(r); err == nil && bytes.Contains(event, name) {
			return true
		}
	}
	for _, ref := range b.Resources {
		for _, end := range []string{`"`, `/`} { // itself, or a version of it
			if bytes.Contains(event, []byte(`"`+ref.String()+end)) {
				return true
			}
		}
	}
	return false
}

// Scope is the clinics whose resources exist for a reader. The zero Scope is
// none of them.
type Scope struct {
	Everything bool
	Clinics    []string
}

// Everything is the scope of the program itself, and of a hub where no access
// is configured.
var Everything = Scope{Everything: true}

// Published is what a hub may see of a snapshot: what is published, within a
// scope. What is outside it never was: ErrNotFound, in no page and no total.
type Published interface {
	// Read gives the current version: ErrGone where that is a DELETE entry,
	// ErrNotFound where there never was one.
	Read(ref resource.Ref) (Version, error)
	// VRead gives one version: ErrGone where it is hidden or a DELETE entry,
	// ErrNotFound where there is no such version.
	VRead(ref resource.Ref, versionID string) (Version, error)
	// Search gives a page of the current versions that meet a query: ErrEpoch
	// where the query goes on from another epoch.
	Search(q Query) (Page, error)
	// History gives a page of versions, DELETE entries among them, hidden ones
	// not: ErrEpoch as Search, and where a restore made Since void; ErrNotFound
	// where the one resource that it asks for never was.
	History(q HistoryQuery) (Page, error)
	// Related gives the versions that stand beside a page of a search under the
	// same bound: what its versions refer to by the includes, or with reverse
	// what refers to them; without repeats and without the page's own, by type
	// and id. More says that there are more than limit: which are left out is open.
	Related(r Relation) (found []Version, more bool, err error)
}

// Relation asks what is related to the versions of a page.
type Relation struct {
	Page     []Version
	Includes []searchparam.Include
	Reverse  bool
	UpTo     int64
	Limit    int
}

// Reader reads a snapshot.
type Reader interface {
	// Head is the last commit seen by this snapshot.
	Head() Stamp

	// Hub side: Published itself sees everything.
	Published
	// Within gives what is published of the clinics of a scope.
	Within(Scope) Published

	// Clinic side.
	// Clinics gives the clinics of which anything is stored, by name.
	Clinics() ([]string, error)
	// Owners gives every patient of a clinic whom a delivery names, a merge as one
	// replaced too, or who has a resource, by key.
	Owners(clinic string) ([]Owner, error)
	// Mark gives what SetMark set; "" when nothing was.
	Mark(clinic, name string) (string, error)
	// Deliveries gives all deliveries of a record id, in order of arrival.
	Deliveries(clinic, record string) ([]Delivery, error)
	// DeliveriesOf gives all deliveries of every record id of the clinic of
	// which some delivery named the patient, of the surgeries that such a
	// record names, though they may name another patient, and of the reviews
	// and contacts of all these surgeries.
	DeliveriesOf(o Owner) ([]Delivery, error)
	// Merges gives all deliveries of every record id of the clinic of which some
	// delivery is a merge that names the patient, as SetMerged says, or another
	// whom such a merge names, and so on (D1.5).
	Merges(o Owner) ([]Delivery, error)
	// DeliveriesList gives deliveries marked refused, held, waiting or
	// superseded, oldest first. A refused one whose content has been accepted
	// under another delivery since, so that its Answer is no longer "refused",
	// is left out.
	DeliveriesList(clinic, mark string) ([]Delivery, error)
	// Owned gives every resource of the owner, deleted ones too, by type and id.
	Owned(o Owner) ([]Held, error)
	// Exists reports whether a resource has a current version that is no DELETE
	// entry.
	Exists(ref resource.Ref) (bool, error)
	// Flags gives the owner's flags in the order given to ReplaceFlags.
	Flags(o Owner) ([]Flag, error)
	// ClinicFlags gives the flags of all patients of a clinic.
	ClinicFlags(clinic string, openOnly bool) ([]Flag, error)
	// Flag gives the flag with an id at a clinic: ErrNotFound when there is none.
	// Of several patients who have it, as after an amendment moved a record, the
	// open one counts, then the one stored last.
	Flag(clinic, id string) (Flag, error)
	// Activities gives the activities of a clinic by the end of their window,
	// those without one first.
	Activities(clinic string) ([]Activity, error)
	// EndedBefore gives open activities whose window ended at or before t and
	// that have no fact with that same end.
	EndedBefore(t time.Time) ([]Activity, error)
	// Facts gives the owner's overdue facts.
	Facts(o Owner) ([]Fact, error)
	// Acks gives the owner's acknowledgements, stale ones too, as they came.
	Acks(o Owner) ([]Ack, error)
	// Staff gives the stored statements about a member of staff.
	Staff(clinic, key string) ([][]byte, error)
	// Outbox gives up to limit events of a clinic after a number, in order.
	Outbox(clinic string, afterSeq int64, limit int) ([]Event, error)
	// Arrived counts the deliveries of a clinic, and says when the last of them
	// that is kept was received; zero: none is.
	Arrived(clinic string) (n int, last time.Time, err error)
	// Restores gives the restores from a backup that the data went through, in
	// order.
	Restores() ([]Restore, error)
	// Erasures gives the tombstones of a subject, the latest first; those of
	// everybody for "".
	Erasures(subject string) ([]Erasure, error)
	// Belongings gives what Erase would take.
	Belongings(o Owner, unread func(body []byte) bool) (Belongings, error)
}

// Writer is a write transaction; it reads its own writes.
type Writer interface {
	Reader
	// Stamp takes the next place in the order, once per transaction, under
	// the lock of the transaction. now comes from the caller's clock.
	Stamp(now time.Time) (Stamp, error)
	// PutDelivery keeps an arrival. The same content saved at the same time is
	// the delivery already kept: that one is returned, unchanged. Saved again
	// later, it is another (D1.1).
	PutDelivery(d Delivery) (Delivery, error)
	// MarkDelivery sets Answer, Reasons, Held, Refused and Superseded, and
	// what a retry could newly read of the record; Waiting stays.
	MarkDelivery(d Delivery) error
	// SetMerged says whom a delivery, with its Seq, Clinic and Record, names that
	// is a merge: by PatientKey, in place of what was said of it before.
	SetMerged(d Delivery, patients []string) error
	// SetWaiting marks exactly these deliveries of the patient as waiting.
	SetWaiting(o Owner, seqs []int64) error
	// Put adds a version, once there is a stamp. rows are the index rows of
	// the content. Content equal to the current version's adds none: that
	// version is returned. A transaction makes one version of a resource: a
	// second Put or Delete replaces what the first made. A resource of
	// another owner is not touched.
	Put(o Owner, caseID string, r validate.Checked, rows []searchparam.Row) (Version, error)
	// Delete adds a DELETE entry and hides all earlier versions (410), the
	// index rows of which are removed; deleted already, it stays as it is;
	// ErrNotFound when there is none.
	Delete(o Owner, ref resource.Ref) (Version, error)
	// Mask hides the versions before the current one (410), D1.5; ErrNotFound
	// when there is none.
	Mask(ref resource.Ref) error
	// ReplaceFlags stores the flags of an owner in place of those before.
	ReplaceFlags(o Owner, flags []Flag) error
	// ReplaceActivities stores the activities of an owner in place of those
	// before.
	ReplaceActivities(o Owner, as []Activity) error
	// PutFact stores an overdue fact; stored already, it stays as it is.
	PutFact(f Fact) error
	// PutAck keeps an acknowledgement.
	PutAck(a Ack) error
	// ReplaceStaff stores the statements of one source in place of those the
	// same source made before.
	ReplaceStaff(clinic, source string, statements []Statement) error
	// PutEvent adds an event to the outbox of a clinic.
	PutEvent(clinic, kind string, json []byte) error
	// SetMark keeps a value under a name, in place of the one before.
	SetMark(clinic, name, value string) error
	// Reindex gives every version of the owner that a hub can read, old ones
	// too, index rows made anew.
	Reindex(o Owner, index func(resource.Resource) ([]searchparam.Row, error)) error
	// PutErasure keeps a tombstone; kept already, it stays as it is.
	PutErasure(e Erasure) error
	// Erase takes away all that is stored of a patient: deliveries, merges that
	// name the patient too, what is listed, facts, acknowledgements, statements
	// about staff, the content of every version. Of each resource its id and one
	// DELETE entry stay, under no patient; it gives those that are new, which needs
	// a stamp. The patient may come again: the same ids then have higher versions.
	// What the files still hold of it is the store's to scrub.
	Erase(e Erasing) (Belongings, []Version, error)
}
