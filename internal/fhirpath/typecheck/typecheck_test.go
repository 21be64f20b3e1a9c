package typecheck

import (
	"testing"

	"github.com/stretchr/testify/assert"

	"nailbridge/internal/fhirpath/syntax"
	"nailbridge/internal/spec"
)

// N1 9: what is wrong before there is any data.
func TestCheck(t *testing.T) {
	for source, want := range map[string]string{
		"name.given":                               "",
		"Patient.name.given.first()":               "",
		"DomainResource.id":                        "",
		"name.given1":                              "at offset 5: no element given1 in HumanName",
		"Encounter.id":                             "at offset 0: the context is Patient, not Encounter",
		"deceasedBoolean":                          "at offset 0: no element deceasedBoolean in Patient",
		"deceased.value":                           "",
		"(deceased as dateTime).start":             "at offset 23: no element start in dateTime",
		"deceased.ofType(Period).start":            "", // it can be no Period, so nothing is looked at
		"contact.name.family & 'x'":                "",
		"contained.anything":                       "", // of what type is not known
		"link.other.resolve().name":                "",
		"name.where(given1 = 'a')":                 "at offset 11: no element given1 in HumanName",
		"name.select(given | family).length()":     "",
		"name.startsWith('a')":                     "at offset 5: startsWith() of HumanName, not String",
		"active.matches('a')":                      "at offset 7: matches() of boolean, not String",
		"iif('a', 1, 2)":                           "at offset 0: iif() with a criterion of String",
		"name.where('a')":                          "at offset 5: where() with a criterion of String",
		"name.exists(use)":                         "",
		"name.all($this is HumanName and use = 1)": "",
		"name.repeat(period).start":                "",
		"name.aggregate($total + $this.family1)":   "at offset 30: no element family1 in HumanName",
		"%resource.whatever and %sct.length() > 1": "",
		"children().anything.first()":              "",
		"extension('x').value.unit":                "",
		"1.type().name":                            "",
		"(1 'mg').unit":                            "",
		"name[0].given[given1]":                    "at offset 14: no element given1 in Patient",
		"name.":                                    "at offset 5: expected a name, not end",
	} {
		err := Check(source, spec.R4(), spec.R4().Named("Patient"), Options{})
		if want == "" {
			assert.NoError(t, err, source)
			continue
		}
		if assert.ErrorIs(t, err, syntax.ErrSyntax, source) {
			assert.Equal(t, want, err.Error(), source)
		}
	}
	assert.NoError(t, Check("anything.at.all", spec.R4(), spec.None, Options{}), "nothing is known of the context")
}

// N1 3.1: children() and descendants() have no order.
func TestOrdered(t *testing.T) {
	patient := spec.R4().Named("Patient")
	for _, source := range []string{"children().first()", "descendants().where(true).skip(1)", "children()[0]", "descendants().select(id).last()"} {
		assert.NoError(t, Check(source, spec.R4(), patient, Options{}), source)
		assert.ErrorContains(t, Check(source, spec.R4(), patient, Options{Ordered: true}), "without order", source)
	}
	assert.NoError(t, Check("name.first()", spec.R4(), patient, Options{Ordered: true}))
}
