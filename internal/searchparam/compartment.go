package searchparam

import (
	"maps"
	"slices"
)

// patientCompartment are the parameters by which a resource belongs to a patient
// (R4 compartmentdefinition-patient.html), of the types that are stored.
var patientCompartment = map[string][]string{
	"AllergyIntolerance":       {"patient", "recorder", "asserter"},
	"BodyStructure":            {"patient"},
	"CarePlan":                 {"patient", "performer"},
	"Composition":              {"subject", "author", "attester"},
	"Condition":                {"patient", "asserter"},
	"Consent":                  {"patient"},
	"DetectedIssue":            {"patient"},
	"Encounter":                {"patient"},
	"Goal":                     {"patient"},
	"Media":                    {"subject"},
	"MedicationAdministration": {"patient", "performer", "subject"},
	"MedicationStatement":      {"subject"},
	"Observation":              {"subject", "performer"},
	"Patient":                  {"link"},
	"Procedure":                {"patient", "performer"},
	"Provenance":               {"patient"},
	"RelatedPerson":            {"patient"},
	"Specimen":                 {"subject"},
}

// PatientLink is the parameter by which a patient is linked to another, whose
// compartment then has the records of both (R4 CompartmentDefinition/patient,
// description).
const PatientLink = "Patient.link"

// PatientCompartment gives the parameters, as Type.name, by which resources of a
// type belong to a patient; those of every type for "". None: the type is not in
// the compartment.
func PatientCompartment(typ string) (out []string) {
	for _, t := range slices.Sorted(maps.Keys(patientCompartment)) {
		if typ != "" && typ != t {
			continue
		}
		for _, p := range patientCompartment[t] {
			out = append(out, t+"."+p)
		}
	}
	return out
}
