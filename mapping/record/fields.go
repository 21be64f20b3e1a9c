package record

// class says what D2.1 does with a field that is absent or unreadable.
type class uint8

const (
	// ordinary: unreadable is kept as sent and flagged.
	ordinary class = iota
	// critical: unreadable refuses the record; absent does not.
	critical
	// identity: missing or unreadable refuses the record.
	identity
)

// form is the form that a string must have.
type form uint8

const (
	freeText  form = iota
	itemID         // an id or key: no blanks around it, no control characters, at most 255 characters
	systemURI      // an absolute URI
)

// field documents one member of one type: its set where it is a code, its
// unit, its description, and what D2.1 makes of it.
type field struct {
	set   *Set
	unit  string // UCUM, "" where there is none
	desc  string
	class class
	// expected: absent is noted where the parent is present.
	expected bool
	form     form
	// least and most bound a number; outside, it is impossible and not read.
	// "" is no bound; above means that least itself is impossible too.
	least, most string
	above       bool
	// usual is the greatest number that is not flagged as implausible. These
	// bounds are common practice, without source, and change no value.
	usual string
	// partial: naturally less than a full date, in a live record too.
	partial bool
	// ahead: a date that lies ahead of the record by its nature, or says nothing
	// of the patient.
	ahead bool
}

// places gives the class of fields that identify in one place only. All other
// fields have the class of their type's entry in fields.
var places = map[string]class{
	"/author":                     identity, // a registration or a staff key, see Check; of a live record
	"/author/registration":        critical,
	"/author/registration/system": critical,
	"/author/registration/value":  critical,
	"/author/staffKey":            critical,
	"/patient":                    identity,
	"/patient/identifier":         identity,
	"/patient/identifier/system":  identity,
	"/patient/identifier/value":   identity,
	"/merge/replaces/*/system":    identity,
	"/merge/replaces/*/value":     identity,
}

// fields has an entry for each member of each type, as "Type.member". A test
// holds it equal to the types.
var fields = merge(headerFields, surgeryFields, sittingFields, toeFields, sentFields, followUpFields)

func merge(tables ...map[string]field) map[string]field {
	all := map[string]field{}
	for _, t := range tables {
		for k, f := range t {
			all[k] = f
		}
	}
	return all
}

var headerFields = map[string]field{
	"Record.schemaVersion":    {desc: "version of the record format that the sender wrote"},
	"Record.clinic":           {desc: "the clinic that saved the record, by the id the bridge knows it by", class: identity, form: itemID},
	"Record.record":           {desc: "record id, unique within the clinic and the same through all revisions", class: identity, form: itemID},
	"Record.revision":         {desc: "revision counter of the record; with it, the greatest revision counts. Absent where the sender keeps none; then savedAt decides", least: "0", most: maxSafeInteger},
	"Record.savedAt":          {desc: "when the practice system saved this content", ahead: true},
	"Record.kind":             {set: &KindSet, desc: "which of the four trees the record has", class: identity},
	"Record.status":           {set: &StatusSet, desc: "whether the content is a draft, final, an amendment, or withdrawn", class: identity},
	"Record.historical":       {desc: "true for a record converted from old data; its dates may be partial, and its plan is not followed here unless followed says so"},
	"Record.followed":         {desc: "true for a historical surgery whose reviews are still to come: its plan is followed here like any other"},
	"Record.converted":        {desc: "which old row the record was made of; no part of the content, so that the same content of another row is the same"},
	"Record.author":           {desc: "who wrote the content; a registration or a staff key is needed. A historical record may have none: then the clinic is its author"},
	"Record.patient":          {desc: "who was treated, as this record states it"},
	"Record.sharing":          {set: &SharingSet, desc: "the patient's word on sharing with the region; absent never overrides an earlier word, and a value that cannot be read means not shared until a readable one comes"},
	"Record.safeguardingNote": {desc: "a concern for the patient's safety; kept, and never leaves the clinic"},
	"Record.withheldNote":     {desc: "what the patient does not want to be known outside the clinic; kept, and never leaves the clinic"},
	"Record.surgery":          {desc: "the sitting, in a record of kind surgery"},
	"Record.review":           {desc: "the review, in a record of kind review"},
	"Record.contact":          {desc: "the contact, in a record of kind contact"},
	"Record.merge":            {desc: "the merge, in a record of kind merge"},

	"Converted.file":      {desc: "name of the file of old records, with the sheet of a workbook"},
	"Converted.row":       {desc: "number of the row, from 1, the header being a row too", least: "1", most: maxSafeInteger},
	"Converted.layout":    {desc: "the layout by which the row was read, with its version"},
	"Converted.decidedBy": {desc: "the people who decided what doubtful words of the row mean"},

	"Merge.replaces": {desc: "the numbers of the same person that the header's patient replaces; their cases stay under them", class: identity},

	"Identifier.system": {desc: "absolute URI of the authority that gives the numbers", form: systemURI},
	"Identifier.value":  {desc: "the number itself", form: itemID},

	"Person.registration": {desc: "number in a professional register"},
	"Person.staffKey":     {desc: "the clinic's own key for the member of staff", form: itemID},
	"Person.name":         {desc: "name of the member of staff"},
	"Person.role":         {set: &RoleSet, desc: "role in which the person acted"},

	"Name.family": {desc: "family name"},
	"Name.given":  {desc: "given names, in order"},
	"Name.prefix": {desc: "title before the name"},

	"Patient.identifier":  {desc: "the patient's number"},
	"Patient.name":        {desc: "the patient's name"},
	"Patient.birthDate":   {desc: "date of birth", partial: true},
	"Patient.deathDate":   {desc: "date of death, where the patient has died", partial: true},
	"Patient.gender":      {set: &GenderSet, desc: "administrative gender"},
	"Patient.phone":       {desc: "telephone number"},
	"Patient.addressLine": {desc: "street address"},
	"Patient.city":        {desc: "town or city"},
	"Patient.postalCode":  {desc: "postal code"},
}

var surgeryFields = map[string]field{
	"Surgery.outcome":         {set: &OutcomeSet, desc: "whether the surgery was done, abandoned, or not done", expected: true},
	"Surgery.outcomeReason":   {desc: "why it was abandoned or not done"},
	"Surgery.start":           {desc: "start of the sitting", expected: true},
	"Surgery.end":             {desc: "end of the sitting"},
	"Surgery.incision":        {desc: "the first cut"},
	"Surgery.operator":        {desc: "who operated", expected: true},
	"Surgery.assistant":       {desc: "who assisted"},
	"Surgery.chaperone":       {desc: "who was there as chaperone"},
	"Surgery.measurements":    {desc: "height, blood glucose and blood pressure, where taken"},
	"Surgery.vascular":        {desc: "pressures and pulses of the legs, where taken"},
	"Surgery.letter":          {set: &SharingSet, desc: "the patient's word on a letter to other carers; declined, no letter is made", expected: true},
	"Surgery.interpreter":     {desc: "whether somebody interpreted"},
	"Surgery.marking":         {desc: "marking of the operation site", expected: true},
	"Surgery.signIn":          {desc: "sign-in of the surgical checklist, before the anaesthetic", expected: true},
	"Surgery.timeOut":         {desc: "time-out of the surgical checklist, before the first cut", expected: true},
	"Surgery.signOut":         {desc: "sign-out of the surgical checklist, before the patient leaves", expected: true},
	"Surgery.skinPreparation": {set: &SkinPrepSet, desc: "what the skin was prepared with"},
	"Surgery.instruments":     {desc: "sterilised set, or lot of single-use instruments", expected: true},
	"Surgery.counts":          {desc: "whether swabs and sharps were complete at the end", expected: true},
	"Surgery.tissueSent":      {set: &AnswerSet, desc: "whether tissue was sent for examination", expected: true},
	"Surgery.specimens":       {desc: "specimens sent, with their results"},
	"Surgery.haemostasis":     {set: &HaemostasisSet, desc: "how bleeding was stopped", expected: true},
	"Surgery.antibiotics":     {desc: "antibiotics supplied or recommended"},
	"Surgery.advice":          {desc: "advice on care at home and on what to watch for", expected: true},
	"Surgery.home":            {desc: "the way home, and what the patient took along", expected: true},
	"Surgery.photos":          {desc: "pictures taken"},
	"Surgery.indication":      {desc: "why the toe was operated on", expected: true},
	"Surgery.risks":           {desc: "answers to the risk questions", expected: true},
	"Surgery.allergies":       {desc: "the allergy statement of the sitting", expected: true},
	"Surgery.weight":          {desc: "body weight used for dose limits", expected: true},
	"Surgery.consent":         {desc: "consent to the procedure", expected: true},
	"Surgery.toes":            {desc: "the toes operated on, each with block, tourniquet and borders", expected: true},
	"Surgery.dressing":        {set: &DressingSet, desc: "dressing put on at the end", expected: true},
	"Surgery.dressingText":    {desc: "the dressing in words"},
	"Surgery.events":          {desc: "untoward events of the sitting, or the answer that there were none", expected: true},
	"Surgery.protocol":        {set: &ProtocolSet, desc: "follow-up protocol named for the case"},
	"Surgery.plannedReviews":  {desc: "reviews booked or proposed"},
	"Surgery.followUpStopped": {desc: "that the follow-up was stopped clinically"},
	"Surgery.note":            {desc: "free note of the operator"},

	"Indication.condition":      {set: &ConditionSet, desc: "the nail disorder", expected: true},
	"Indication.stage":          {set: &StageSet, desc: "stage of the ingrowing nail, of any of the systems", expected: true},
	"Indication.stageSystem":    {set: &StageSystemSet, desc: "the staging system used", expected: true},
	"Indication.since":          {desc: "since when the patient has had the complaint", partial: true},
	"Indication.earlierSurgery": {set: &AnswerSet, desc: "whether this nail was operated on before"},
	"Indication.text":           {desc: "the indication in words"},

	"Risks.pregnant":                  {set: &AnswerSet, desc: "pregnant", expected: true},
	"Risks.diabetes":                  {set: &AnswerSet, desc: "diabetes", expected: true},
	"Risks.arterialDisease":           {set: &AnswerSet, desc: "peripheral arterial disease", expected: true},
	"Risks.raynaud":                   {set: &AnswerSet, desc: "Raynaud's phenomenon", expected: true},
	"Risks.neuropathy":                {set: &AnswerSet, desc: "neuropathy of the feet", expected: true},
	"Risks.anticoagulant":             {set: &AnswerSet, desc: "takes an anticoagulant", expected: true},
	"Risks.immuneSuppression":         {set: &AnswerSet, desc: "immune suppression", expected: true},
	"Risks.cardiacDisease":            {set: &AnswerSet, desc: "significant cardiac disease", expected: true},
	"Risks.liverDisease":              {set: &AnswerSet, desc: "liver disease", expected: true},
	"Risks.lactating":                 {set: &AnswerSet, desc: "breast-feeding", expected: true},
	"Risks.sickleCell":                {set: &AnswerSet, desc: "sickle cell disease", expected: true},
	"Risks.bypass":                    {set: &AnswerSet, desc: "earlier bypass or other revascularisation of the leg", expected: true},
	"Risks.renalReplacement":          {set: &AnswerSet, desc: "dialysis, kidney transplant or end-stage renal disease", expected: true},
	"Risks.earlierUlcer":              {set: &AnswerSet, desc: "foot ulcer earlier", expected: true},
	"Risks.earlierAmputation":         {set: &AnswerSet, desc: "amputation at a leg or foot earlier", expected: true},
	"Risks.deformity":                 {set: &AnswerSet, desc: "deformity of the foot", expected: true},
	"Risks.callus":                    {set: &AnswerSet, desc: "callus under pressure", expected: true},
	"Risks.activeFootProblem":         {set: &AnswerSet, desc: "ulcer, gangrene or suspected Charcot foot now", expected: true},
	"Risks.spreadingInfection":        {set: &AnswerSet, desc: "infection spreading at the foot now", expected: true},
	"Risks.overrideReason":            {desc: "why the clinician went on in spite of a risk"},
	"Risks.ankleBrachialIndex":        {desc: "ankle brachial pressure index of the operated leg", unit: "1", least: "0", usual: "3"},
	"Risks.otherAnaestheticWithin24h": {set: &AnswerSet, desc: "whether another clinic gave local anaesthetic in the 24 h before", expected: true},

	"Allergies.status": {set: &AllergyStatusSet, desc: "none known, stated, or not asked", expected: true},
	"Allergies.items":  {desc: "the allergies stated or refuted"},

	"Allergy.key":         {desc: "the sender's stable key of the allergy", form: itemID},
	"Allergy.substance":   {set: &AllergenSet, desc: "the substance", expected: true},
	"Allergy.text":        {desc: "the substance in words"},
	"Allergy.reaction":    {desc: "the reaction in words"},
	"Allergy.criticality": {set: &CriticalitySet, desc: "potential for serious harm"},
	"Allergy.refuted":     {desc: "true where the allergy was looked into and is not one"},

	"Weight.kg":    {unit: "kg", desc: "body weight", expected: true, least: "0", above: true, most: "650", usual: "300"},
	"Weight.basis": {set: &WeightBasisSet, desc: "measured, or stated by the patient", expected: true},
	"Weight.at":    {desc: "when the weight was taken"},

	"Consent.status":       {set: &ConsentStatusSet, desc: "given, refused or withdrawn", expected: true},
	"Consent.givenBy":      {set: &ConsentGiverSet, desc: "the patient, or another adult", expected: true},
	"Consent.giver":        {desc: "name of the consenting adult, when not the patient"},
	"Consent.relationship": {set: &RelationshipSet, desc: "relationship of the consenting adult to the patient"},
	"Consent.capacity":     {set: &CapacitySet, desc: "whether the patient could consent; a minor or a patient without capacity has another adult"},
	"Consent.adultPresent": {set: &AnswerSet, desc: "whether the consenting adult was present at the operation"},
	"Consent.at":           {desc: "when consent was given", expected: true},
	"Consent.for":          {desc: "what was consented to, toe by toe", expected: true},

	"ConsentItem.side":      {set: &SideSet, desc: "side of the body", expected: true},
	"ConsentItem.digit":     {set: &DigitSet, desc: "toe, 1 hallux to 5", expected: true},
	"ConsentItem.border":    {set: &BorderSet, desc: "border of the nail, or the whole nail", expected: true},
	"ConsentItem.procedure": {set: &ProcedureSet, desc: "procedure consented to", expected: true},

	"Events.none":  {desc: "true where it was recorded that nothing untoward happened"},
	"Events.items": {desc: "the untoward events"},

	"Event.key":  {desc: "the sender's stable key of the event", form: itemID},
	"Event.code": {set: &EventSet, desc: "kind of event", expected: true},
	"Event.text": {desc: "the event in words"},

	"PlannedReview.key":    {desc: "the sender's stable key of the planned review", form: itemID},
	"PlannedReview.step":   {desc: "the step of the protocol that it books", form: itemID},
	"PlannedReview.at":     {desc: "date or date-time of the review", expected: true, ahead: true},
	"PlannedReview.booked": {set: &AnswerSet, desc: "yes where an appointment was made, else proposed"},
	"PlannedReview.mode":   {set: &ModeSet, desc: "in person, by telephone or by video"},
	"PlannedReview.with":   {desc: "with whom"},

	"FollowUpStopped.at":     {desc: "when the follow-up was stopped", expected: true},
	"FollowUpStopped.reason": {desc: "why the follow-up was stopped", expected: true},
}

var toeFields = map[string]field{
	"Toe.key":         {desc: "the sender's stable key of the toe", form: itemID},
	"Toe.side":        {set: &SideSet, desc: "side of the body", class: identity},
	"Toe.digit":       {set: &DigitSet, desc: "toe, 1 hallux to 5", class: identity},
	"Toe.block":       {desc: "the local anaesthetic block of the toe", expected: true},
	"Toe.tourniquet":  {set: &TourniquetUseSet, desc: "whether a tourniquet was used", expected: true},
	"Toe.tourniquets": {desc: "the periods with a tourniquet on the toe"},
	"Toe.borders":     {desc: "the nail borders operated on", expected: true},
	"Toe.perfusion":   {desc: "the toe as seen after release of the tourniquet", expected: true},

	"Block.technique": {set: &BlockTechniqueSet, desc: "technique of the block"},
	"Block.agents":    {desc: "the local anaesthetics injected", expected: true},
	"Block.effective": {set: &AnswerSet, desc: "whether the effect was confirmed before the incision", expected: true},

	"Agent.key":             {desc: "the sender's stable key of the injection", form: itemID},
	"Agent.agent":           {set: &AnaestheticSet, desc: "the local anaesthetic", expected: true},
	"Agent.percent":         {unit: "%", desc: "strength, mass in volume: 1 % is 10 mg/mL", class: critical, expected: true, least: "0", above: true, most: "100", usual: "5"},
	"Agent.vasoconstrictor": {set: &VasoconstrictorSet, desc: "vasoconstrictor in the solution, or none", expected: true},
	"Agent.ratio":           {unit: "1", desc: "N of the vasoconstrictor's 1:N, gram per mL", class: critical, least: "1", most: maxSafeInteger},
	"Agent.mL":              {unit: "mL", desc: "volume given, never as planned", class: critical, expected: true, least: "0", usual: "20"},
	"Agent.batch":           {desc: "batch number of the product", expected: true},
	"Agent.expiry":          {desc: "expiry date of the product", expected: true, partial: true, ahead: true},
	"Agent.site":            {set: &InjectionSiteSet, desc: "where it was injected", expected: true},
	"Agent.at":              {desc: "when it was injected", class: critical, expected: true},
	"Agent.giver":           {desc: "who injected it", expected: true},

	"Tourniquet.key":        {desc: "the sender's stable key of the period", form: itemID},
	"Tourniquet.device":     {set: &TourniquetDeviceSet, desc: "the device", expected: true},
	"Tourniquet.deviceText": {desc: "the device in words"},
	"Tourniquet.colour":     {desc: "colour of the device"},
	"Tourniquet.size":       {desc: "size of the device", expected: true},
	"Tourniquet.on":         {desc: "when it was put on", class: critical, expected: true},
	"Tourniquet.off":        {desc: "when it was taken off; absent means that no release was recorded", class: critical, expected: true},
	"Tourniquet.remover":    {desc: "who took it off", expected: true},
	"Tourniquet.countedOut": {set: &AnswerSet, desc: "whether it was counted out at the end", expected: true},

	"Border.key":       {desc: "the sender's stable key of the border", form: itemID},
	"Border.border":    {set: &BorderSet, desc: "medial, lateral, or the whole nail", expected: true},
	"Border.procedure": {set: &ProcedureSet, desc: "what was done to the nail here", class: critical, expected: true},
	"Border.outcome":   {set: &OutcomeSet, desc: "outcome at this border; absent means as the surgery's"},
	"Border.widthMm":   {unit: "mm", desc: "width of nail removed", least: "0", usual: "30"},
	"Border.matrix":    {desc: "treatment of the nail matrix under the border"},
	"Border.flush":     {desc: "washing out of the chemical"},

	"Matrix.key":            {desc: "the sender's stable key of the treatment", form: itemID},
	"Matrix.method":         {set: &MatrixMethodSet, desc: "how the matrix was treated", expected: true},
	"Matrix.agent":          {set: &ChemicalSet, desc: "the chemical"},
	"Matrix.percent":        {unit: "%", desc: "strength of the chemical", least: "0", above: true, most: "100"},
	"Matrix.batch":          {desc: "batch number of the chemical", expected: true},
	"Matrix.expiry":         {desc: "expiry date of the chemical", partial: true, ahead: true, expected: true},
	"Matrix.applications":   {desc: "the timed applications, in order"},
	"Matrix.skinProtection": {set: &AnswerSet, desc: "whether the skin around was protected", expected: true},
	"Matrix.curettage":      {set: &AnswerSet, desc: "whether the matrix was curetted as well"},

	"Application.key":     {desc: "the sender's stable key of the application", form: itemID},
	"Application.seconds": {unit: "s", desc: "contact time", expected: true, least: "0", usual: "600"},
	"Application.at":      {desc: "when the application began"},

	"Flush.agent": {set: &FlushSet, desc: "what it was washed out with", expected: true},
	"Flush.mL":    {unit: "mL", desc: "volume of the flush", expected: true, least: "0", usual: "500"},

	"Perfusion.returned":      {set: &AnswerSet, desc: "whether colour returned to the toe"},
	"Perfusion.refillSeconds": {unit: "s", desc: "capillary refill time", least: "0", usual: "60", expected: true},
	"Perfusion.colour":        {set: &ToeColourSet, desc: "colour of the toe", expected: true},
	"Perfusion.cold":          {set: &AnswerSet, desc: "whether the toe is cold"},
	"Perfusion.numb":          {set: &AnswerSet, desc: "whether the toe is still numb"},
	"Perfusion.at":            {desc: "when the toe was looked at"},
}

var followUpFields = map[string]field{
	"Review.surgery":         {desc: "record id of the surgery reviewed", class: identity, form: itemID},
	"Review.activity":        {desc: "key of the planned review that this one answers", form: itemID},
	"Review.attendance":      {set: &AttendanceSet, desc: "attended, did not attend, cancelled or rebooked", expected: true},
	"Review.cancelledBy":     {set: &CancellerSet, desc: "who cancelled or rebooked"},
	"Review.reason":          {desc: "why it was missed, cancelled or rebooked"},
	"Review.at":              {desc: "when the patient attended, or the time of the missed appointment", expected: true},
	"Review.mode":            {set: &ModeSet, desc: "in person, by telephone or by video"},
	"Review.reviewer":        {desc: "who reviewed"},
	"Review.toes":            {desc: "what was found, toe by toe"},
	"Review.specimens":       {desc: "specimens sent, with their results"},
	"Review.antibiotics":     {desc: "antibiotics supplied or recommended"},
	"Review.footwear":        {set: &FootwearSet, desc: "shoes that the patient came in"},
	"Review.photos":          {desc: "pictures taken"},
	"Review.nextReview":      {desc: "the review that is to follow"},
	"Review.allergies":       {desc: "the allergy statement of the review"},
	"Review.followUpStopped": {desc: "that the follow-up was stopped clinically"},
	"Review.note":            {desc: "free note of the reviewer"},

	"ToeFindings.key":       {desc: "the sender's stable key of the toe", form: itemID},
	"ToeFindings.side":      {set: &SideSet, desc: "side of the body", class: identity},
	"ToeFindings.digit":     {set: &DigitSet, desc: "toe, 1 hallux to 5", class: identity},
	"ToeFindings.perfusion": {desc: "blood supply and feeling of the toe"},
	"ToeFindings.pain":      {unit: "1", desc: "pain, verbal numeric rating from 0 to 10", least: "0", most: "10"},
	"ToeFindings.borders":   {desc: "what was found, border by border"},

	"BorderFindings.key":        {desc: "the sender's stable key of the border", form: itemID},
	"BorderFindings.border":     {set: &BorderSet, desc: "medial, lateral, or the whole nail", expected: true},
	"BorderFindings.woundStage": {set: &WoundStageSet, desc: "stage of wound healing"},
	"BorderFindings.exudate":    {set: &ExudateSet, desc: "what comes from the wound"},
	"BorderFindings.opened":     {set: &AnswerSet, desc: "whether the wound was opened on purpose"},
	"BorderFindings.infection":  {desc: "signs of infection and the clinician's diagnosis"},
	"BorderFindings.healedOn":   {desc: "when the wound was healed"},
	"BorderFindings.regrowth":   {set: &RegrowthSet, desc: "regrowth of nail at the border"},
	"BorderFindings.dressing":   {set: &DressingSet, desc: "dressing put on"},
	"BorderFindings.discharge":  {desc: "discharge of the border from follow-up"},

	"Infection.findings":  {set: &InfectionFindingSet, desc: "signs looked for and seen"},
	"Infection.diagnosis": {set: &DiagnosisSet, desc: "the clinician's diagnosis"},

	"Discharge.at":          {desc: "when the border was discharged", expected: true},
	"Discharge.reason":      {set: &DischargeReasonSet, desc: "why", expected: true},
	"Discharge.text":        {desc: "the reason in words"},
	"Discharge.watchGoesOn": {desc: "true where the watch over the border goes on all the same"},

	"Contact.surgery":         {desc: "record id of the surgery that the contact is about", class: identity, form: itemID},
	"Contact.activity":        {desc: "key of the planned review that the contact answers", form: itemID},
	"Contact.at":              {desc: "when the contact took place", expected: true},
	"Contact.mode":            {set: &ModeSet, desc: "in person, by telephone or by video"},
	"Contact.takenBy":         {desc: "who took the call or saw the patient"},
	"Contact.reason":          {set: &ContactReasonSet, desc: "why the patient called or came", expected: true},
	"Contact.reasonText":      {desc: "the reason in words"},
	"Contact.urgency":         {set: &UrgencySet, desc: "how soon the patient must be seen", expected: true},
	"Contact.advice":          {desc: "the advice given"},
	"Contact.seenSameDay":     {set: &AnswerSet, desc: "whether the patient was seen the same day"},
	"Contact.countsAsReview":  {desc: "true where the contact counts as the review that was planned"},
	"Contact.toes":            {desc: "what was found, toe by toe"},
	"Contact.specimens":       {desc: "specimens sent, with their results"},
	"Contact.antibiotics":     {desc: "antibiotics supplied or recommended"},
	"Contact.photos":          {desc: "pictures taken"},
	"Contact.outcome":         {desc: "what came of the contact, in words"},
	"Contact.nextReview":      {desc: "the review that is to follow"},
	"Contact.followUpStopped": {desc: "that the follow-up was stopped clinically"},
}
