package config_test

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/config"
	"nailbridge/mapping/followup"
)

const two = `{"publicBaseUrl":"https://bridge.example/fhir","searchZone":"Europe/Paris","clinics":[
	{"clinic":{"id":"north","name":"North Foot Clinic","identifierBase":"https://north.example/id"},"zone":"Europe/London",
		"shareUnstated":"a basis","formulary":"ie-smpc","defaultProtocol":"PROTOCOL","weekend":"next","test":true},
	{"clinic":{"id":"south","name":"South Foot Clinic","identifierBase":"https://south.example/id"},"zone":"America/New_York"}]}`

// Nothing that is said of one clinic counts for another: what the second leaves
// out is the careful choice, as in a file of its own.
func TestNothingOfOneClinicCountsForAnother(t *testing.T) {
	protocols, err := followup.Load()
	require.NoError(t, err)
	text := strings.Replace(two, "PROTOCOL", protocols[0].ID, 1)
	f, err := config.Parse([]byte(text))
	require.NoError(t, err)
	require.Len(t, f.Clinics, 2)
	assert.True(t, f.Clinics[0].Test)
	assert.False(t, f.Clinics[1].Test)
	all, err := f.Settings(config.DemoNamespace)
	require.NoError(t, err)
	north, south := all[0], all[1]
	assert.Equal(t, "Europe/London", north.Clinic.Zone.String())
	assert.NotNil(t, north.Clinic.Formulary)
	assert.NotEmpty(t, north.Clinic.ShareUnstated)
	assert.NotEmpty(t, north.Clinic.DefaultProtocol)
	assert.Equal(t, followup.Weekend("next"), north.Clinic.DaysOff.Weekend)
	zone, err := f.Location()
	require.NoError(t, err)
	assert.Equal(t, "Europe/Paris", zone.String(), "of searches")

	alone, err := config.Parse([]byte(`{"publicBaseUrl":"https://bridge.example/fhir","zone":"America/New_York",
		"clinic":{"id":"south","name":"South Foot Clinic","identifierBase":"https://south.example/id"}}`))
	require.NoError(t, err)
	own, err := alone.Settings(config.DemoNamespace)
	require.NoError(t, err)
	assert.Equal(t, own[0].Clinic, south.Clinic)
	assert.Equal(t, own[0].Codes, south.Codes)
}

// A fault of one clinic of several is named with its place.
func TestFaultsOfSeveralClinicsHaveTheirPlace(t *testing.T) {
	good := strings.Replace(two, `"defaultProtocol":"PROTOCOL",`, "", 1)
	_, err := config.Parse([]byte(good))
	require.NoError(t, err, "twin: without a fault")
	for _, c := range []struct{ old, new, want string }{
		{`"id":"south"`, `"id":"north"`, "/clinics/1/clinic/id: /clinics/0/clinic/id is the same"},
		{`"id":"south"`, `"id":"North"`, "/clinics/1/clinic/id: /clinics/0/clinic/id is the same, or differs by case"},
		{`https://south.example/id`, `https://north.example/id`, "/clinics/1/clinic/identifierBase: /clinics/0/clinic/identifierBase is the same"},
		{`"id":"south"`, `"id":""`, "/clinics/1: clinic.id is missing"},
		{`"zone":"America/New_York"`, `"zone":"Mars/North"`, "/clinics/1: zone"},
		{`"zone":"America/New_York"`, `"Zone":"America/New_York"`, "/clinics/1/Zone: a member differs"},
		{`,"zone":"America/New_York"`, ``, "/clinics/1: zone"},
		{`"zone":"America/New_York"`, `"zone":"America/New_York","test":"yes"`, "/clinics/1/test: true or false is wanted"},
		{`"searchZone":"Europe/Paris",`, ``, "searchZone is missing: /clinics/1 has another zone than /clinics/0"},
		{`Europe/Paris`, `Local`, "searchZone: an IANA zone name"},
		{`"searchZone"`, `"zone":"Europe/London","searchZone"`, "each clinic of the list says its own"},
		{`"searchZone"`, `"shareUnstated":"a basis","searchZone"`, "each clinic of the list says its own"},
		{`"searchZone"`, `"test":true,"searchZone"`, "each clinic of the list says its own"},
		{`"weekend":"next"`, `"weekend":"never"`, "/clinics/0: weekend"},
		{`"weekend":"next"`, `"snomedCt":"licensed"`, "/clinics/0/snomedCt: a member that"},
	} {
		require.Contains(t, good, c.old)
		_, err := config.Parse([]byte(strings.Replace(good, c.old, c.new, 1)))
		assert.ErrorContains(t, err, c.want, c.new)
	}
	_, err = config.Parse([]byte(`{"publicBaseUrl":"https://bridge.example/fhir","clinics":[]}`))
	assert.ErrorContains(t, err, "clinic.id is missing")
	same := strings.Replace(strings.Replace(good, `"searchZone":"Europe/Paris",`, "", 1), "America/New_York", "Europe/London", 1)
	f, err := config.Parse([]byte(same))
	require.NoError(t, err, "twin: one zone for all")
	zone, err := f.Location()
	require.NoError(t, err)
	assert.Equal(t, "Europe/London", zone.String())
}

// The file of limits of each clinic is found beside the settings.
func TestEachClinicHasItsOwnLimits(t *testing.T) {
	dir := t.TempDir()
	text := strings.Replace(strings.Replace(two, `"defaultProtocol":"PROTOCOL",`, "", 1), "ie-smpc", "own.json", 1)
	path := filepath.Join(dir, "settings.json")
	require.NoError(t, os.WriteFile(path, []byte(text), 0o600))
	f, err := config.Read(path)
	require.NoError(t, err)
	assert.Equal(t, filepath.Join(dir, "own.json"), f.Clinics[0].Formulary)
	assert.Empty(t, f.Clinics[1].Formulary)
	_, err = f.Settings(config.DemoNamespace)
	assert.ErrorContains(t, err, `clinic "north": formulary`)
}

// The example of several clinics in the README can be read.
func TestTheReadmesExample(t *testing.T) {
	text, err := os.ReadFile("../../README.md")
	require.NoError(t, err)
	_, rest, found := strings.Cut(string(text), "```json\n")
	require.True(t, found)
	example, _, found := strings.Cut(rest, "```")
	require.True(t, found)
	f, err := config.Parse([]byte(example))
	require.NoError(t, err)
	require.Len(t, f.Clinics, 2)
	assert.True(t, f.Clinics[1].Test)
}

// D4.1: a protocol of a clinic's own stands for the program's at that clinic
// alone; its path is relative to the settings file, and its faults name the file.
func TestD4_1_AProtocolIsTheClinicsOwn(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "settings.json")
	text := strings.Replace(two, `"defaultProtocol":"PROTOCOL"`, `"protocols":["own.json"]`, 1)
	require.NoError(t, os.WriteFile(path, []byte(text), 0o600))
	program := followup.Lookup("avulsion-alone")
	own := strings.Replace(string(program.JSON), `"publisher": "Nailbridge project"`, `"publisher": "North", "approvalDate": "2026-02-01", "endorser": [{"name": "A. Quill"}]`, 1)
	settings := func(own string) ([]*followup.Protocol, []*followup.Protocol, error) {
		require.NoError(t, os.WriteFile(filepath.Join(dir, "own.json"), []byte(own), 0o600))
		f, err := config.Read(path)
		require.NoError(t, err)
		all, err := f.Settings(config.DemoNamespace)
		if err != nil {
			return nil, nil, err
		}
		return all[0].Protocols, all[1].Protocols, nil
	}
	north, south, err := settings(own)
	require.NoError(t, err)
	assert.Nil(t, south, "those of the program")
	var other []string
	for _, p := range north {
		if p.Version != program.Version {
			other = append(other, p.ID)
		}
	}
	assert.Equal(t, []string{"avulsion-alone"}, other)

	_, _, err = settings(string(program.JSON))
	assert.ErrorContains(t, err, `clinic "north": protocols: own.json: /publisher`)
}
