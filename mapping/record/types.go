package record

import "slices"

// SchemaVersion is the version of the record format that this package writes
// and documents. A record names it in its header.
const SchemaVersion = "1.0"

// Record is one saved clinic record: a header and exactly one of Surgery,
// Review, Contact and Merge, as Kind says.
type Record struct {
	SchemaVersion string `json:"schemaVersion,omitempty"`
	Clinic        string `json:"clinic,omitempty"`
	Record        string `json:"record,omitempty"` // record id, unique within the clinic
	Revision      *int64 `json:"revision,omitempty"`
	SavedAt       *When  `json:"savedAt,omitempty"`
	Kind          Code   `json:"kind,omitempty"`   // KindSet
	Status        Code   `json:"status,omitempty"` // StatusSet
	Historical    bool   `json:"historical,omitempty"`
	// Followed says that the plan of a historical surgery is followed here.
	Followed bool `json:"followed,omitempty"`
	// Converted is no part of the content (ContentHash).
	Converted *Converted `json:"converted,omitempty"`
	Author    *Person    `json:"author,omitempty"`
	Patient   *Patient   `json:"patient,omitempty"`
	Sharing   Code       `json:"sharing,omitempty"` // SharingSet; absent never overrides (D3.1)
	// SafeguardingNote and WithheldNote are kept and never published (D3.2).
	SafeguardingNote string `json:"safeguardingNote,omitempty"`
	WithheldNote     string `json:"withheldNote,omitempty"`

	Surgery *Surgery `json:"surgery,omitempty"`
	Review  *Review  `json:"review,omitempty"`
	Contact *Contact `json:"contact,omitempty"`
	Merge   *Merge   `json:"merge,omitempty"`
}

// Converted says which old row a historical record was made of, and how.
type Converted struct {
	File      string   `json:"file,omitempty"` // and the sheet, "visits.xlsx#reviews"
	Row       *int64   `json:"row,omitempty"`  // from 1, the header too
	Layout    string   `json:"layout,omitempty"`
	DecidedBy []string `json:"decidedBy,omitempty"`
}

// Code is a value of a closed list (a Set). The empty string means absent; an
// unlisted value in a part that neither identifies nor endangers is kept in
// the source, flagged, and decoded as absent.
type Code string

// Identifier is a number with the system that gave it.
type Identifier struct {
	System string `json:"system,omitempty"` // absolute URI of the numbering authority
	Value  string `json:"value,omitempty"`
}

// Person is a member of staff, known by registration or by the clinic's own
// staff key (D5.2).
type Person struct {
	Registration *Identifier `json:"registration,omitempty"`
	StaffKey     string      `json:"staffKey,omitempty"`
	Name         *Name       `json:"name,omitempty"`
	Role         Code        `json:"role,omitempty"` // RoleSet
}

// Name is a human name in parts.
type Name struct {
	Family string   `json:"family,omitempty"`
	Given  []string `json:"given,omitempty"`
	Prefix string   `json:"prefix,omitempty"`
}

// Patient is who was treated, as this record states it.
type Patient struct {
	Identifier  *Identifier `json:"identifier,omitempty"`
	Name        *Name       `json:"name,omitempty"`
	BirthDate   *When       `json:"birthDate,omitempty"`
	DeathDate   *When       `json:"deathDate,omitempty"`
	Gender      Code        `json:"gender,omitempty"` // GenderSet
	Phone       string      `json:"phone,omitempty"`
	AddressLine string      `json:"addressLine,omitempty"`
	City        string      `json:"city,omitempty"`
	PostalCode  string      `json:"postalCode,omitempty"`
}

// Surgery is one sitting: one or more toes operated on under local anaesthetic.
type Surgery struct {
	Outcome        Code             `json:"outcome,omitempty"` // OutcomeSet
	OutcomeReason  string           `json:"outcomeReason,omitempty"`
	Start          *When            `json:"start,omitempty"`
	End            *When            `json:"end,omitempty"`
	Incision       *When            `json:"incision,omitempty"` // the first cut
	Operator       *Person          `json:"operator,omitempty"`
	Assistant      *Person          `json:"assistant,omitempty"`
	Chaperone      *Person          `json:"chaperone,omitempty"`
	Indication     *Indication      `json:"indication,omitempty"`
	Risks          *Risks           `json:"risks,omitempty"`
	Allergies      *Allergies       `json:"allergies,omitempty"`
	Weight         *Weight          `json:"weight,omitempty"`
	Measurements   *Measurements    `json:"measurements,omitempty"`
	Vascular       *Vascular        `json:"vascular,omitempty"`
	Consent        *Consent         `json:"consent,omitempty"`
	Letter         Code             `json:"letter,omitempty"` // SharingSet: the letter to the patient's other carers
	Interpreter    *Interpreter     `json:"interpreter,omitempty"`
	Marking        *Step            `json:"marking,omitempty"` // of the operation site
	SignIn         *Step            `json:"signIn,omitempty"`
	TimeOut        *Step            `json:"timeOut,omitempty"`
	SignOut        *Step            `json:"signOut,omitempty"`
	SkinPrep       Code             `json:"skinPreparation,omitempty"` // SkinPrepSet
	Instruments    *Instruments     `json:"instruments,omitempty"`
	Counts         *Counts          `json:"counts,omitempty"`
	Toes           []Toe            `json:"toes,omitempty"`
	TissueSent     Code             `json:"tissueSent,omitempty"` // AnswerSet
	Specimens      []Specimen       `json:"specimens,omitempty"`
	Haemostasis    Code             `json:"haemostasis,omitempty"` // HaemostasisSet
	Dressing       Code             `json:"dressing,omitempty"`    // DressingSet
	DressingText   string           `json:"dressingText,omitempty"`
	Events         *Events          `json:"events,omitempty"`
	Antibiotics    []Antibiotic     `json:"antibiotics,omitempty"`
	Advice         *Advice          `json:"advice,omitempty"`
	Home           *Home            `json:"home,omitempty"`
	Photos         []Photo          `json:"photos,omitempty"`
	Protocol       Code             `json:"protocol,omitempty"` // ProtocolSet; the follow-up protocol named (D4.1)
	PlannedReviews []PlannedReview  `json:"plannedReviews,omitempty"`
	Stopped        *FollowUpStopped `json:"followUpStopped,omitempty"`
	Note           string           `json:"note,omitempty"`
}

// Indication is why the toe was operated on.
type Indication struct {
	Condition   Code  `json:"condition,omitempty"`   // ConditionSet
	Stage       Code  `json:"stage,omitempty"`       // StageSet, the union of the systems
	StageSystem Code  `json:"stageSystem,omitempty"` // StageSystemSet
	Since       *When `json:"since,omitempty"`
	// EarlierSurgery answers whether this nail was operated on before.
	EarlierSurgery Code   `json:"earlierSurgery,omitempty"` // AnswerSet
	Text           string `json:"text,omitempty"`
}

// Risks are the answers to the risk questions; each is an AnswerSet value, so
// that "no" and "not asked" differ.
type Risks struct {
	Pregnant        Code `json:"pregnant,omitempty"`
	Diabetes        Code `json:"diabetes,omitempty"`
	ArterialDisease Code `json:"arterialDisease,omitempty"`
	Raynaud         Code `json:"raynaud,omitempty"`
	Neuropathy      Code `json:"neuropathy,omitempty"`
	Anticoagulant   Code `json:"anticoagulant,omitempty"`
	ImmuneSuppress  Code `json:"immuneSuppression,omitempty"`
	CardiacDisease  Code `json:"cardiacDisease,omitempty"`
	LiverDisease    Code `json:"liverDisease,omitempty"`
	Lactating       Code `json:"lactating,omitempty"`
	SickleCell      Code `json:"sickleCell,omitempty"`
	Bypass          Code `json:"bypass,omitempty"` // earlier bypass or other revascularisation of the leg
	// RenalReplacement is dialysis, a transplant, or end-stage renal disease.
	RenalReplacement  Code `json:"renalReplacement,omitempty"`
	EarlierUlcer      Code `json:"earlierUlcer,omitempty"`
	EarlierAmputation Code `json:"earlierAmputation,omitempty"`
	Deformity         Code `json:"deformity,omitempty"`
	Callus            Code `json:"callus,omitempty"`
	// ActiveFootProblem is an ulcer, gangrene or suspected Charcot foot now.
	ActiveFootProblem  Code `json:"activeFootProblem,omitempty"`
	SpreadingInfection Code `json:"spreadingInfection,omitempty"`
	// OverrideReason is why the clinician went on in spite of a risk.
	OverrideReason string `json:"overrideReason,omitempty"`
	// AnkleBrachialIndex is a ratio without unit, per operated leg.
	AnkleBrachialIndex *Decimal `json:"ankleBrachialIndex,omitempty"`
	// OtherAnaestheticWithin24h answers whether another clinic gave local
	// anaesthetic in the 24 h before.
	OtherAnaestheticWithin24h Code `json:"otherAnaestheticWithin24h,omitempty"`
}

// Allergies is the allergy statement of a record.
type Allergies struct {
	Status Code      `json:"status,omitempty"` // AllergyStatusSet
	Items  []Allergy `json:"items,omitempty"`
}

// Allergy is one allergy, stated or refuted (D1.3).
type Allergy struct {
	Key         string `json:"key,omitempty"`
	Substance   Code   `json:"substance,omitempty"` // AllergenSet
	Text        string `json:"text,omitempty"`
	Reaction    string `json:"reaction,omitempty"`
	Criticality Code   `json:"criticality,omitempty"` // CriticalitySet
	Refuted     bool   `json:"refuted,omitempty"`
}

// Weight is the body weight used for dose limits, in kg.
type Weight struct {
	Kg    *Decimal `json:"kg,omitempty"`
	Basis Code     `json:"basis,omitempty"` // WeightBasisSet
	At    *When    `json:"at,omitempty"`
}

// Consent is the consent to the procedure: who gave it and for what.
type Consent struct {
	Status       Code  `json:"status,omitempty"`       // ConsentStatusSet
	GivenBy      Code  `json:"givenBy,omitempty"`      // ConsentGiverSet
	Giver        *Name `json:"giver,omitempty"`        // of the consenting adult, when not the patient
	Relationship Code  `json:"relationship,omitempty"` // RelationshipSet
	// Capacity is why another adult consented, or that the patient could.
	Capacity     Code          `json:"capacity,omitempty"`     // CapacitySet
	AdultPresent Code          `json:"adultPresent,omitempty"` // AnswerSet: at the operation
	At           *When         `json:"at,omitempty"`
	For          []ConsentItem `json:"for,omitempty"`
}

// ConsentItem is one toe, border and procedure that consent was given for.
type ConsentItem struct {
	Side      Code `json:"side,omitempty"`      // SideSet
	Digit     Code `json:"digit,omitempty"`     // DigitSet
	Border    Code `json:"border,omitempty"`    // BorderSet
	Procedure Code `json:"procedure,omitempty"` // ProcedureSet
}

// Toe is one operated toe.
type Toe struct {
	Key         string       `json:"key,omitempty"` // the sender's stable item key
	Side        Code         `json:"side,omitempty"`
	Digit       Code         `json:"digit,omitempty"` // "1" hallux to "5"
	Block       *Block       `json:"block,omitempty"`
	Tourniquet  Code         `json:"tourniquet,omitempty"` // TourniquetUseSet: used or not
	Tourniquets []Tourniquet `json:"tourniquets,omitempty"`
	Borders     []Border     `json:"borders,omitempty"`
	Perfusion   *Perfusion   `json:"perfusion,omitempty"` // after release
}

// Block is the digital block of a toe.
type Block struct {
	Technique Code    `json:"technique,omitempty"` // BlockTechniqueSet
	Agents    []Agent `json:"agents,omitempty"`
	Effective Code    `json:"effective,omitempty"` // AnswerSet: effect confirmed
}

// Agent is one local anaesthetic injected: amounts as given, never as planned.
type Agent struct {
	Key             string   `json:"key,omitempty"`
	Agent           Code     `json:"agent,omitempty"`           // AnaestheticSet
	Percent         *Decimal `json:"percent,omitempty"`         // % w/v; 1 % = 10 mg/mL
	Vasoconstrictor Code     `json:"vasoconstrictor,omitempty"` // VasoconstrictorSet
	Ratio           *int64   `json:"ratio,omitempty"`           // N of 1:N, g per mL
	ML              *Decimal `json:"mL,omitempty"`
	Batch           string   `json:"batch,omitempty"`
	Expiry          *When    `json:"expiry,omitempty"`
	Site            Code     `json:"site,omitempty"` // InjectionSiteSet
	At              *When    `json:"at,omitempty"`
	Giver           *Person  `json:"giver,omitempty"`
}

// Tourniquet is one period with a tourniquet on the toe. Off absent means that
// no release was recorded, which is a red flag (D2.3), never "still on".
type Tourniquet struct {
	Key        string  `json:"key,omitempty"`
	Device     Code    `json:"device,omitempty"` // TourniquetDeviceSet
	DeviceText string  `json:"deviceText,omitempty"`
	Colour     string  `json:"colour,omitempty"`
	Size       string  `json:"size,omitempty"`
	On         *When   `json:"on,omitempty"`
	Off        *When   `json:"off,omitempty"`
	Remover    *Person `json:"remover,omitempty"`
	CountedOut Code    `json:"countedOut,omitempty"` // AnswerSet
}

// Border is one nail border, or the whole nail, and what was done to it.
type Border struct {
	Key       string   `json:"key,omitempty"`
	Border    Code     `json:"border,omitempty"`    // BorderSet: medial, lateral, whole
	Procedure Code     `json:"procedure,omitempty"` // ProcedureSet
	Outcome   Code     `json:"outcome,omitempty"`   // OutcomeSet; absent: as the surgery's
	WidthMM   *Decimal `json:"widthMm,omitempty"`
	Matrix    *Matrix  `json:"matrix,omitempty"`
	Flush     *Flush   `json:"flush,omitempty"`
}

// Matrix is the treatment of the nail matrix under a border.
type Matrix struct {
	Key            string        `json:"key,omitempty"`
	Method         Code          `json:"method,omitempty"` // MatrixMethodSet
	Agent          Code          `json:"agent,omitempty"`  // ChemicalSet
	Percent        *Decimal      `json:"percent,omitempty"`
	Batch          string        `json:"batch,omitempty"`
	Expiry         *When         `json:"expiry,omitempty"`
	Applications   []Application `json:"applications,omitempty"`
	SkinProtection Code          `json:"skinProtection,omitempty"` // AnswerSet
	Curettage      Code          `json:"curettage,omitempty"`      // AnswerSet
}

// Application is one timed application of the chemical.
type Application struct {
	Key     string   `json:"key,omitempty"`
	Seconds *Decimal `json:"seconds,omitempty"`
	At      *When    `json:"at,omitempty"`
}

// Flush is the washing out of the chemical.
type Flush struct {
	Agent Code     `json:"agent,omitempty"` // FlushSet
	ML    *Decimal `json:"mL,omitempty"`
}

// Perfusion is the toe as seen, after tourniquet release or at a review.
type Perfusion struct {
	Returned      Code     `json:"returned,omitempty"` // AnswerSet: pinked up
	RefillSeconds *Decimal `json:"refillSeconds,omitempty"`
	Colour        Code     `json:"colour,omitempty"` // ToeColourSet
	Cold          Code     `json:"cold,omitempty"`   // AnswerSet
	Numb          Code     `json:"numb,omitempty"`   // AnswerSet: still numb
	At            *When    `json:"at,omitempty"`
}

// Events are what went wrong during the sitting; "none" is an answer.
type Events struct {
	None  bool    `json:"none,omitempty"`
	Items []Event `json:"items,omitempty"`
}

// Event is one untoward event.
type Event struct {
	Key  string `json:"key,omitempty"`
	Code Code   `json:"code,omitempty"` // EventSet
	Text string `json:"text,omitempty"`
}

// PlannedReview is a review booked or proposed by a record.
type PlannedReview struct {
	Key    string  `json:"key,omitempty"`
	Step   string  `json:"step,omitempty"`   // the protocol step it books, if any
	At     *When   `json:"at,omitempty"`     // a booked date or date-time
	Booked Code    `json:"booked,omitempty"` // AnswerSet: booked, else proposed
	Mode   Code    `json:"mode,omitempty"`   // ModeSet
	With   *Person `json:"with,omitempty"`
}

// FollowUpStopped says that the follow-up was stopped clinically, with reason.
type FollowUpStopped struct {
	At     *When  `json:"at,omitempty"`
	Reason string `json:"reason,omitempty"`
}

// Review is a planned look at the toe: attended, missed, cancelled or rebooked.
type Review struct {
	Surgery     string           `json:"surgery,omitempty"`     // record id of the surgery
	Activity    string           `json:"activity,omitempty"`    // id of the activity answered (D4.1)
	Attendance  Code             `json:"attendance,omitempty"`  // AttendanceSet
	CancelledBy Code             `json:"cancelledBy,omitempty"` // CancellerSet
	Reason      string           `json:"reason,omitempty"`
	At          *When            `json:"at,omitempty"`   // of the attendance, or of the missed appointment
	Mode        Code             `json:"mode,omitempty"` // ModeSet
	Reviewer    *Person          `json:"reviewer,omitempty"`
	Toes        []ToeFindings    `json:"toes,omitempty"`
	NextReview  *PlannedReview   `json:"nextReview,omitempty"`
	Specimens   []Specimen       `json:"specimens,omitempty"`
	Antibiotics []Antibiotic     `json:"antibiotics,omitempty"`
	Footwear    Code             `json:"footwear,omitempty"` // FootwearSet
	Photos      []Photo          `json:"photos,omitempty"`
	Allergies   *Allergies       `json:"allergies,omitempty"`
	Stopped     *FollowUpStopped `json:"followUpStopped,omitempty"`
	Note        string           `json:"note,omitempty"`
}

// ToeFindings are what was found on one toe at a review or contact.
type ToeFindings struct {
	Key       string           `json:"key,omitempty"`
	Side      Code             `json:"side,omitempty"`
	Digit     Code             `json:"digit,omitempty"`
	Perfusion *Perfusion       `json:"perfusion,omitempty"`
	Pain      *int64           `json:"pain,omitempty"` // 0 to 10, verbal numeric rating
	Borders   []BorderFindings `json:"borders,omitempty"`
}

// BorderFindings are what was found at one border.
type BorderFindings struct {
	Key        string     `json:"key,omitempty"`
	Border     Code       `json:"border,omitempty"`
	WoundStage Code       `json:"woundStage,omitempty"` // WoundStageSet
	Exudate    Code       `json:"exudate,omitempty"`    // ExudateSet
	Opened     Code       `json:"opened,omitempty"`     // AnswerSet: the wound was opened on purpose
	Infection  *Infection `json:"infection,omitempty"`
	HealedOn   *When      `json:"healedOn,omitempty"`
	Regrowth   Code       `json:"regrowth,omitempty"` // RegrowthSet
	Dressing   Code       `json:"dressing,omitempty"` // DressingSet
	Discharge  *Discharge `json:"discharge,omitempty"`
}

// Infection keeps findings and the clinician's diagnosis apart: infection is
// published as a Condition only on a diagnosis.
type Infection struct {
	Findings  []Code `json:"findings,omitempty"`  // InfectionFindingSet
	Diagnosis Code   `json:"diagnosis,omitempty"` // DiagnosisSet
}

// Discharge ends the watch over a border unless it says the watch goes on.
type Discharge struct {
	At          *When  `json:"at,omitempty"`
	Reason      Code   `json:"reason,omitempty"` // DischargeReasonSet
	Text        string `json:"text,omitempty"`
	WatchGoesOn bool   `json:"watchGoesOn,omitempty"`
}

// Contact is an unplanned call or visit.
type Contact struct {
	Surgery      string           `json:"surgery,omitempty"`
	Activity     string           `json:"activity,omitempty"`
	At           *When            `json:"at,omitempty"`
	Mode         Code             `json:"mode,omitempty"` // ModeSet
	TakenBy      *Person          `json:"takenBy,omitempty"`
	Reason       Code             `json:"reason,omitempty"` // ContactReasonSet
	ReasonText   string           `json:"reasonText,omitempty"`
	Urgency      Code             `json:"urgency,omitempty"` // UrgencySet
	Advice       string           `json:"advice,omitempty"`
	SeenSameDay  Code             `json:"seenSameDay,omitempty"`    // AnswerSet
	CountsReview bool             `json:"countsAsReview,omitempty"` // D4.1
	Toes         []ToeFindings    `json:"toes,omitempty"`
	Specimens    []Specimen       `json:"specimens,omitempty"`
	Antibiotics  []Antibiotic     `json:"antibiotics,omitempty"`
	Photos       []Photo          `json:"photos,omitempty"`
	Outcome      string           `json:"outcome,omitempty"`
	NextReview   *PlannedReview   `json:"nextReview,omitempty"`
	Stopped      *FollowUpStopped `json:"followUpStopped,omitempty"`
}

// Merge says that the practice system found several numbers to be one patient's:
// the header's patient replaces those named here (D1.5). Their cases stay where
// they are.
type Merge struct {
	Replaces []Identifier `json:"replaces,omitempty"`
}

// Names are all whom a record names as a patient: the header's, and those whom
// that one replaces. What could not be read is not among them.
func (r *Record) Names() []Identifier {
	var out []Identifier
	if r.Patient != nil && r.Patient.Identifier != nil {
		out = append(out, *r.Patient.Identifier)
	}
	if r.Merge != nil {
		out = append(out, r.Merge.Replaces...)
	}
	return slices.DeleteFunc(out, func(i Identifier) bool { return i.System == "" || i.Value == "" })
}

// Case is the surgery record id of the case that the record belongs to.
func (r *Record) Case() string {
	switch {
	case r.Review != nil:
		return r.Review.Surgery
	case r.Contact != nil:
		return r.Contact.Surgery
	}
	return r.Record
}

// VisitAt is when a review or contact took place; nil for any other.
func (r *Record) VisitAt() *When {
	switch {
	case r.Review != nil:
		return r.Review.At
	case r.Contact != nil:
		return r.Contact.At
	}
	return nil
}

// SittingAt is when the sitting took place, as far as recorded.
func (s *Surgery) SittingAt() *When {
	if s.Start != nil {
		return s.Start
	}
	return s.End
}

// HappenedAt is when what a record tells of took place.
func (r *Record) HappenedAt() *When {
	if r.Surgery != nil {
		return r.Surgery.SittingAt()
	}
	return r.VisitAt()
}

// Attended is the attendance of the review. One that does not state it counts as
// attended where something was found, since somebody saw the toe; a toe that is
// only named is no finding.
func (v *Review) Attended() Code {
	if v.Attendance == "" && anyFound(v.Toes) {
		return "attended"
	}
	return v.Attendance
}

func anyFound(ts []ToeFindings) bool {
	for _, t := range ts {
		if t.Perfusion != nil && *t.Perfusion != (Perfusion{}) || t.Pain != nil {
			return true
		}
		for _, b := range t.Borders {
			b.Key, b.Border = "", ""
			if b.Infection != nil && len(b.Infection.Findings) == 0 && b.Infection.Diagnosis == "" {
				b.Infection = nil
			}
			if b != (BorderFindings{}) {
				return true
			}
		}
	}
	return false
}
