package record

// sittingFields document what a sitting records beside the toes: examination,
// checklist, and the way home.
var sittingFields = map[string]field{
	"Measurements.heightCm":        {unit: "cm", desc: "body height", least: "0", above: true, usual: "230"},
	"Measurements.glucoseMmolPerL": {unit: "mmol/L", desc: "blood glucose", least: "0", usual: "50"},
	"Measurements.systolicMmHg":    {unit: "mm[Hg]", desc: "systolic blood pressure at the arm", least: "0", above: true, usual: "300"},
	"Measurements.diastolicMmHg":   {unit: "mm[Hg]", desc: "diastolic blood pressure at the arm", least: "0", usual: "200"},
	"Measurements.at":              {desc: "when they were taken"},

	"Vascular.leftArmMmHg":  {unit: "mm[Hg]", desc: "systolic pressure at the left arm", least: "0", above: true, usual: "300"},
	"Vascular.rightArmMmHg": {unit: "mm[Hg]", desc: "systolic pressure at the right arm", least: "0", above: true, usual: "300"},
	"Vascular.legs":         {desc: "the legs, one item each"},
	"Vascular.at":           {desc: "when the circulation was assessed"},

	"Leg.side":                 {set: &SideSet, desc: "which leg", expected: true},
	"Leg.dorsalisPedisMmHg":    {unit: "mm[Hg]", desc: "systolic pressure at the dorsalis pedis artery", least: "0", usual: "400"},
	"Leg.posteriorTibialMmHg":  {unit: "mm[Hg]", desc: "systolic pressure at the posterior tibial artery", least: "0", usual: "400"},
	"Leg.toeMmHg":              {unit: "mm[Hg]", desc: "systolic pressure at the great toe", least: "0", usual: "300"},
	"Leg.dorsalisPedisPulse":   {set: &AnswerSet, desc: "whether the dorsalis pedis pulse was felt"},
	"Leg.posteriorTibialPulse": {set: &AnswerSet, desc: "whether the posterior tibial pulse was felt"},
	"Leg.refillSeconds":        {unit: "s", desc: "capillary refill time at the foot", least: "0", usual: "60"},

	"Interpreter.used":     {set: &AnswerSet, desc: "whether somebody interpreted", expected: true},
	"Interpreter.language": {desc: "language interpreted into"},

	"Step.status": {set: &StepStatusSet, desc: "done, not done, or not applicable", expected: true},
	"Step.at":     {desc: "when", expected: true},
	"Step.by":     {desc: "who led it", expected: true},

	"Instruments.sterileSet":   {desc: "tracking number of the sterilised set", form: itemID},
	"Instruments.singleUseLot": {desc: "lot of the single-use instruments", form: itemID},

	"Counts.swabs":  {set: &AnswerSet, desc: "whether the swabs were complete", expected: true},
	"Counts.sharps": {set: &AnswerSet, desc: "whether the sharps were complete", expected: true},

	"Advice.given":   {set: &AnswerSet, desc: "whether advice was given", expected: true},
	"Advice.written": {set: &AnswerSet, desc: "whether it was given on paper too"},
	"Advice.text":    {desc: "the advice in words"},

	"Home.escort":            {set: &AnswerSet, desc: "whether somebody took the patient home"},
	"Home.transport":         {set: &TransportSet, desc: "how the patient went home"},
	"Home.footwear":          {set: &FootwearSet, desc: "shoes that the patient left in"},
	"Home.kit":               {set: &AnswerSet, desc: "whether dressings were given along"},
	"Home.kitText":           {desc: "what was given along"},
	"Home.contactForTrouble": {desc: "whom to call when there is trouble, as the patient was told", expected: true},
}

// sentFields document what a sitting, a review and a contact share: specimens,
// antibiotics and pictures.
var sentFields = map[string]field{
	"Specimen.key":        {desc: "the sender's stable key of the specimen", form: itemID},
	"Specimen.kind":       {set: &SpecimenSet, desc: "what was sent", expected: true},
	"Specimen.side":       {set: &SideSet, desc: "side of the body"},
	"Specimen.digit":      {set: &DigitSet, desc: "toe, 1 hallux to 5"},
	"Specimen.border":     {set: &BorderSet, desc: "border of the nail, or the whole nail"},
	"Specimen.at":         {desc: "when it was taken", expected: true},
	"Specimen.labNumber":  {desc: "number that the laboratory gave it", form: itemID},
	"Specimen.result":     {set: &CultureResultSet, desc: "result of culture or examination"},
	"Specimen.resultText": {desc: "the result in words, such as the organism grown"},

	"Antibiotic.key":         {desc: "the sender's stable key of the antibiotic", form: itemID},
	"Antibiotic.agent":       {set: &AntibioticSet, desc: "the antibiotic", expected: true},
	"Antibiotic.text":        {desc: "the antibiotic in words"},
	"Antibiotic.supplier":    {set: &SupplierSet, desc: "who supplied it", expected: true},
	"Antibiotic.doseMg":      {unit: "mg", desc: "single dose", class: critical, least: "0", above: true, usual: "4000"},
	"Antibiotic.timesPerDay": {unit: "1", desc: "doses a day", least: "1", most: "24"},
	"Antibiotic.days":        {unit: "d", desc: "days to take it", least: "1", most: "366"},
	"Antibiotic.from":        {desc: "first day of taking it"},

	"Photo.key":     {desc: "the sender's stable key of the picture", form: itemID},
	"Photo.consent": {set: &SharingSet, desc: "whether the patient agreed that the picture is told of outside the clinic; unless agreed it is kept and never leaves", expected: true},
	"Photo.side":    {set: &SideSet, desc: "side of the body"},
	"Photo.digit":   {set: &DigitSet, desc: "toe, 1 hallux to 5"},
	"Photo.at":      {desc: "when it was taken"},
	"Photo.format":  {set: &PhotoFormatSet, desc: "format of the file"},
	"Photo.title":   {desc: "title of the picture"},
}
