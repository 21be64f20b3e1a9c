package terms

// CanonicalBase is the base of our own canonicals: CodeSystem/<id>,
// ValueSet/<id>, ConceptMap/<id>, StructureDefinition/<id>, PlanDefinition/<id>.
const CanonicalBase = "https://nailbridge.example/fhir"

const localSystem = CanonicalBase + "/CodeSystem/"

// Code systems of others, by the URIs that FHIR R4 names
// (https://hl7.org/fhir/R4/terminologies-systems.html).
const (
	SNOMEDCT = "http://snomed.info/sct"
	LOINC    = "http://loinc.org"
	UCUM     = "http://unitsofmeasure.org"
	HCPCS    = "http://www.cms.gov/Medicare/Coding/HCPCSReleaseCodeSets"
)

// Our own extensions; their StructureDefinitions are in data/extension.
const (
	// ExtSecondsNotRecorded (boolean) on a dateTime whose seconds R4 demands
	// and the record does not state (D5.6).
	ExtSecondsNotRecorded = CanonicalBase + "/StructureDefinition/seconds-not-recorded"
	// ExtPlanActivity (string) on a Reference to a CarePlan: the id of the
	// activity meant (D4.1).
	ExtPlanActivity = CanonicalBase + "/StructureDefinition/plan-activity"
	// ExtPlannedReview (Identifier) on CarePlan.activity: the clinic's number of
	// the planned review that gives its date; R4's activity has no identifier.
	ExtPlannedReview = CanonicalBase + "/StructureDefinition/planned-review"
	// ExtReplacesActivity (string) on CarePlan.activity: the id of the
	// activity that this one replaces (D4.3).
	ExtReplacesActivity = CanonicalBase + "/StructureDefinition/replaces-activity"
	// ExtFlagInputsHash (string) on DetectedIssue: the hash of the flag's
	// inputs, which an acknowledgement names (D1.3).
	ExtFlagInputsHash = CanonicalBase + "/StructureDefinition/flag-inputs-hash"
	// ExtClinicRecord (parts) on Provenance.entity: the header of the record that
	// the source is, with its revision, saved-at and status as recorded.
	ExtClinicRecord = CanonicalBase + "/StructureDefinition/clinic-record"
	// ExtStatedReview (parts) on Encounter: a planned review as the record states
	// it, whatever later records made of it in the plan.
	ExtStatedReview = CanonicalBase + "/StructureDefinition/stated-review"
	// ExtFollowUpStopped (parts) on Encounter: that the record stopped the
	// follow-up clinically.
	ExtFollowUpStopped = CanonicalBase + "/StructureDefinition/follow-up-stopped"
	// ExtAnswersActivity (string) on Encounter: id of the activity that the
	// record says it answers (D4.1).
	ExtAnswersActivity = CanonicalBase + "/StructureDefinition/answers-activity"
	// ExtCountsAsReview (boolean) on Encounter: that a contact counts as the
	// planned review (D4.1).
	ExtCountsAsReview = CanonicalBase + "/StructureDefinition/counts-as-review"
	// ExtPlannedTime (dateTime) on Encounter: when one that did not take place
	// was to take place.
	ExtPlannedTime = CanonicalBase + "/StructureDefinition/planned-time"
	// ExtStatedCancellation (parts) on Encounter: who cancelled and why, of a
	// review whose attendance says otherwise.
	ExtStatedCancellation = CanonicalBase + "/StructureDefinition/stated-cancellation"
	// ExtContactReason (code) on Encounter: why the patient made contact, since
	// Encounter.reasonCode takes no code of ours (D5.7).
	ExtContactReason = CanonicalBase + "/StructureDefinition/contact-reason"
	// ExtUnnumberedPerson (parts) on Reference: name and role of a member of staff
	// whom nothing identifies (D5.2).
	ExtUnnumberedPerson = CanonicalBase + "/StructureDefinition/unnumbered-person"
	// ExtTimeAsRecorded (dateTime) on the end of a Period that R4 takes less
	// exactly or not at all (per-1).
	ExtTimeAsRecorded = CanonicalBase + "/StructureDefinition/time-as-recorded"
)

// Extensions of the R4 core package.
const (
	// ExtTargetBodyStructure (Reference) on Procedure: the border operated on (D5.1).
	ExtTargetBodyStructure = "http://hl7.org/fhir/StructureDefinition/procedure-targetBodyStructure"
	// ExtBodySite (Reference) on Observation, Condition, Specimen.collection and
	// MedicationAdministration.dosage: the same BodyStructure (D5.1).
	ExtBodySite = "http://hl7.org/fhir/StructureDefinition/bodySite"
	// ExtConditionDueTo (CodeableConcept or Reference) on Condition: the
	// Procedure that a complication is due to.
	ExtConditionDueTo = "http://hl7.org/fhir/StructureDefinition/condition-dueTo"
	// ExtReasonCancelled (CodeableConcept) on Encounter: why a review did not
	// take place.
	ExtReasonCancelled = "http://hl7.org/fhir/StructureDefinition/encounter-reasonCancelled"
	// ExtDataAbsentReason (code) on an element that R4 demands and the record
	// does not state (D5.5).
	ExtDataAbsentReason = "http://hl7.org/fhir/StructureDefinition/data-absent-reason"
)

// ProfileBodyWeight is the R4 profile that an Observation of weight claims (D5.8).
const ProfileBodyWeight = "http://hl7.org/fhir/StructureDefinition/bodyweight"
