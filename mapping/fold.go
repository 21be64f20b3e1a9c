package mapping

import (
	"slices"
	"time"

	"github.com/google/uuid"

	"nailbridge/mapping/followup"
	"nailbridge/mapping/record"
	"nailbridge/mapping/resource"
	"nailbridge/mapping/safety"
	"nailbridge/mapping/terms"
)

// Version is the version of the fold. The Device that Provenance names says it
// beside the version of the code maps, and a store that was folded under another is
// folded anew as a whole at the next start. So it rises with the first release in
// which the fold makes other resources of the same records and settings than the
// release before, and with nothing else. Definitions have versions of their own
// (package published), which resources do not name: to raise one folds nothing anew,
// unless it is of the code maps, whose hash says so by itself.
const Version = "1"

// Settings are what a fold needs besides records: all of it is data, so that
// the same settings and records give the same bytes.
type Settings struct {
	Namespace uuid.UUID // secret per deployment (D1.7)
	Terms     *terms.Terms
	Codes     terms.Setting
	Clinic    ClinicSettings
	// Protocols are the follow-up protocols of the clinic, some of its own among
	// those of the program; nil: those of the program.
	Protocols []*followup.Protocol
}

// protocol is the follow-up protocol of a name, nil when none is named or known.
func (s Settings) protocol(name record.Code) *followup.Protocol {
	if s.Protocols == nil {
		return followup.Lookup(name)
	}
	i := slices.IndexFunc(s.Protocols, func(p *followup.Protocol) bool { return p.ID == string(name) })
	if i < 0 {
		return nil
	}
	return s.Protocols[i]
}

// ClinicSettings are the settings of one clinic.
type ClinicSettings struct {
	ID             string            // the clinic of record headers
	Name           string            // Organization.name
	Zone           *time.Location    // for times recorded without offset
	IdentifierBase string            // absolute URI under which the clinic numbers its own things
	Formulary      *safety.Formulary // nil: no ceiling chosen
	// WeightConvention says which weight limits in mg/kg are multiplied by (C-7).
	WeightConvention safety.WeightConvention
	// RiskTourniquet is the clinic's own tourniquet limit for toes at risk; nil:
	// none (C-30).
	RiskTourniquet *safety.LocalLimit
	// HideFigures keeps computed figures out of answers and resources; flags stay.
	HideFigures     bool
	DefaultProtocol record.Code      // "" : a protocol applies only if a record names it (D4.1)
	DaysOff         followup.DaysOff // what a protocol date on a day off becomes (C-50)
	ShareUnstated   string           // lawful basis as text; "": never stated means not shared (D3.1)
}

// Delivery is one arrival of one content of a record id (D1.1).
type Delivery struct {
	Record   *record.Record
	Findings []record.Finding // of decoding and checking, for flags
	Hash     string           // record.ContentHash
	Received time.Time        // of its first arrival
	Held     bool             // left out of the fold until a retry validates it (D1.3)
	Refused  bool             // kept, never folded
}

// OverdueFact says that the window of an activity ended with no review
// recorded (D1.6).
type OverdueFact struct {
	Case     string // record id of the surgery
	Activity string
	End      time.Time
}

// Equal reports that g says the same; the zones of the ends may differ.
func (f OverdueFact) Equal(g OverdueFact) bool {
	return f.Case == g.Case && f.Activity == g.Activity && f.End.Equal(g.End)
}

// FactsOf are the facts about one case, by the record id of its surgery.
func (in PatientFold) FactsOf(surgery string) []followup.OverdueFact {
	return factsOf(in.Facts, surgery)
}

func factsOf(facts []OverdueFact, surgery string) (out []followup.OverdueFact) {
	for _, f := range facts {
		if f.Case == surgery {
			out = append(out, followup.OverdueFact{Activity: f.Activity, WindowEnd: f.End})
		}
	}
	return out
}

// Acknowledgement is a named person's answer to a flag (D1.3).
type Acknowledgement struct {
	Case       string
	Flag       string // Flag.ID
	InputsHash string
	Who        record.Person
	Reason     string
	At         time.Time
}

// PatientFold is everything known at one clinic about one patient: the unit
// that is folded again when any of it changes.
type PatientFold struct {
	// Patient is the identifier whose cases are folded.
	Patient record.Identifier
	// Deliveries are all deliveries of every record id that ever named the
	// patient, in any order; the fold chooses which content counts (D1.1) and
	// leaves out those whose current content names another patient (D1.5).
	Deliveries []Delivery
	Facts      []OverdueFact
	Acks       []Acknowledgement
	// Merges are all deliveries of every merge record of the clinic that ever named
	// the patient, or another whom such a record names, and so on.
	Merges []Delivery
	// Joined are those of the others named there who may leave the clinic
	// (MayLeave).
	Joined []record.Identifier
	// Staff is what the published sources of the clinic's other patients say of
	// the persons named (StaffPublished). What it holds of this patient is passed
	// over: the fold reads that from the deliveries.
	Staff []StaffStatement
}

// Level of a flag (D2.4).
type Level = record.Level

// The levels.
const (
	Critical = record.LevelCritical
	Warning  = record.LevelWarning
	Note     = record.LevelNote
)

// Flag is one thing a clinician should see, as a sentence fit to show.
type Flag struct {
	ID         string         `json:"flag,omitempty"` // stable: of case, code and place; "" out of a fold
	Code       string         `json:"code"`
	Level      Level          `json:"level"`
	Case       string         `json:"case,omitempty"` // record id of the surgery
	Record     string         `json:"record,omitempty"`
	Place      string         `json:"place,omitempty"`
	Text       string         `json:"text"`
	Inputs     []safety.Input `json:"inputs,omitempty"`
	InputsHash string         `json:"inputsHash,omitempty"`
	Source     string         `json:"source,omitempty"`
	Rule       string         `json:"rule,omitempty"`
	// Escalation says how soon somebody must see the patient: now, same-day or
	// soon (C-58); "" where the flag calls for nobody.
	Escalation   followup.Escalation `json:"escalation,omitempty"`
	Acknowledged *Acknowledged       `json:"acknowledged,omitempty"`
	Closed       bool                `json:"closed,omitempty"` // final, nothing left to do
}

// Acknowledged is the part of an acknowledgement shown with its flag.
type Acknowledged struct {
	Who    string    `json:"who"`
	Reason string    `json:"reason"`
	At     time.Time `json:"at"`
}

// Open reports whether something is left to do about the flag.
func (f Flag) Open() bool { return f.Level != Note && f.Acknowledged == nil && !f.Closed }

// Figure is a computed figure of a case.
type Figure struct {
	Case string `json:"case"`
	safety.Figure
}

// Case is the follow-up of one surgery as the clinic's lists show it.
type Case struct {
	Surgery    string // record id
	Status     string // CarePlan.status, or "" when there is no plan
	Activities []followup.Activity
}

// Result is the output of a fold: content only, no versions, no clock.
type Result struct {
	Resources []resource.Resource // sorted by type and id
	// CaseOf names, for each resource, the surgery record id it belongs to;
	// "" for those folded per patient or per clinic.
	CaseOf  map[resource.Ref]string
	Flags   []Flag
	Figures []Figure
	Cases   []Case
	// Letters are the letters of the cases, as text.
	Letters []Letter
	// Patient is whose fold this is.
	Patient record.Identifier
	// Waiting lists the record ids of reviews and contacts without a surgery.
	Waiting []string
	// Moved lists the surgery record ids that once named this patient and now
	// name another (D1.5).
	Moved []string
	// Shared says whether the resources may leave the clinic (D3.1).
	Shared bool
	// SharingBasis says in words why.
	SharingBasis string
	// Sources are the current contents folded, for Provenance.
	Sources []Source
}

// Source names one folded content.
type Source struct {
	Record string
	Case   string
	Hash   string // hex sha-256 of the publishable part
	Author record.Person
	Kind   record.Code
	// The header as recorded: what decides which content counts (D1.1).
	Revision      *int64
	SavedAt       *record.When
	Status        record.Code
	Historical    bool
	Followed      bool
	SchemaVersion string
	// Converted is the old row that the record was made of; nil: none.
	Converted *record.Converted
}
