package safety

import "nailbridge/mapping/record"

// FlagCode is one code that a flag of this package may have.
type FlagCode struct {
	Code    string
	Display string
	// Level is the highest level that a flag of this code has; a flag is lower
	// where its figure is not read or no patient was exposed (D2.4).
	Level record.Level
	// Red marks a red flag (D2.3); those of reviews and contacts come from the
	// record package.
	Red bool
}

// The codes of flags.
const (
	NoCeilingChosen       = "no-ceiling-chosen"
	DoseOverLimit         = "anaesthetic-over-limit"
	DoseNotComputable     = "anaesthetic-not-computable"
	LimitNotInSet         = "limit-not-in-set"
	ChildLimitNotInSet    = "child-limit-not-in-set"
	AgeNotKnown           = "age-not-known"
	AgentBelowAge         = "anaesthetic-below-age"
	Mixture               = "anaesthetic-mixture"
	MixtureOverLimit      = "anaesthetic-mixture-over-limit"
	MixtureNotComputable  = "anaesthetic-mixture-not-computable"
	RepeatedWithin24h     = "anaesthetic-repeated-within-24h"
	RepeatTimeNotKnown    = "anaesthetic-time-missing"
	OtherClinicWithin24h  = "anaesthetic-elsewhere"
	MepivacaineRepeated   = "mepivacaine-repeated-early"
	DoseOver24h           = "anaesthetic-over-24h-limit"
	AgentRepeatedEarly    = "anaesthetic-repeated-early"
	WeightNotComputable   = "weight-not-computable"
	MepivacaineStrong     = "mepivacaine-strong-for-child"
	InfantAmide           = "anaesthetic-in-infant"
	AdrenalineOverDental  = "adrenaline-over-dental-ceiling"
	AdrenalineOverLimit   = "adrenaline-over-limit"
	AdrenalineUnknown     = "adrenaline-not-computable"
	AdrenalineArterial    = "vasoconstrictor-with-risk"
	ToeVolumeLarge        = "anaesthetic-volume-high"
	ReleaseMissing        = "tourniquet-release-unrecorded"
	TimesReversed         = "tourniquet-times-reversed"
	TourniquetOverTime    = "tourniquet-over-20-min"
	TourniquetNearLimit   = "tourniquet-near-limit"
	TourniquetUnknownTime = "tourniquet-time-not-computable"
	PeriodsOverlap        = "tourniquet-periods-overlap"
	ReperfusionShort      = "reperfusion-short"
	ReperfusionNearLimit  = "reperfusion-near-limit"
	TourniquetGlove       = "tourniquet-glove"
	TourniquetColour      = "tourniquet-colour-blank"
	TourniquetUseUnknown  = "tourniquet-not-stated"
	TourniquetUseDisputed = "tourniquet-use-contradicted"
	SignOutIncomplete     = "tourniquet-sign-out-incomplete"
	DressingBeforeRelease = "dressing-before-release"
	TourniquetCaution     = "tourniquet-with-risk"
	ToeNotPerfused        = "perfusion-not-returned"
	RefillSlow            = "refill-slow"
	StrengthOutOfRange    = "chemical-strength-out-of-range"
	StrengthMissing       = "chemical-strength-missing"
	ContactShort          = "contact-time-short"
	ContactLong           = "contact-time-long"
	ContactOutOfRange     = "contact-time-out-of-range"
	ContactNotComputable  = "contact-time-missing"
	FlushMismatch         = "flush-acetic-acid-with-phenol"
	NeutraliserMissing    = "neutraliser-missing"
	PhenolInPregnancy     = "pregnant-with-phenol"
	SkinNotProtected      = "skin-not-protected"
	VapourLong            = "phenol-vapour-long"
	ToeDusky              = "toe-dusky"
	ToeWhite              = "toe-white"
	ToeCold               = "toe-cold"

	AnaestheticAllergy     = "anaesthetic-allergy"
	ChemicalAllergy        = "chemical-allergy"
	FlushAllergy           = "flush-allergy"
	SkinPreparationAllergy = "skin-preparation-allergy"
	DressingAllergy        = "dressing-allergy"
	LatexAllergy           = "latex-allergy"
	AntibioticAllergy      = "antibiotic-allergy"
	AllergyInWords         = "allergy-in-words"
	PhenolWithRisk         = "phenol-with-risk"
	TourniquetOverLocal    = "tourniquet-over-local-limit"
	SiteCheckMissing       = "site-check-missing"
	SiteCheckAfterInject   = "site-check-after-injection"
	SiteCheckAfterCut      = "site-check-after-cut"
	SiteCheckUntimed       = "site-check-untimed"
	TimesOutOfOrder        = "times-out-of-order"
	ConsentMismatch        = "consent-mismatch"
	ConsentIncomplete      = "consent-incomplete"
	ConsentRefused         = "consent-refused"
	ConsentWithdrawn       = "consent-withdrawn"
	ConsentGiverMissing    = "consent-giver-missing"
	AgentExpired           = "agent-expired"
	IndexAbnormal          = "ankle-index-abnormal"
	IndexBorderline        = "ankle-index-borderline"
	IndexNonCompressible   = "ankle-index-non-compressible"
	ToeIndexAbnormal       = "toe-index-abnormal"
	IschaemiaGraded        = "ischaemia-graded"
	FootRiskIWGDF          = "foot-risk-iwgdf"
	FootRiskUK             = "foot-risk-uk"
	FootRiskRecheck        = "foot-risk-recheck"
	FootRiskUnknown        = "foot-risk-not-computable"
	StageOfOtherSystem     = "stage-of-other-system"
)

// FlagCodes lists every code of a flag of this package, with its meaning.
var FlagCodes = []FlagCode{
	{NoCeilingChosen, "No ceiling chosen", record.LevelWarning, false},
	{DoseOverLimit, "Dose of local anaesthetic over the limit", record.LevelCritical, false},
	{DoseNotComputable, "Dose of local anaesthetic not computable", record.LevelWarning, false},
	{LimitNotInSet, "The chosen set has no limit for the agent", record.LevelNote, false},
	{ChildLimitNotInSet, "The chosen set has no limit for the age", record.LevelNote, false},
	{AgeNotKnown, "Age not known, limit for adults used", record.LevelNote, false},
	{AgentBelowAge, "Agent not advised at the age", record.LevelWarning, false},
	{Mixture, "More than one local anaesthetic", record.LevelNote, false},
	{MixtureOverLimit, "Mixture of local anaesthetics over the limit", record.LevelCritical, false},
	{MixtureNotComputable, "Mixture of local anaesthetics not computable", record.LevelNote, false},
	{RepeatedWithin24h, "Local anaesthetic repeated within 24 hours", record.LevelWarning, false},
	{RepeatTimeNotKnown, "Time of local anaesthetic not known", record.LevelWarning, false},
	{OtherClinicWithin24h, "Local anaesthetic at another clinic within 24 hours", record.LevelWarning, false},
	{MepivacaineRepeated, "Mepivacaine repeated within 90 minutes", record.LevelNote, false},
	{DoseOver24h, "Local anaesthetic over the limit in 24 hours", record.LevelCritical, false},
	{AgentRepeatedEarly, "Local anaesthetic repeated within its least interval", record.LevelWarning, false},
	{WeightNotComputable, "Weight by the clinic's convention not computable", record.LevelNote, false},
	{MepivacaineStrong, "Mepivacaine strong for a small child", record.LevelNote, false},
	{InfantAmide, "Local anaesthetic in an infant", record.LevelNote, false},
	{AdrenalineOverDental, "Adrenaline over the ceiling of dental teaching", record.LevelWarning, false},
	{AdrenalineOverLimit, "Adrenaline over the limit", record.LevelCritical, false},
	{AdrenalineUnknown, "Adrenaline not computable", record.LevelNote, false},
	{AdrenalineArterial, "Adrenaline in a toe with arterial risk", record.LevelWarning, false},
	{ToeVolumeLarge, "Large volume for one toe", record.LevelNote, false},
	{ReleaseMissing, "No tourniquet release recorded", record.LevelCritical, true},
	{TimesReversed, "Tourniquet release before its application", record.LevelCritical, false},
	{TourniquetOverTime, "Tourniquet over 20 minutes", record.LevelWarning, false},
	{TourniquetNearLimit, "Tourniquet time within one minute of the limit", record.LevelNote, false},
	{TourniquetUnknownTime, "Tourniquet time not computable", record.LevelWarning, false},
	{PeriodsOverlap, "Tourniquet periods overlap", record.LevelWarning, false},
	{ReperfusionShort, "Reperfusion under 3 minutes between tourniquets", record.LevelWarning, false},
	{ReperfusionNearLimit, "Reperfusion within one minute of the limit", record.LevelNote, false},
	{TourniquetGlove, "Surgical glove used as tourniquet", record.LevelCritical, false},
	{TourniquetColour, "Tourniquet colour not recorded", record.LevelWarning, false},
	{TourniquetUseUnknown, "Use of a tourniquet not recorded", record.LevelNote, false},
	{TourniquetUseDisputed, "Tourniquet not used, yet a period recorded", record.LevelWarning, false},
	{SignOutIncomplete, "Tourniquet sign-out incomplete", record.LevelWarning, false},
	{DressingBeforeRelease, "Dressing visit before tourniquet release", record.LevelCritical, false},
	{TourniquetCaution, "Tourniquet on a toe with arterial risk", record.LevelNote, false},
	{ToeNotPerfused, "Toe not perfused after release", record.LevelCritical, false},
	{RefillSlow, "Capillary refill slow", record.LevelNote, false},
	{StrengthOutOfRange, "Strength of the chemical out of range", record.LevelWarning, false},
	{StrengthMissing, "Strength of the chemical not recorded", record.LevelNote, false},
	{ContactShort, "Contact time of the chemical short", record.LevelWarning, false},
	{ContactLong, "Contact time of the chemical long", record.LevelNote, false},
	{ContactOutOfRange, "Contact time of the chemical out of range", record.LevelWarning, false},
	{ContactNotComputable, "Contact time of the chemical not computable", record.LevelNote, false},
	{FlushMismatch, "Acetic acid flush after phenol", record.LevelWarning, false},
	{NeutraliserMissing, "No neutraliser after sodium hydroxide", record.LevelNote, false},
	{PhenolInPregnancy, "Phenol in pregnancy", record.LevelCritical, false},
	{SkinNotProtected, "Skin not protected from the chemical", record.LevelNote, false},
	{VapourLong, "Phenol open for longer than its vapour was studied", record.LevelNote, false},
	{ToeDusky, "Dusky toe", record.LevelCritical, true},
	{ToeWhite, "White toe", record.LevelCritical, true},
	{ToeCold, "Cold toe", record.LevelCritical, true},

	{AnaestheticAllergy, "Local anaesthetic given although an allergy is stated", record.LevelCritical, false},
	{ChemicalAllergy, "Chemical used although an allergy is stated", record.LevelCritical, false},
	{FlushAllergy, "Flush used although an allergy is stated", record.LevelCritical, false},
	{SkinPreparationAllergy, "Skin preparation used although an allergy is stated", record.LevelCritical, false},
	{DressingAllergy, "Dressing used although an allergy is stated", record.LevelWarning, false},
	{LatexAllergy, "Latex possible although an allergy is stated", record.LevelWarning, false},
	{AntibioticAllergy, "Antibiotic although an allergy is stated", record.LevelCritical, false},
	{AllergyInWords, "Allergy not checked against what was used", record.LevelNote, false},
	{PhenolWithRisk, "Phenol used in spite of a risk", record.LevelWarning, false},
	{TourniquetOverLocal, "Tourniquet over the clinic's own limit for a toe at risk", record.LevelWarning, false},
	{SiteCheckMissing, "No site check recorded", record.LevelCritical, false},
	{SiteCheckAfterInject, "Site check after the first injection", record.LevelCritical, false},
	{SiteCheckAfterCut, "Site check after the first cut", record.LevelCritical, false},
	{SiteCheckUntimed, "Time of the site check not known", record.LevelNote, false},
	{TimesOutOfOrder, "Times out of order", record.LevelWarning, false},
	{ConsentMismatch, "Act not covered by the consent", record.LevelCritical, false},
	{ConsentIncomplete, "Consent names no toe, border or procedure", record.LevelNote, false},
	{ConsentRefused, "Operated although consent was refused", record.LevelCritical, false},
	{ConsentWithdrawn, "Operated although consent was withdrawn", record.LevelCritical, false},
	{ConsentGiverMissing, "Giver of the consent not recorded", record.LevelWarning, false},
	{AgentExpired, "Agent past its expiry date", record.LevelWarning, false},
	{IndexAbnormal, "Ankle-brachial index abnormal", record.LevelWarning, false},
	{IndexBorderline, "Ankle-brachial index borderline", record.LevelNote, false},
	{IndexNonCompressible, "Ankle arteries non-compressible", record.LevelNote, false},
	{ToeIndexAbnormal, "Toe-brachial index abnormal", record.LevelWarning, false},
	{IschaemiaGraded, "Grade of ischaemia", record.LevelWarning, false},
	{FootRiskIWGDF, "Risk of the diabetic foot by IWGDF", record.LevelNote, false},
	{FootRiskUK, "Risk of the diabetic foot, UK classes", record.LevelNote, false},
	{FootRiskRecheck, "Recheck sensation and circulation of the foot", record.LevelNote, false},
	{FootRiskUnknown, "Risk of the diabetic foot not computable", record.LevelNote, false},
	{StageOfOtherSystem, "Stage is none of the system named", record.LevelWarning, false},
}

// FigureCode is one code that a figure of this package may have.
type FigureCode struct {
	Code    string
	Display string
	Unit    string // UCUM
}

// The codes of figures.
const (
	DoseMass          = "anaesthetic-mass"     // of one injection
	DoseTotal         = "anaesthetic-mass-24h" // of one agent: the visit and this clinic's 24 h before
	DosePerKg         = "dose-per-kg"          // total over recorded weight
	DosePercent       = "percent-of-limit"     // total over limit
	DoseRemaining     = "dose-remaining"       // limit less total, never under 0
	DoseMaxVolume     = "dose-max-volume"      // limit as volume of the solution used
	AdrenalineMass    = "adrenaline-mass"      // of one injection
	AdrenalineToe     = "adrenaline-mass-toe"  // of one toe
	AdrenalineTotal   = "adrenaline-mass-24h"
	MixtureFraction   = "limit-fraction-sum"
	TourniquetMinutes = "tourniquet-time"
	TourniquetTotal   = "tourniquet-time-total" // of one toe, overlaps once
	ReperfusionTime   = "reperfusion-time"
	ContactSeconds    = "contact-time-total"
	AnkleIndex        = "ankle-brachial-index-computed"
	ToeIndex          = "toe-brachial-index"
	IschaemiaGrade    = "ischaemia-grade"
	IWGDFCategory     = "iwgdf-category"
)

// FigureCodes lists every code of a figure of this package.
var FigureCodes = []FigureCode{
	{DoseMass, "Mass of local anaesthetic injected", "mg"},
	{DoseTotal, "Total mass of local anaesthetic", "mg"},
	{DosePerKg, "Total local anaesthetic per body weight", "mg/kg"},
	{DosePercent, "Local anaesthetic as percentage of the limit", "%"},
	{DoseRemaining, "Local anaesthetic left under the limit", "mg"},
	{DoseMaxVolume, "Greatest volume of the solution under the limit", "mL"},
	{AdrenalineMass, "Mass of adrenaline injected", "ug"},
	{AdrenalineToe, "Mass of adrenaline injected in the toe", "ug"},
	{AdrenalineTotal, "Total mass of adrenaline", "ug"},
	{MixtureFraction, "Sum of the fractions of the limits", "1"},
	{TourniquetMinutes, "Tourniquet time", "min"},
	{TourniquetTotal, "Tourniquet time of the toe, all periods", "min"},
	{ReperfusionTime, "Time between two tourniquet periods", "min"},
	{ContactSeconds, "Total contact time of the chemical", "s"},
	{AnkleIndex, "Ankle-brachial pressure index, computed", "1"},
	{ToeIndex, "Toe-brachial pressure index", "1"},
	{IschaemiaGrade, "Grade of ischaemia, 0 to 3", "1"},
	{IWGDFCategory, "Risk category of the diabetic foot by IWGDF, 0 to 3", "1"},
}
