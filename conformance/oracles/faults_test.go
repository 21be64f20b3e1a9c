package oracles

// A fault is one edit of a valid resource, and what must be said of the result.
type fault struct {
	name string
	twin string // the valid resource in testdata/valid, without .json
	old  string // text that stands exactly once in the twin
	new  string // what stands there instead

	level, id, place string
	text             string // a part of the message, asked for where the message has no id
}

const structure = "http://hl7.org/fhir/StructureDefinition/"

// faults are of the kinds that a fault in the mapping would make. The source of each rule is the R4 page
// (hl7.org/fhir/R4) of the resource or data type named, of references, of extensions, or of JSON.
var faults = []fault{
	// Cardinality and structure.
	{
		name: "required status missing", twin: "MedicationAdministration",
		old: `"status": "completed",`, new: ``,
		level: Error, id: "Validation_VAL_Profile_Minimum", place: "MedicationAdministration",
	},
	{
		name: "required reference missing", twin: "Provenance",
		old: `"target": [
    {
      "reference": "Procedure/55555555-5555-5555-8555-555555555555"
    }
  ],`, new: ``,
		level: Error, id: "Validation_VAL_Profile_Minimum", place: "Provenance",
	},
	{
		name: "list where one is allowed", twin: "DetectedIssue",
		old: `"severity": "high"`, new: `"severity": ["high"]`,
		level: Error, place: "DetectedIssue.severity", text: "must be a simple value, not an Array",
	},
	{
		name: "unknown element", twin: "Procedure",
		old: `"bodySite": [`, new: `"bodySites": [`,
		level: Error, place: "Procedure", text: "Unrecognized property 'bodySites'",
	},
	{
		name: "same element twice", twin: "Patient",
		old: `"gender": "unknown",`, new: `"gender": "unknown", "gender": "male",`,
		level: Error, place: "Patient", text: "'gender' is a duplicate",
	},
	{
		name: "empty list", twin: "Procedure",
		old: `"performer": [`, new: `"note": [], "performer": [`,
		level: Error, place: "Procedure.note", text: "Array cannot be empty",
	},
	{
		name: "date that does not exist", twin: "Patient",
		old: `"1980-02-29"`, new: `"1981-02-29"`,
		level: Error, id: "Type_Specific_Checks_DT_Date_Valid", place: "Patient.birthDate",
	},

	// References.
	{
		name: "reference to a type that the element does not allow", twin: "Observation-volume",
		old: `"Organization/`, new: `"Device/`,
		level: Error, id: "Reference_REF_BadTargetType2", place: "Observation.performer[0]",
	},
	{
		name: "ref-1: contained resource that is not there", twin: "MedicationAdministration",
		old: `"reference": "#agent"`, new: `"reference": "#other"`,
		level: Error, id: structure + "Reference#ref-1", place: "MedicationAdministration.medication.ofType(Reference)",
	},

	// Extensions and profiles.
	{
		name: "unknown extension", twin: "Procedure",
		old: `StructureDefinition/oracle-seconds`, new: `StructureDefinition/oracle-minutes`,
		level: Error, id: "Extension_EXT_Unknown_NotHere", place: "Procedure.performed.ofType(Period).start.extension[0]",
	},
	{
		name: "own extension with a value of another type", twin: "Procedure",
		old: `"valueBoolean": true`, new: `"valueString": "true"`,
		level: Error, id: "Extension_EXT_Type", place: "Procedure.performed.ofType(Period).start.extension[0]",
	},
	{
		name: "claimed profile not met", twin: "Observation-weight",
		old: `"code": "kg"`, new: `"code": "mg"`,
		level: Error, id: "Terminology_TX_NoValid_16", place: "Observation.value.ofType(Quantity).code",
	},

	// Codes and units.
	{
		name: "code outside a required binding", twin: "Procedure",
		old: `"status": "completed"`, new: `"status": "finished"`,
		level: Error, id: "Terminology_TX_NoValid_16", place: "Procedure.status",
	},
	{
		name: "code that our code system does not have", twin: "Procedure",
		old: `"code": "left-great"`, new: `"code": "left-big"`,
		level: Error, id: "Terminology_PassThrough_TX_Message", place: "Procedure.bodySite[0]",
	},
	{
		name: "SNOMED CT code outside the fragment, standing first", twin: "Procedure",
		old: `"code": "265698006"`, new: `"code": "430903001"`,
		level: Warning, id: "Terminology_PassThrough_TX_Message", place: "Procedure.code",
	},
	{
		name: "HCPCS modifier outside the fragment, standing second", twin: "Procedure",
		old: `"code": "TA"`, new: `"code": "TB"`,
		level: Error, id: "ORACLE_CODING", place: "Procedure.bodySite[0].coding[1]",
	},
	{
		name: "display of another code", twin: "Procedure",
		old: `"display": "Removal of nail plate"`, new: `"display": "Total avulsion of nail plate"`,
		level: Error, id: "ORACLE_CODING", place: "Procedure.code.coding[0]",
	},
	{
		name: "display of another code, in an element that is a Coding", twin: "Encounter",
		old: `"display": "ambulatory"`, new: `"display": "virtual"`,
		level: Error, id: "ORACLE_CODING", place: "Encounter.class",
	},
	{
		name: "coding of an unknown system", twin: "Procedure",
		old: `CodeSystem/oracle-act"`, new: `CodeSystem/oracle-acts"`,
		level: Error, id: "ORACLE_CODING", place: "Procedure.code.coding[1]",
	},
	{
		name: "unit that is not UCUM", twin: "Observation-volume",
		old: `"code": "mL"`, new: `"code": "mls"`,
		level: Error, id: "Terminology_PassThrough_TX_Message", place: "Observation.value.ofType(Quantity)",
	},

	// Invariants.
	{
		name: "obs-6: a value and a reason for its absence", twin: "Observation-volume",
		old: `"valueQuantity"`,
		new: `"dataAbsentReason": {"coding": [
			{"system": "http://terminology.hl7.org/CodeSystem/data-absent-reason", "code": "unknown"}]}, "valueQuantity"`,
		level: Error, id: structure + "Observation#obs-6", place: "Observation",
	},
	{
		name: "con-5: entered in error with a clinical status", twin: "Condition-in-error",
		old: `"verificationStatus"`,
		new: `"clinicalStatus": {"coding": [
			{"system": "http://terminology.hl7.org/CodeSystem/condition-clinical", "code": "active"}]}, "verificationStatus"`,
		level: Error, id: structure + "Condition#con-5", place: "Condition",
	},
	{
		name: "con-4: abated but active", twin: "Condition-resolved",
		old: `"code": "resolved"`, new: `"code": "active"`,
		level: Error, id: structure + "Condition#con-4", place: "Condition",
	},
	{
		name: "per-1: a period that ends before it begins", twin: "Procedure",
		old: `"end": "2026-03-02T09:25:00+00:00"`, new: `"end": "2026-03-02T08:25:00+00:00"`,
		level: Error, id: structure + "Period#per-1", place: "Procedure.performed.ofType(Period)",
	},
	{
		name: "ait-1: no clinical status", twin: "AllergyIntolerance",
		old: `"clinicalStatus": {
    "coding": [
      {
        "system": "http://terminology.hl7.org/CodeSystem/allergyintolerance-clinical",
        "code": "active"
      }
    ]
  },`, new: ``,
		level: Error, id: structure + "AllergyIntolerance#ait-1", place: "AllergyIntolerance",
	},
	{
		name: "ait-2: entered in error with a clinical status", twin: "AllergyIntolerance",
		old: `"code": "confirmed"`, new: `"code": "entered-in-error"`,
		level: Error, id: structure + "AllergyIntolerance#ait-2", place: "AllergyIntolerance",
	},
	{
		name: "mad-1: a dosage with neither dose nor rate", twin: "MedicationAdministration",
		old: `,
    "dose": {
      "value": 2.5,
      "unit": "mL",
      "system": "http://unitsofmeasure.org",
      "code": "mL"
    }`, new: ``,
		level: Error, id: structure + "MedicationAdministration#mad-1", place: "MedicationAdministration.dosage",
	},
	{
		name: "cpl-3: an activity with detail and reference", twin: "CarePlan",
		old: `"detail": {`, new: `"reference": {"reference": "Appointment/1"}, "detail": {`,
		level: Error, id: structure + "CarePlan#cpl-3", place: "CarePlan.activity[0]",
	},
	{
		name: "gol-1: a target without a measure", twin: "Goal",
		old: `"measure": {
        "text": "Wound stage"
      },`, new: ``,
		level: Error, id: structure + "Goal#gol-1", place: "Goal.target[0]",
	},
	{
		name: "ppc-1: no policy", twin: "Consent",
		old: `,
  "policy": [
    {
      "uri": "https://clinic.example/policies/sharing"
    }
  ]`, new: ``,
		level: Error, id: structure + "Consent#ppc-1", place: "Consent",
	},

	// The run itself.
	{
		name: "fault inside a Bundle", twin: "Bundle",
		old: `"severity": "high"`, new: `"severity": "severe"`,
		level: Error, id: "Terminology_TX_NoValid_16",
		place: "Bundle.entry[1].resource/*DetectedIssue/13131313-1313-5313-8313-131313131313*/.severity",
	},
	{
		name: "null inside a list, on which the validator breaks", twin: "Patient",
		old: `"given": [`, new: `"given": [null, `,
		level: Fatal, id: "EXCEPTION",
	},
}
