package record

// Set is a closed list of values of a Code field, each with its meaning.
type Set struct {
	Name   string
	Values []Value
}

// Value is one listed value.
type Value struct {
	Code    Code
	Display string
}

// Has reports whether c is listed.
func (s Set) Has(c Code) bool {
	for _, v := range s.Values {
		if v.Code == c {
			return true
		}
	}
	return false
}

// Display is the meaning of a listed value; of any other the code itself.
func (s Set) Display(c Code) string {
	for _, v := range s.Values {
		if v.Code == c {
			return v.Display
		}
	}
	return string(c)
}

func set(name string, pairs ...string) Set {
	s := Set{Name: name}
	for i := 0; i < len(pairs); i += 2 {
		s.Values = append(s.Values, Value{Code(pairs[i]), pairs[i+1]})
	}
	return s
}

// The closed lists. Their names are also the ids of the local code systems in
// mapping/terms wherever a value is published as a coding.
var (
	KindSet    = set("record-kind", "surgery", "Surgery sitting", "review", "Planned review", "contact", "Unplanned contact", "merge", "Merge of patient numbers")
	StatusSet  = set("record-status", "draft", "Draft", "final", "Final", "amended", "Amended", "withdrawn", "Withdrawn")
	SharingSet = set("sharing", "agreed", "Sharing with the region agreed", "declined", "Sharing with the region declined")
	AnswerSet  = set("answer", "yes", "Yes", "no", "No", "unknown", "Asked, not known")
	GenderSet  = set("gender", "male", "Male", "female", "Female", "other", "Other", "unknown", "Unknown")
	RoleSet    = set("staff-role", "podiatrist", "Podiatrist", "podiatric-surgeon", "Podiatric surgeon", "nurse", "Nurse", "foot-care-assistant", "Foot care assistant", "physician", "Physician", "clerk", "Clerk")
	OutcomeSet = set("surgery-outcome", "done", "Done", "abandoned", "Abandoned", "not-done", "Not done")

	ConditionSet   = set("indication", "ingrowing-toenail", "Ingrowing toenail", "infected-ingrowing-toenail", "Infected ingrowing toenail", "onychogryphosis", "Onychogryphosis", "involuted-nail", "Involuted (pincer) nail", "onychomycosis", "Onychomycosis", "subungual-exostosis", "Subungual exostosis", "nail-trauma", "Nail trauma", "other", "Other nail disorder")
	StageSet       = set("nail-stage", "I", "Stage I", "II", "Stage II", "IIa", "Stage IIa", "IIb", "Stage IIb", "III", "Stage III", "IV", "Stage IV")
	StageSystemSet = set("nail-stage-system", "heifetz", "Heifetz", "mozena", "Mozena", "martinez-nova", "Martínez-Nova")

	AllergyStatusSet = set("allergy-status", "none-known", "No known allergy", "present", "Allergy stated", "not-asked", "Not asked")
	AllergenSet      = set("allergen", "lidocaine", "Lidocaine", "bupivacaine", "Bupivacaine", "local-anaesthetic", "Local anaesthetic, agent not named", "mepivacaine", "Mepivacaine", "levobupivacaine", "Levobupivacaine", "prilocaine", "Prilocaine", "ropivacaine", "Ropivacaine", "articaine", "Articaine", "ester-anaesthetic", "Local anaesthetic of the ester type", "phenol", "Phenol", "chlorhexidine", "Chlorhexidine", "iodine", "Iodine compound", "latex", "Latex", "adhesive", "Adhesive plaster", "antibiotic", "Antibiotic, see text", "penicillin", "Penicillins", "other", "Other substance, see text")
	CriticalitySet   = set("criticality", "low", "Low", "high", "High", "unable-to-assess", "Unable to assess")
	WeightBasisSet   = set("weight-basis", "measured", "Measured", "stated", "Stated by the patient")

	ConsentStatusSet = set("consent-status", "given", "Given", "refused", "Refused", "withdrawn", "Withdrawn")
	ConsentGiverSet  = set("consent-giver", "patient", "The patient", "other", "Another adult for the patient")
	RelationshipSet  = set("relationship", "parent", "Parent", "guardian", "Guardian", "spouse", "Spouse or partner", "child", "Son or daughter", "attorney", "Holder of power of attorney", "other", "Other")

	CapacitySet = set("capacity", "has-capacity", "Can consent", "minor", "Minor", "lacks-capacity", "Lacks capacity to consent")

	StepStatusSet  = set("step-status", "done", "Done", "not-done", "Not done", "not-applicable", "Not applicable")
	SkinPrepSet    = set("skin-preparation", "chlorhexidine-alcohol", "Chlorhexidine in alcohol", "chlorhexidine", "Chlorhexidine in water", "povidone-iodine", "Povidone-iodine", "alcohol", "Alcohol", "other", "Other skin preparation")
	HaemostasisSet = set("haemostasis", "pressure", "Pressure", "chemical", "Chemical cautery", "electrocautery", "Electrocautery", "suture", "Suture", "none-needed", "No measure needed")
	TransportSet   = set("transport", "driven", "Driven by somebody else", "drove", "Drove", "public", "Public transport", "walked", "Walked", "patient-transport", "Patient transport service")
	FootwearSet    = set("footwear", "surgical-shoe", "Surgical shoe", "open-toed", "Open-toed shoe or sandal", "wide", "Wide shoe of the patient's own", "tight", "Tight or closed shoe", "other", "Other footwear")

	SpecimenSet      = set("specimen-kind", "wound-swab", "Wound swab", "nail", "Nail", "tissue", "Soft tissue", "bone", "Bone")
	CultureResultSet = set("specimen-result", "awaited", "Result awaited", "no-growth", "No growth", "growth", "Growth of an organism", "fungus", "Fungus found", "benign", "Benign tissue", "other", "Other result, see text")
	AntibioticSet    = set("antibiotic", "flucloxacillin", "Flucloxacillin", "cefalexin", "Cefalexin", "clindamycin", "Clindamycin", "doxycycline", "Doxycycline", "erythromycin", "Erythromycin", "co-amoxiclav", "Co-amoxiclav", "other", "Other antibiotic, see text")
	SupplierSet      = set("antibiotic-supplier", "clinic", "Supplied by the clinic", "general-practice", "Prescribed by general practice", "hospital", "Supplied by a hospital", "recommended", "Recommended, not supplied")
	PhotoFormatSet   = set("photo-format", "jpeg", "JPEG image", "png", "PNG image", "heic", "HEIC image", "dicom", "DICOM object")

	SideSet      = set("side", "left", "Left", "right", "Right")
	DigitSet     = set("digit", "1", "Hallux", "2", "Second toe", "3", "Third toe", "4", "Fourth toe", "5", "Fifth toe")
	BorderSet    = set("border", "medial", "Medial (tibial) border", "lateral", "Lateral (fibular) border", "whole", "Whole nail")
	ProcedureSet = set("nail-procedure", "partial-avulsion", "Partial nail avulsion", "total-avulsion", "Total nail avulsion", "nail-fold-wedge", "Wedge excision of nail fold", "nail-wedge", "Wedge excision of nail", "nail-and-matrix-excision", "Excision of nail and matrix")

	BlockTechniqueSet   = set("block-technique", "digital-block", "Digital block", "ring-block", "Ring block", "infiltration", "Local infiltration")
	AnaestheticSet      = set("anaesthetic", "lidocaine", "Lidocaine", "mepivacaine", "Mepivacaine", "bupivacaine", "Bupivacaine", "levobupivacaine", "Levobupivacaine", "prilocaine", "Prilocaine", "ropivacaine", "Ropivacaine", "articaine", "Articaine")
	VasoconstrictorSet  = set("vasoconstrictor", "none", "No vasoconstrictor", "adrenaline", "Adrenaline (epinephrine)")
	InjectionSiteSet    = set("injection-site", "medial", "Medial side of the toe base", "lateral", "Lateral side of the toe base", "both-sides", "Both sides of the toe base", "ring", "Around the toe base")
	TourniquetUseSet    = set("tourniquet-use", "used", "Tourniquet used", "not-used", "No tourniquet used")
	TourniquetDeviceSet = set("tourniquet-device", "digital-ring", "Digital ring tourniquet", "digital-strap", "Digital strap tourniquet", "drain-tubing", "Drain tubing", "glove", "Surgical glove", "other", "Other device, see text")

	MatrixMethodSet = set("matrix-method", "chemical-ablation", "Chemical matrix ablation", "curettage", "Matrix curettage", "excision", "Matrix excision", "none", "Matrix not treated")
	ChemicalSet     = set("chemical", "phenol", "Liquefied phenol", "sodium-hydroxide", "Sodium hydroxide", "trichloroacetic-acid", "Trichloroacetic acid")
	FlushSet        = set("flush", "isopropyl-alcohol", "Isopropyl alcohol", "ethanol", "Ethanol", "chlorhexidine-alcohol", "Chlorhexidine in alcohol", "saline", "Saline", "acetic-acid", "Acetic acid", "none", "No flush")
	DressingSet     = set("dressing", "non-adherent", "Non-adherent dressing", "paraffin-gauze", "Paraffin gauze", "pressure", "Pressure dressing", "antimicrobial", "Antimicrobial dressing", "adhesive", "Adhesive dressing", "none", "No dressing", "other", "Other dressing, see text")
	ToeColourSet    = set("toe-colour", "pink", "Pink", "pale", "Pale", "white", "White", "dusky", "Dusky", "red", "Red")
	EventSet        = set("surgery-event", "faint", "Vasovagal faint", "anaesthetic-failure", "Anaesthetic not effective", "bleeding", "Bleeding", "chemical-burn", "Chemical burn of skin", "allergic-reaction", "Allergic reaction", "anaesthetic-toxicity", "Signs of anaesthetic toxicity", "other", "Other event, see text")

	ProtocolSet = set("protocol", "partial-avulsion-chemical-ablation", "Follow-up after partial avulsion with chemical ablation", "total-avulsion-chemical-ablation", "Follow-up after total avulsion with chemical ablation",
		"avulsion-alone", "Follow-up after avulsion without matrix ablation", "high-risk-foot", "Follow-up of a high-risk foot after nail surgery")
	ModeSet       = set("contact-mode", "in-person", "In person", "telephone", "By telephone", "video", "By video")
	AttendanceSet = set("attendance", "attended", "Attended", "did-not-attend", "Did not attend", "cancelled", "Cancelled", "rebooked", "Rebooked")
	CancellerSet  = set("canceller", "patient", "By the patient", "clinic", "By the clinic")

	WoundStageSet       = set("wound-stage", "fresh", "Fresh wound", "discharging", "Wet, discharging", "granulating", "Granulating", "drying", "Drying, scab", "healed", "Healed", "over-granulating", "Over-granulating", "not-healing", "Not healing")
	ExudateSet          = set("exudate", "none", "No exudate", "serous", "Serous exudate", "blood-stained", "Blood-stained exudate", "cloudy", "Cloudy exudate", "purulent", "Purulent exudate")
	InfectionFindingSet = set("infection-finding", "none", "No sign of infection", "redness", "Redness at the border", "spreading-redness", "Spreading redness", "swelling", "Swelling", "warmth", "Warmth", "tenderness", "Pain or tenderness", "pus", "Pus", "fever", "Fever", "throbbing-pain", "Throbbing pain", "odour", "Odour", "bleeding-through", "Bleeding through the dressing")
	DiagnosisSet        = set("wound-diagnosis", "no-infection", "No infection", "wound-infection", "Postoperative wound infection", "cellulitis", "Cellulitis of toe", "abscess", "Abscess of toe", "osteomyelitis", "Osteomyelitis of the foot", "chemical-burn", "Chemical burn", "contact-dermatitis", "Contact dermatitis caused by chemical", "delayed-healing", "Non-healing surgical wound")
	RegrowthSet         = set("regrowth", "none", "No regrowth", "asymptomatic", "Regrowth without symptoms", "symptomatic", "Regrowth with symptoms")
	DischargeReasonSet  = set("discharge-reason", "healed", "Healed", "patient-choice", "At the patient's wish", "lost-to-follow-up", "Lost to follow-up", "transferred", "Care transferred", "declined", "Follow-up declined", "died", "Died", "other", "Other, see text")
	ContactReasonSet    = set("contact-reason", "pain", "Pain", "bleeding", "Bleeding", "infection-concern", "Worry about infection", "dressing", "Dressing question", "colour-or-numbness", "Colour or numbness of the toe", "appointment", "About an appointment", "other", "Other, see text")
	UrgencySet          = set("urgency", "now", "Now", "same-day", "Same day", "soon", "Within days", "routine", "Routine")
)
