package pages

// why says what each type is for.
var why = map[string]string{
	"AllergyIntolerance":       "An allergy that a surgery or review names, or the word that none is known; one for each substance, for the patient and not for the case.",
	"BodyStructure":            "One border of one toenail: what was operated on, so that two borders of one toe never look alike.",
	"CarePlan":                 "The follow-up of a case. Each review is an activity with its window, and stays there as due, overdue, missed or done until every treated border is discharged.",
	"Composition":              "The letter of a case to the patient's other carers; its versions are its history.",
	"Condition":                "Why the nail was operated on, and what went wrong afterwards, where a clinician said so.",
	"Consent":                  "Consent to the procedure with the borders it names, to sharing with the region, and to the letter.",
	"DetectedIssue":            "A flag: a dose over its limit, a tourniquet without release, a review overdue, a red flag. Open ones carry the tag open.",
	"Device":                   "The bridge as it works for the clinic, with the versions and settings that its figures depend on.",
	"Encounter":                "The sitting, each review and each unplanned contact; also a review that the patient missed.",
	"Goal":                     "Two for each treated border: that it heals, and that the nail does not grow in again.",
	"Media":                    "That a picture was taken, where the patient agreed to its being told; the picture stays in the clinic.",
	"Medication":               "A local anaesthetic or a chemical as it was used: agent, strength, batch, expiry.",
	"MedicationAdministration": "One injection of local anaesthetic: volume, site, time, giver.",
	"MedicationStatement":      "An antibiotic that was supplied or recommended.",
	"Observation":              "Every finding, and every computed figure with its limit and the source of the limit.",
	"Organization":             "The clinic.",
	"Patient":                  "The patient, by the clinic's own number, as the latest live record states it.",
	"Practitioner":             "A member of staff whom a record names, by registration number or the clinic's own key.",
	"PractitionerRole":         "The role in which a member of staff is recorded.",
	"Procedure":                "The sitting and its parts: checks, block, tourniquet, operation on each border, treatment of the matrix, flush, dressing.",
	"Provenance":               "What each commit made, from which records by their hashes, by whom.",
	"RelatedPerson":            "The adult who consented for somebody else.",
	"Specimen":                 "A swab or tissue that was sent to a laboratory.",
}

// Overview is what the index tells of.
type Overview struct {
	Types                      []*Type
	Resources                  int
	Paths, FromRecord, Compute int
	Maps, Targets              int
	Profiled                   int // types with a profile
	Requirements               Requirements
}

func (g *guide) index() Overview {
	o := Overview{Types: g.types, Maps: len(g.maps), Profiled: len(g.profiles), Requirements: g.requirements}
	for _, t := range g.types {
		o.Resources += t.Count
		o.Paths += t.Values
		o.FromRecord += t.FromRecord
	}
	o.Compute = o.Paths - o.FromRecord
	for _, m := range g.maps {
		o.Targets += len(m.Lines)
	}
	return o
}
