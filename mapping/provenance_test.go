package mapping

import (
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/mapping/record"
	"nailbridge/mapping/resource"
	"nailbridge/mapping/safety"
)

func provenanceInput() ProvenanceInput {
	sum := sha256.Sum256([]byte("a"))
	hash := hex.EncodeToString(sum[:])
	ada := record.Person{Registration: &record.Identifier{System: "https://register.example", Value: "R-7"}}
	return ProvenanceInput{
		Targets: []VersionedRef{
			{Ref: resource.Ref{Type: "Procedure", ID: "p"}, VersionID: "e1-4"}, {Ref: resource.Ref{Type: "Patient", ID: "q"}},
		},
		Activity: ActivityCreate, Recorded: time.Date(2025, 3, 4, 11, 0, 0, 5e6, time.UTC), Owner: "o", Case: "S-1", Commit: "e1-4",
		Sources: []Source{
			{Record: "S-1", Kind: "surgery", Hash: hash, Author: ada},
			{Record: "V-1", Kind: "review", Hash: hash, Author: ada},
			{Record: "V-2", Kind: "review", Hash: hash, Author: record.Person{Name: &record.Name{Family: "Hill"}}},
			{Record: "V-3", Kind: "review", Hash: hash},
		},
	}
}

// D5.9, R-SEC-01: a Provenance names its targets by their versions, the author, the
// bridge as assembler, each on behalf of the clinic, and its sources by their hashes.
func TestD5_9_Provenance(t *testing.T) {
	s := buildSettings(t)
	p, err := MakeProvenance(s, provenanceInput())
	require.NoError(t, err)
	sum := sha256.Sum256([]byte("a"))
	ni := "ni:///sha-256;" + base64.RawURLEncoding.EncodeToString(sum[:]) // RFC 6920
	ada, _ := s.staffRef("Practitioner", &record.Person{Registration: &record.Identifier{System: "https://register.example", Value: "R-7"}})
	org := s.organizationRef().String()
	hasAll(t, p, map[string][]any{
		"target.reference": {"Procedure/p/_history/e1-4", "Patient/q"}, "recorded": {"2025-03-04T11:00:00.005Z"},
		"activity.coding.code": {"CREATE"}, "activity.coding.system": {"http://terminology.hl7.org/CodeSystem/v3-DataOperation"},
		"agent.type.coding.code":        {"author", "author", "assembler"},
		"agent.who.reference":           {ada.String(), s.deviceRef().String()},
		"agent.who.display":             {"Hill"},
		"agent.onBehalfOf.reference":    {org, org, org},
		"entity.role":                   {"source", "source", "source", "source", "source"},
		"entity.what.identifier.value":  {ni, ni, ni, ni},
		"entity.what.identifier.system": {"urn:ietf:rfc:3986", "urn:ietf:rfc:3986", "urn:ietf:rfc:3986", "urn:ietf:rfc:3986"},
	})
	displays := at(p, "entity.what.display")
	assert.Equal(t, "Made with: Mapping "+Version+", Code maps 1.0.0, SNOMED CT codes licensed, HCPCS modifiers on, Dose limits no ceiling chosen", displays[4])
}

func TestProvenanceOfOldDataNamesItsRowAndTheClinicForNobody(t *testing.T) {
	s := buildSettings(t)
	in := provenanceInput()
	row := int64(12)
	in.Sources = []Source{{
		Record: "S-1", Kind: "surgery", Status: "final", Hash: in.Sources[0].Hash, Historical: true, Followed: true,
		Converted: &record.Converted{File: "visits.xlsx#surgeries", Row: &row, Layout: "visits.layout.json 2", DecidedBy: []string{"A. Quill", "B. Moss"}},
	}}
	p, err := MakeProvenance(s, in)
	require.NoError(t, err)
	hasAll(t, p, map[string][]any{
		"agent.type.coding.code": {"author", "assembler"}, "agent.who.display": {"Author not recorded"},
		"agent.who.reference":                     {s.organizationRef().String(), s.deviceRef().String()},
		"entity.extension.extension.url":          {"record", "kind", "status", "historical", "followed", "file", "row", "layout", "decided-by", "decided-by"},
		"entity.extension.extension.valueString":  {"S-1", "visits.xlsx#surgeries", "visits.layout.json 2", "A. Quill", "B. Moss"},
		"entity.extension.extension.valueBoolean": {true, true},
	})
	assert.Equal(t, "Clinic record S-1, surgery sitting, converted from old data, file visits.xlsx#surgeries, row 12, by the layout visits.layout.json 2, doubtful words decided by A. Quill, B. Moss",
		at(p, "entity.what.display")[0])
}

func TestProvenanceOfEachCommitIsItsOwn(t *testing.T) {
	s := buildSettings(t)
	ids := map[string]bool{}
	for _, edit := range []func(*ProvenanceInput){
		func(*ProvenanceInput) {},
		func(in *ProvenanceInput) { in.Commit = "e1-5" },
		func(in *ProvenanceInput) { in.Activity = ActivityUpdate },
		func(in *ProvenanceInput) { in.Activity = ActivityNullify },
		func(in *ProvenanceInput) { in.Case = "S-2" },
		func(in *ProvenanceInput) { in.Owner = "p" },
	} {
		in := provenanceInput()
		edit(&in)
		p, err := MakeProvenance(s, in)
		require.NoError(t, err)
		ids[p.ID()] = true
	}
	assert.Len(t, ids, 6)
}

// Nothing is left of a withdrawn record: the bridge alone stands.
func TestProvenanceWithoutSources(t *testing.T) {
	s := buildSettings(t)
	s.Clinic.Formulary = &safety.Formulary{Name: "own", Date: "2026-02-01", ApprovedBy: "A. Quill"}
	s.Clinic.WeightConvention = safety.WeightCapped
	in := provenanceInput()
	in.Activity, in.Sources = ActivityNullify, nil
	p, err := MakeProvenance(s, in)
	require.NoError(t, err)
	hasAll(t, p, map[string][]any{"activity.coding.code": {"NULLIFY"}, "agent.type.coding.code": {"assembler"}, "entity.what.identifier": nil})
	assert.Contains(t, at(p, "entity.what.display")[0], "Dose limits own of 2026-02-01, Weight of dose limits cap-70-kg")
}

func TestProvenanceRefusesWhatIsNoHash(t *testing.T) {
	for _, hash := range []string{"", "xyz"} {
		in := provenanceInput()
		in.Sources[0].Hash = hash
		_, err := MakeProvenance(buildSettings(t), in)
		assert.Error(t, err, "%q", hash)
	}
	in := provenanceInput()
	in.Targets = nil
	_, err := MakeProvenance(buildSettings(t), in)
	assert.ErrorContains(t, err, "target", "R4 demands a target")
}
