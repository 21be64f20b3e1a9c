package record

// Measurements are the patient's, taken for the sitting.
type Measurements struct {
	HeightCm      *Decimal `json:"heightCm,omitempty"`
	GlucoseMmolL  *Decimal `json:"glucoseMmolPerL,omitempty"`
	SystolicMmHg  *Decimal `json:"systolicMmHg,omitempty"` // blood pressure at the arm
	DiastolicMmHg *Decimal `json:"diastolicMmHg,omitempty"`
	At            *When    `json:"at,omitempty"`
}

// Vascular is the assessment of the circulation of the legs: systolic pressures
// in mm[Hg] and pulses.
type Vascular struct {
	LeftArmMmHg  *Decimal `json:"leftArmMmHg,omitempty"`
	RightArmMmHg *Decimal `json:"rightArmMmHg,omitempty"`
	Legs         []Leg    `json:"legs,omitempty"`
	At           *When    `json:"at,omitempty"`
}

// Leg is one leg of a vascular assessment.
type Leg struct {
	Side          Code     `json:"side,omitempty"` // SideSet
	DorsalisMmHg  *Decimal `json:"dorsalisPedisMmHg,omitempty"`
	TibialMmHg    *Decimal `json:"posteriorTibialMmHg,omitempty"`
	ToeMmHg       *Decimal `json:"toeMmHg,omitempty"`
	DorsalisPulse Code     `json:"dorsalisPedisPulse,omitempty"` // AnswerSet: felt
	TibialPulse   Code     `json:"posteriorTibialPulse,omitempty"`
	RefillSeconds *Decimal `json:"refillSeconds,omitempty"`
}

// Interpreter says whether somebody interpreted, and into which language.
type Interpreter struct {
	Used     Code   `json:"used,omitempty"` // AnswerSet
	Language string `json:"language,omitempty"`
}

// Step is a step of the surgical checklist, or the marking of the site: done or
// not, when, and by whom. A step may not apply and says so.
type Step struct {
	Status Code    `json:"status,omitempty"` // StepStatusSet
	At     *When   `json:"at,omitempty"`
	By     *Person `json:"by,omitempty"`
}

// Instruments are what the sitting was done with: a sterilised set by its
// tracking number, or single-use instruments by their lot.
type Instruments struct {
	SterileSet   string `json:"sterileSet,omitempty"`
	SingleUseLot string `json:"singleUseLot,omitempty"`
}

// Counts say whether what was counted at the end was complete.
type Counts struct {
	Swabs  Code `json:"swabs,omitempty"` // AnswerSet
	Sharps Code `json:"sharps,omitempty"`
}

// Advice is what the patient was told to do and to watch for.
type Advice struct {
	Given   Code   `json:"given,omitempty"`   // AnswerSet
	Written Code   `json:"written,omitempty"` // AnswerSet: on paper too
	Text    string `json:"text,omitempty"`
}

// Home is the way home: who came along, how, in which shoes, and with what.
type Home struct {
	Escort    Code   `json:"escort,omitempty"`    // AnswerSet
	Transport Code   `json:"transport,omitempty"` // TransportSet
	Footwear  Code   `json:"footwear,omitempty"`  // FootwearSet
	Kit       Code   `json:"kit,omitempty"`       // AnswerSet: dressings given along
	KitText   string `json:"kitText,omitempty"`
	// Contact is whom to call when there is trouble, as told to the patient.
	Contact string `json:"contactForTrouble,omitempty"`
}

// Specimen is tissue or a swab that was sent, with its result once known.
type Specimen struct {
	Key       string `json:"key,omitempty"`
	Kind      Code   `json:"kind,omitempty"`   // SpecimenSet
	Side      Code   `json:"side,omitempty"`   // SideSet
	Digit     Code   `json:"digit,omitempty"`  // DigitSet
	Border    Code   `json:"border,omitempty"` // BorderSet
	At        *When  `json:"at,omitempty"`
	LabNumber string `json:"labNumber,omitempty"`
	Result    Code   `json:"result,omitempty"` // CultureResultSet
	// ResultText is the result in words, such as the organism grown.
	ResultText string `json:"resultText,omitempty"`
}

// Antibiotic is an antibiotic supplied or recommended for the patient.
type Antibiotic struct {
	Key      string   `json:"key,omitempty"`
	Agent    Code     `json:"agent,omitempty"` // AntibioticSet
	Text     string   `json:"text,omitempty"`
	Supplier Code     `json:"supplier,omitempty"` // SupplierSet
	DoseMg   *Decimal `json:"doseMg,omitempty"`
	PerDay   *int64   `json:"timesPerDay,omitempty"`
	Days     *int64   `json:"days,omitempty"`
	From     *When    `json:"from,omitempty"`
}

// Photo is a picture kept at the clinic. It is told of outside only where the
// patient consented to that (D3.2).
type Photo struct {
	Key     string `json:"key,omitempty"`
	Consent Code   `json:"consent,omitempty"` // SharingSet
	Side    Code   `json:"side,omitempty"`
	Digit   Code   `json:"digit,omitempty"`
	At      *When  `json:"at,omitempty"`
	Format  Code   `json:"format,omitempty"` // PhotoFormatSet
	Title   string `json:"title,omitempty"`
}
