package config_test

import (
	"bytes"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	_ "time/tzdata"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/config"
	"nailbridge/mapping/safety"
	"nailbridge/mapping/terms"
	"nailbridge/testdata"
)

const least = `{"clinic":{"id":"north","name":"North Foot Clinic","identifierBase":"https://north.example/id"},
	"zone":"Europe/London","publicBaseUrl":"https://bridge.example/fhir"}`

// What a settings file leaves out is the careful choice.
func TestTheLeastSettings(t *testing.T) {
	f, err := config.Parse([]byte(least))
	require.NoError(t, err)
	all, err := f.Settings(config.DemoNamespace)
	require.NoError(t, err)
	require.Len(t, all, 1)
	s := all[0]
	assert.Equal(t, terms.FreeSet, s.Codes.SnomedCT, "D7.1: only CC BY rows leave")
	assert.False(t, s.Codes.HCPCS)
	assert.Nil(t, s.Clinic.Formulary, "no ceiling is chosen for a clinic")
	assert.Empty(t, s.Clinic.ShareUnstated, "D3.1: not shared unless stated")
	assert.Empty(t, s.Clinic.DefaultProtocol)
	assert.Equal(t, "Europe/London", s.Clinic.Zone.String())
	assert.Equal(t, config.DemoNamespace, s.Namespace)
}

func TestTheDemosSettings(t *testing.T) {
	f, err := config.Parse(testdata.Settings())
	require.NoError(t, err)
	s, err := f.Settings(config.DemoNamespace)
	require.NoError(t, err)
	assert.NotNil(t, s[0].Clinic.Formulary)
	assert.NotEmpty(t, s[0].Clinic.ShareUnstated)
}

// Every fault of a settings file is named at once.
func TestEveryFaultIsNamed(t *testing.T) {
	_, err := config.Parse([]byte(`{"clinic":{"id":""},"zone":"Local","publicBaseUrl":"/fhir","shareUnstated":" ",
		"snomedCt":"all","defaultProtocol":"none-such","weekend":"never"}`))
	require.Error(t, err)
	for _, want := range []string{"clinic.id", "clinic.name", "clinic.identifierBase", "publicBaseUrl", "shareUnstated", "zone", "snomedCt", "defaultProtocol", "weekend"} {
		assert.Contains(t, err.Error(), want)
	}
	for _, body := range []string{"", "[]", `{"clinc":{}}`, least + "{}", strings.Replace(least, `"zone"`, `"zon"`, 1)} {
		_, err := config.Parse([]byte(body))
		assert.Error(t, err, body)
	}
	for _, zone := range []string{"", "Local", "Mars/North", "+01:00"} {
		_, err := config.Parse([]byte(strings.Replace(least, "Europe/London", zone, 1)))
		assert.ErrorContains(t, err, "zone", zone)
	}
	for _, base := range []string{"ftp://x.example/fhir", "http:///fhir", "https://x.example/fhir/", "https://x.example/fhir?a=1", "https://x.example/fhir#a", "https://u:p@x.example/fhir", "x.example"} {
		_, err := config.Parse([]byte(strings.Replace(least, "https://bridge.example/fhir", base, 1)))
		assert.ErrorContains(t, err, "publicBaseUrl", base)
	}
	for _, base := range []string{"urn:oid:2.999", "https://north.example/id"} {
		_, err := config.Parse([]byte(strings.Replace(least, "https://north.example/id", base, 1)))
		assert.NoError(t, err, base)
	}
}

// Settings are read as strictly as a record: a member in the wrong case, given
// twice or empty is an error with its place, where encoding/json would share
// patients, or choose a set of limits, that the file does not name.
func TestSettingsAreReadStrictly(t *testing.T) {
	with := func(more string) string { return strings.Replace(least, "{", "{"+more+",", 1) }
	for more, want := range map[string]string{
		`"ShareUnstated":"a basis"`:                         "/ShareUnstated: a member differs from a known one only by case",
		`"formulary":"ie-smpc","formulary":"us-label"`:      "/formulary: a member occurs more than once",
		`"formulary":"ie-smpc","\u0066ormulary":"us-label"`: "/formulary: a member occurs more than once",
		`"formularies":"ie-smpc"`:                           "/formularies: a member that",
		`"hcpcs":"true"`:                                    "/hcpcs: true or false is wanted",
		`"snomedCt":null`:                                   "/snomedCt: it is empty",
		`"shareUnstated":" "`:                               "/shareUnstated: it is empty",
	} {
		_, err := config.Parse([]byte(with(more)))
		assert.ErrorContains(t, err, want, more)
	}
	_, err := config.Parse([]byte(strings.Replace(least, `"name"`, `"Name"`, 1)))
	assert.ErrorContains(t, err, "/clinic/Name", "at any depth")
	_, err = config.Parse([]byte(least + `{"hcpcs":true}`))
	assert.ErrorContains(t, err, "something follows the value")
	_, err = config.Parse([]byte(with(`"formulary":"ie-smpc","hcpcs":true`)))
	assert.NoError(t, err, "twin: each once, as named")
}

// A formulary is a set of the product by name, or a file beside the settings.
func TestFormularyByNameOrFile(t *testing.T) {
	dir := t.TempDir()
	with := func(formulary string) string {
		path := filepath.Join(dir, "settings.json")
		require.NoError(t, os.WriteFile(path, []byte(strings.Replace(least, "{", `{"formulary":"`+formulary+`",`, 1)), 0o600))
		return path
	}
	own := []byte(`{"name":"own","title":"Own limits","issuer":"the clinic","kind":"guideline","jurisdiction":"XX","date":"2026","approvedBy":"A. Quill","entries":[
		{"agent":"lidocaine","vasoconstrictor":false,"fromYears":18,"mgPerKg":"3","source":"the clinic's paper of 2026","section":"1","tag":"read"}]}`)
	require.NoError(t, os.WriteFile(filepath.Join(dir, "own.json"), own, 0o600))
	for formulary, want := range map[string]string{"ie-smpc": "ie-smpc", "own.json": "own", filepath.Join(dir, "own.json"): "own"} {
		f, err := config.Read(with(formulary))
		require.NoError(t, err)
		s, err := f.Settings(config.DemoNamespace)
		require.NoError(t, err, formulary)
		require.NotNil(t, s[0].Clinic.Formulary)
		assert.Equal(t, want, s[0].Clinic.Formulary.Name)
	}
	require.NoError(t, os.WriteFile(filepath.Join(dir, "own.json"), bytes.NewBufferString(`{"name":"own","title":"","kind":"own","entries":[{"agent":"lignocaine"}]}`).Bytes(), 0o600))
	f, err := config.Read(with("own.json"))
	require.NoError(t, err)
	_, err = f.Settings(config.DemoNamespace)
	for _, place := range []string{"/title: ", "/kind: ", "/date: ", "/approvedBy: ", "/entries/0/agent: ", "/entries/0/vasoconstrictor: ", "/entries/0/source: "} {
		assert.ErrorContains(t, err, place, "every fault of the clinic's own file, with its place")
	}
	for _, formulary := range []string{"none-such", "missing.json", "settings.json"} {
		f, err := config.Read(with(formulary))
		require.NoError(t, err)
		_, err = f.Settings(config.DemoNamespace)
		assert.Error(t, err, formulary)
	}
	_, err = config.Read(filepath.Join(dir, "none.json"))
	assert.ErrorIs(t, err, os.ErrNotExist)
}

// C-30: a clinic may have a limit of its own for toes at risk.
func TestC30_ALocalTourniquetLimit(t *testing.T) {
	with := func(limit string) (config.File, error) {
		return config.Parse([]byte(strings.Replace(least, "{", `{"tourniquetAtRisk":`+limit+`,`, 1)))
	}
	f, err := with(`{"minutes":10,"source":"local protocol"}`)
	require.NoError(t, err)
	s, err := f.Settings(config.DemoNamespace)
	require.NoError(t, err)
	assert.Equal(t, &safety.LocalLimit{Minutes: 10, Source: "local protocol"}, s[0].Clinic.RiskTourniquet)
	for _, limit := range []string{`{"minutes":10}`, `{"source":"x"}`, `{"minutes":0,"source":"x"}`, `{"minutes":"10","source":"x"}`, `{"minutes":1.5,"source":"x"}`, `10`} {
		_, err := with(limit)
		assert.ErrorContains(t, err, "tourniquetAtRisk", limit)
	}
}

// C-7: a clinic chooses the weight that limits in mg/kg are multiplied by.
func TestC7_WeightConvention(t *testing.T) {
	with := func(member string) (config.File, error) {
		return config.Parse([]byte(strings.Replace(least, "{", "{"+member, 1)))
	}
	for member, want := range map[string]safety.WeightConvention{
		"": safety.WeightRecorded, `"weightConvention":"ideal-in-obesity",`: safety.WeightIdeal, `"weightConvention":"cap-70-kg",`: safety.WeightCapped,
	} {
		f, err := with(member)
		require.NoError(t, err)
		s, err := f.Settings(config.DemoNamespace)
		require.NoError(t, err)
		assert.Equal(t, want, s[0].Clinic.WeightConvention)
	}
	_, err := with(`"weightConvention":"lean",`)
	assert.ErrorContains(t, err, "weightConvention: not one of ideal-in-obesity, cap-70-kg")
}

// D1.7: the namespace of ids is made once, kept with the data, readable by its
// owner only, and never made anew over one that cannot be read.
func TestD1_7_NamespaceIsMadeOnceAndKept(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "data")
	_, err := config.ReadNamespace(filepath.Join(dir, config.NamespaceFile))
	assert.ErrorIs(t, err, os.ErrNotExist, "a command that only reads makes none")
	id, err := config.EnsureNamespace(dir, nil)
	require.NoError(t, err)
	assert.NotEqual(t, uuid.Nil, id)
	assert.NotEqual(t, config.DemoNamespace, id)
	again, err := config.EnsureNamespace(dir, bytes.NewReader(make([]byte, 16)))
	require.NoError(t, err)
	assert.Equal(t, id, again)
	for path, mode := range map[string]os.FileMode{dir: 0o700, filepath.Join(dir, config.NamespaceFile): 0o600} {
		info, err := os.Stat(path)
		require.NoError(t, err)
		assert.Equal(t, mode, info.Mode().Perm(), path)
	}
	other, err := config.EnsureNamespace(t.TempDir(), nil)
	require.NoError(t, err)
	assert.NotEqual(t, id, other)

	for _, text := range []string{"", "not a uuid", uuid.Nil.String()} {
		require.NoError(t, os.WriteFile(filepath.Join(dir, config.NamespaceFile), []byte(text), 0o600))
		_, err = config.EnsureNamespace(dir, nil)
		assert.Error(t, err, "%q is not overwritten", text)
		b, err := os.ReadFile(filepath.Join(dir, config.NamespaceFile))
		require.NoError(t, err)
		assert.Equal(t, text, string(b))
	}
}

// D1.7: a folder with the demo's guessable ids takes no real record, and a real
// one no invented record.
func TestD1_7_TheDemosFolderIsNoOther(t *testing.T) {
	demo, clinic := t.TempDir(), t.TempDir()
	require.NoError(t, config.EnsureDemo(demo))
	require.NoError(t, config.EnsureDemo(demo), "again")
	id, err := config.ReadNamespace(filepath.Join(demo, config.NamespaceFile))
	require.NoError(t, err)
	assert.Equal(t, config.DemoNamespace, id)
	_, err = config.EnsureNamespace(demo, nil)
	assert.ErrorIs(t, err, config.ErrDemo)

	_, err = config.EnsureNamespace(clinic, nil)
	require.NoError(t, err)
	assert.Error(t, config.EnsureDemo(clinic))

	used := t.TempDir()
	require.NoError(t, os.WriteFile(filepath.Join(used, "nailbridge.db"), nil, 0o600))
	assert.ErrorContains(t, config.EnsureDemo(used), "in use", "its namespace was lost")
}

// D1.7: a start that was killed before the namespace was whole is no loss.
func TestD1_7_ANamespaceIsWrittenWhole(t *testing.T) {
	dir := t.TempDir()
	for _, name := range []string{config.NamespaceFile + ".part", config.LockFile, "lost+found"} {
		require.NoError(t, os.WriteFile(filepath.Join(dir, name), nil, 0o600))
	}
	id, err := config.EnsureNamespace(dir, nil)
	require.NoError(t, err)
	again, err := config.EnsureNamespace(dir, nil)
	require.NoError(t, err)
	assert.Equal(t, id, again)
	assert.NoFileExists(t, filepath.Join(dir, config.NamespaceFile+".part"))
}

// One process at a time uses a data folder; the next may when it is done.
func TestADataFolderIsForOneProcess(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "data")
	release, err := config.Lock(dir)
	require.NoError(t, err)
	_, err = config.Lock(dir)
	assert.ErrorIs(t, err, config.ErrInUse)
	assert.ErrorContains(t, err, dir, "it names the folder")
	other, err := config.Lock(t.TempDir())
	require.NoError(t, err, "another folder is free")
	require.NoError(t, other())
	require.NoError(t, release())
	release, err = config.Lock(dir)
	require.NoError(t, err)
	require.NoError(t, release())
	_, err = config.EnsureNamespace(dir, nil)
	assert.NoError(t, err, "a lock does not make the folder one in use")
}

// The form for one clinic has each member of a clinic, of the same name and kind,
// and carries it over.
func TestTheFormForOneClinicHasEveryMember(t *testing.T) {
	whole, part := reflect.TypeFor[config.Document](), reflect.TypeFor[config.Clinic]()
	for i := range part.NumField() {
		f := part.Field(i)
		same, ok := whole.FieldByName(f.Name)
		require.True(t, ok, f.Name)
		assert.Equal(t, f.Tag, same.Tag, f.Name)
		assert.Equal(t, f.Type, same.Type, f.Name)
		if f.Type.Kind() == reflect.Struct {
			continue // clinic itself, which every settings file has
		}
		d := reflect.New(whole).Elem()
		v := d.FieldByName(f.Name)
		switch v.Kind() {
		case reflect.Bool:
			v.SetBool(true)
		case reflect.Slice:
			v.Set(reflect.MakeSlice(v.Type(), 1, 1))
		case reflect.Pointer:
			v.Set(reflect.New(v.Type().Elem()))
		default:
			v.SetString("said")
		}
		assert.Equal(t, v.Interface(), reflect.ValueOf(config.One(d.Interface().(config.Document))).Field(i).Interface(), f.Name)
	}
}
