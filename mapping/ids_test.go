package mapping

import (
	"slices"
	"testing"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"pgregory.net/rapid"

	"nailbridge/mapping/record"
)

// D1.7: no two different lists of parts give one name, however their text is
// split.
func TestD1_7_KeysAreUnambiguous(t *testing.T) {
	assert.Equal(t, "2:ab1:c", keyOf("ab", "c"))
	for _, c := range [][2][]string{
		{{"ab", "c"}, {"a", "bc"}},
		{{"a", ""}, {"a"}},
		{{"", "a"}, {"a", ""}},
		{{"1:a"}, {"a"}},
		{{"a1:b"}, {"a", "b"}},
		{{"1", "2:ab"}, {"1:2", "ab"}},
		{{"10:"}, {"1", "0:"}},
		{nil, {""}},
	} {
		assert.NotEqual(t, keyOf(c[0]...), keyOf(c[1]...), "%q", c)
	}
	rapid.Check(t, func(t *rapid.T) {
		part := rapid.StringOfN(rapid.SampledFrom([]rune("01:a")), 0, 4, -1)
		a := rapid.SliceOfN(part, 0, 4).Draw(t, "a")
		b := rapid.SliceOfN(part, 0, 4).Draw(t, "b")
		if slices.Equal(a, b) != (keyOf(a...) == keyOf(b...)) {
			t.Fatalf("%q and %q", a, b)
		}
	})
}

// Shifting text between the parts of an id, or between its type and its parts,
// never meets another id.
func TestD1_7_IDsOfShiftedPartsDiffer(t *testing.T) {
	s := buildSettings(t)
	other := s
	other.Clinic.ID = "nort"
	seen := map[string]string{}
	add := func(what, id string) {
		assert.Empty(t, seen[id], "%s has the id of %s", what, seen[id])
		seen[id] = what
		u, err := uuid.Parse(id)
		assert.NoError(t, err)
		assert.EqualValues(t, 5, u.Version(), what)
	}
	id := func(system, value string) record.Identifier { return record.Identifier{System: system, Value: value} }
	add("patient", s.patientRef(id("https://a.example/", "1")).ID)
	add("patient, value shifted", s.patientRef(id("https://a.example/1", "")).ID)
	add("patient, clinic shifted", other.patientRef(id("hhttps://a.example/", "1")).ID)
	add("patient of another clinic", other.patientRef(id("https://a.example/", "1")).ID)
	add("organization", s.organizationRef().ID)
	add("device", s.deviceRef().ID)
	add("case part", s.caseRef("Procedure", id("s", "v"), "S-1", "nail", "left-1", "medial").ID)
	add("case part, surgery shifted", s.caseRef("Procedure", id("s", "v"), "S-", "1nail", "left-1", "medial").ID)
	add("case part, toe and border shifted", s.caseRef("Procedure", id("s", "v"), "S-1", "nail", "left-1m", "edial").ID)
	add("case part of another type", s.caseRef("Condition", id("s", "v"), "S-1", "nail", "left-1", "medial").ID)
	add("case part of another patient", s.caseRef("Procedure", id("s", "v2"), "S-1", "nail", "left-1", "medial").ID)
	add("case part of another clinic", other.caseRef("Procedure", id("s", "v"), "S-1", "nail", "left-1", "medial").ID)
	add("part of the patient", s.ownedRef("Procedure", id("s", "v"), "S-1", "nail", "left-1", "medial").ID)
	add("part of the patient, named as a case", s.ownedRef("Procedure", id("s", "v"), "case", "S-1").ID)
	add("case part without parts", s.caseRef("Procedure", id("s", "v"), "S-1").ID)
}

// D5.2: staff by registration, else by the clinic's staff key; never one for
// the other.
func TestD5_2_StaffIDs(t *testing.T) {
	s := buildSettings(t)
	registered := &record.Person{Registration: &record.Identifier{System: "https://r.example", Value: "7"}, StaffKey: "k"}
	ref, ok := s.staffRef("Practitioner", registered)
	assert.True(t, ok)
	again, _ := s.staffRef("Practitioner", &record.Person{Registration: registered.Registration, Name: &record.Name{Family: "X"}})
	assert.Equal(t, ref, again, "the staff key and the name do not count beside a registration")
	byKey, ok := s.staffRef("Practitioner", &record.Person{StaffKey: "7"})
	assert.True(t, ok)
	assert.NotEqual(t, ref, byKey)
	for _, nobody := range []*record.Person{nil, {}, {Name: &record.Name{Family: "X"}}, {Registration: &record.Identifier{System: "https://r.example"}}} {
		_, ok := s.staffRef("Practitioner", nobody)
		assert.False(t, ok)
	}
}

// The namespace is the deployment's secret: another one gives other ids.
func TestD1_7_NamespaceDecidesTheIDs(t *testing.T) {
	s := buildSettings(t)
	other := s
	other.Namespace = uuid.MustParse("00000000-0000-4000-8000-000000000001")
	assert.NotEqual(t, s.patientRef(buildPatient), other.patientRef(buildPatient))
	assert.Equal(t, s.patientRef(buildPatient), buildSettings(t).patientRef(buildPatient))
}
