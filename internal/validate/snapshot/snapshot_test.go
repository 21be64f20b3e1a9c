package snapshot_test

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/official"
	"nailbridge/internal/validate/snapshot"
	"nailbridge/mapping/profiles"
)

// definition is what counts of a StructureDefinition.
type definition struct {
	Type     string
	Snapshot struct{ Element []*element }
}

type element struct {
	ID, Path, Max, ContentReference string
	Min                             int
	IsModifier, IsSummary           bool
	Base                            struct {
		Path, Max string
		Min       int
	}
	Type []struct {
		Code                   string
		Profile, TargetProfile []string
	}
	Binding    struct{ Strength, ValueSet string }
	Constraint []struct{ Key, Severity, Expression, Source string }
}

func read(t *testing.T, text []byte) (out definition) {
	t.Helper()
	require.NoError(t, json.Unmarshal(text, &out))
	return out
}

// rules is an element in a line: what a validator goes by. Versions of canonicals
// are left out; they are those of R4 as a whole.
func (e *element) rules() string {
	for i := range e.Type {
		slices.Sort(e.Type[i].TargetProfile)
	}
	if e.Binding.ValueSet, _, _ = strings.Cut(e.Binding.ValueSet, "|"); e.Binding.ValueSet == "" {
		e.Binding.Strength = "" // a binding to nothing
	}
	var keys []string
	for _, c := range e.Constraint {
		keys = append(keys, c.Key+" "+c.Severity)
	}
	slices.Sort(keys)
	return fmt.Sprintf("%s %s %d..%s %v %t %t %v %s %v %v", e.ID, e.Path, e.Min, e.Max, e.Base, e.IsModifier, e.IsSummary, e.Type, e.ContentReference, e.Binding, keys)
}

// Without rules of its own the snapshot of a type is that of HL7's core package,
// for each type that has a profile.
func TestSnapshotsOfR4(t *testing.T) {
	core := map[string][]byte{}
	for _, d := range official.Core(t) {
		core[strings.TrimSuffix(strings.TrimPrefix(d.Name, "StructureDefinition-"), ".json")] = d.Text
	}
	for _, a := range profiles.Artifacts() {
		typ := read(t, a.JSON).Type
		plain := fmt.Sprintf(`{"resourceType":"StructureDefinition","type":%q,"baseDefinition":"http://hl7.org/fhir/StructureDefinition/%s"}`, typ, typ)
		made, err := snapshot.Add([]byte(plain))
		require.NoError(t, err)
		assert.Equal(t, lines(read(t, core[typ])), lines(read(t, made)), typ)
	}
}

func lines(d definition) (out []string) {
	for _, e := range d.Snapshot.Element {
		out = append(out, e.rules())
	}
	return out
}

// The rules of a differential stand on their elements, those of slices behind the
// element that is sliced, and all others are as in R4.
func TestSnapshotsOfProfiles(t *testing.T) {
	for _, a := range profiles.Artifacts() {
		if a.ID != "procedure" {
			continue
		}
		made, err := snapshot.Add(a.JSON)
		require.NoError(t, err)
		byID := map[string]*element{}
		var ids []string
		for _, e := range read(t, made).Snapshot.Element {
			assert.Nil(t, byID[e.ID], e.ID)
			byID[e.ID], ids = e, append(ids, e.ID)
		}
		assert.Equal(t, 1, byID["Procedure.encounter"].Min)
		assert.Zero(t, byID["Procedure.encounter"].Base.Min)
		assert.Len(t, byID["Procedure.performed[x]"].Type, 2)
		assert.Equal(t, "1", byID["Procedure.bodySite"].Max)
		assert.Equal(t, 1, byID["Procedure.bodySite.coding:toe"].Min)
		assert.Equal(t, "CodeableConcept.text", byID["Procedure.code.text"].Base.Path)
		at := func(id string) int { return slices.Index(ids, id) }
		assert.Equal(t, at("Procedure.bodySite.coding")+1, at("Procedure.bodySite.coding:toe"))
		assert.Less(t, at("Procedure.bodySite.coding:toe.system"), at("Procedure.bodySite.text"))
	}
}

// Extensions in an extension are told apart by their url, as R4 has it, whether the
// differential says so or not.
func TestSnapshotsOfExtensions(t *testing.T) {
	const definition = `{"type":"Extension","baseDefinition":"http://hl7.org/fhir/StructureDefinition/Extension","differential":{"element":[
		{"id":"Extension.extension:part","path":"Extension.extension","sliceName":"part","min":1},
		{"id":"Extension.extension:part.url","path":"Extension.extension.url","fixedUri":"part"}]}}`
	made, err := snapshot.Add([]byte(definition))
	require.NoError(t, err)
	var d struct {
		Snapshot struct {
			Element []struct {
				ID       string
				FixedURI string
				Slicing  struct{ Discriminator []struct{ Type, Path string } }
			}
		}
	}
	require.NoError(t, json.Unmarshal(made, &d))
	found := map[string]string{}
	for _, e := range d.Snapshot.Element {
		found[e.ID] = fmt.Sprint(e.FixedURI, e.Slicing.Discriminator)
	}
	assert.Equal(t, "[{value url}]", found["Extension.extension"])
	assert.Equal(t, "part[]", found["Extension.extension:part.url"])
	assert.Contains(t, found, "Extension.extension:part.value[x]")
}

// What cannot be told is refused: a base that is no type, elements that the type
// does not have.
func TestSnapshotsThatCannotBeMade(t *testing.T) {
	for text, want := range map[string]error{
		`{"type":"Patient","baseDefinition":"https://a.example/p"}`:                                                                                   snapshot.ErrBase,
		`{"type":"Patient","baseDefinition":"http://hl7.org/fhir/StructureDefinition/Patient","differential":{"element":[{"id":"Patient.toenail"}]}}`: snapshot.ErrElements,
	} {
		_, err := snapshot.Add([]byte(text))
		assert.ErrorIs(t, err, want)
	}
	_, err := snapshot.Add([]byte(`{`))
	assert.Error(t, err)
}
