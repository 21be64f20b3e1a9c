package engine_test

import (
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"

	"nailbridge/internal/validate/engine"
)

// requirements says which defects of the battery show each row of the server's
// requirements (conformance/REQUIREMENTS.md): "key place".
var requirements = map[string][]string{
	"R-DATA-01": {"json-null Patient.active", "json-null Patient.telecom[1]", "json-null Patient.name[0].given[2]",
		"json-empty Medication.batch.lotNumber", "json-empty Specimen.type", "json-empty BodyStructure.locationQualifier"},
	"R-DATA-04": {"json-list Composition.author", "json-list Specimen.status"},
	"R-DATA-06": {"json-list-length Patient.name[0].given", "json-null Patient.name[0].given[2]"},
	"R-DATA-08": {"element-unknown Patient", "element-unknown Specimen.collection", "element-unknown Device"},
	"R-DATA-09": {"id Specimen.id", "id Device.id", "id Patient.contained[0].id", "reference Goal.subject.reference"},
	"R-DATA-10": {"format Patient.birthDate", "format Observation.effective", "format Provenance.recorded"},
	"R-DATA-21": {"reference-target Goal.subject", "reference-target BodyStructure.patient", "reference-target Bundle.entry[1].resource.patient"},
	"R-DATA-26": {"extension-unknown Procedure.modifierExtension[0]", "extension-modifier Procedure.modifierExtension[0]"},
	// Of what the bridge makes; AuditEvent is not.
	"R-CONT-01": {"cardinality-min CarePlan.status", "cardinality-min CarePlan.intent", "cardinality-min CarePlan.subject",
		"cardinality-min CarePlan.activity[0].detail.status", "cardinality-min Procedure.status", "cardinality-min Procedure.subject",
		"cardinality-min Observation.status", "cardinality-min Observation.code", "cardinality-min Goal.lifecycleStatus",
		"cardinality-min Goal.description", "cardinality-min Goal.subject", "cardinality-min Condition.subject", "cardinality-min Encounter.status",
		"cardinality-min Encounter.class", "cardinality-min MedicationAdministration.status", "cardinality-min MedicationAdministration.medication",
		"cardinality-min MedicationAdministration.subject", "cardinality-min MedicationAdministration.effective", "cardinality-min Provenance.target",
		"cardinality-min Provenance.recorded", "cardinality-min Provenance.agent[0].who"},
	"R-CONT-02": {"binding-required Observation.status", "binding-required CarePlan.activity[0].detail.kind", "binding-required Patient.gender",
		"binding-required Condition.clinicalStatus"},
	"R-CONT-04": {"cpl-3 CarePlan.activity[0]"},
	"R-CONT-14": {"obs-6 Observation", "obs-7 Observation"},
	"R-CONT-25": {"txt-1 BodyStructure.text.div", "txt-2 BodyStructure.text.div", "txt-1 Composition.section[0].text.div"},
}

// R-DATA-01, R-DATA-04, R-DATA-06, R-DATA-08, R-DATA-09, R-DATA-10, R-DATA-21,
// R-DATA-26, R-CONT-01, R-CONT-02, R-CONT-04, R-CONT-14, R-CONT-25: the battery has the defects of
// these rows, which TestBattery finds, and each makes a resource invalid.
func TestBatteryHoldsTheRequirements(t *testing.T) {
	v := known(t)
	for row, wants := range requirements {
		for _, want := range wants {
			key, place, _ := strings.Cut(want, " ")
			found := 0
			for _, d := range battery(t) {
				if d.key != key || d.place != place {
					continue
				}
				found++
				assert.True(t, slices.ContainsFunc(v.Validate([]byte(d.sow(t)), engine.Options{}), func(i engine.Issue) bool {
					return i.Key == key && i.Location == place && i.Invalid()
				}), "%s: %s with %s", row, want, d.new)
			}
			assert.Positive(t, found, "%s: no %s", row, want)
		}
	}
}
