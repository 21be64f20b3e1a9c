package back_test

import (
	"bytes"
	"compress/gzip"
	"encoding/json"
	"fmt"
	"io"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/generate"
	"nailbridge/internal/revert"
	"nailbridge/mapping"
	"nailbridge/mapping/back"
	"nailbridge/mapping/record"
)

// taken is a way back as it can be compared: records as they are written, findings in an
// order of their own.
type taken struct {
	records, findings []string
	leaves            back.Leaves
}

func options() back.Options { return back.Options{Terms: settings().Terms, Clinic: "c"} }

// atOnce reads an input as a whole.
func atOnce(t testing.TB, read func(back.Options, ...back.Input) (back.Result, error), in ...back.Input) taken {
	t.Helper()
	res, err := read(options(), in...)
	require.NoError(t, err)
	out := taken{leaves: res.Leaves, findings: texts(t, res.Findings)}
	for _, r := range res.Records {
		b, err := record.Encode(r)
		require.NoError(t, err)
		out.records = append(out.records, string(b))
	}
	slices.Sort(out.findings)
	return out
}

// inParts reads an input patient by patient, off the disk; most are the resources held at
// once.
func inParts(t testing.TB, revisions bool, in ...back.Input) (out taken, most int) {
	t.Helper()
	run, err := revert.Open(t.TempDir())
	require.NoError(t, err)
	defer func() { require.NoError(t, run.Close()) }()
	for _, f := range in {
		_, err := run.Take(t.Context(), f.Name, bytes.NewReader(f.Data))
		require.NoError(t, err)
	}
	sum, err := run.Read(t.Context(), options(), revisions, func(fs []back.Finding) error {
		out.findings = append(out.findings, texts(t, fs)...)
		return nil
	})
	require.NoError(t, err)
	require.NoError(t, run.Records(func(body []byte) error {
		out.records = append(out.records, string(body))
		return nil
	}))
	out.leaves = sum.Leaves
	assert.Len(t, out.records, sum.Records)
	slices.Sort(out.findings)
	return out, sum.Most
}

func texts(t testing.TB, fs []back.Finding) (out []string) {
	for _, f := range fs {
		b, err := json.Marshal(f)
		require.NoError(t, err)
		out = append(out, string(b))
	}
	return out
}

// lines of NDJSON.
func lines(text []byte) [][]byte { return bytes.Split(bytes.TrimSpace(text), []byte("\n")) }

// bundled are lines as one Bundle.
func bundled(all [][]byte, indent string) []byte {
	var out bytes.Buffer
	out.WriteString(`{"entry":[`)
	for i, l := range all {
		var r struct{ ResourceType, ID string }
		_ = json.Unmarshal(l, &r) // lines of our own
		fmt.Fprintf(&out, `%s{"fullUrl":"https://hub.example/fhir/%s/%s","resource":%s}`, strings.Repeat(",", min(i, 1)), r.ResourceType, r.ID, l)
	}
	out.WriteString(`],"resourceType":"Bundle","type":"collection"}`)
	if indent == "" {
		return out.Bytes()
	}
	var wide bytes.Buffer
	_ = json.Indent(&wide, out.Bytes(), "", indent) // what was written is JSON
	return wide.Bytes()
}

func packed(t testing.TB, b []byte) []byte {
	t.Helper()
	var out bytes.Buffer
	z := gzip.NewWriter(&out)
	_, err := z.Write(b)
	require.NoError(t, err)
	require.NoError(t, z.Close())
	return out.Bytes()
}

// many are the resources of invented cases.
func many(t testing.TB, seed uint64, n int) []byte {
	t.Helper()
	var out []byte
	for _, in := range world(seed, n) {
		res, err := mapping.FoldPatient(settings(), in)
		require.NoError(t, err)
		if res.Shared {
			out = append(out, published(t, res)...)
		}
	}
	return out
}

// TestPartsGiveWhatTheWholeGives: read off the disk patient by patient, the same
// resources give the same records, the same findings and the same counts as read at once,
// and the same records whatever the order of lines and files, and the form.
func TestPartsGiveWhatTheWholeGives(t *testing.T) {
	text := many(t, 8, 12)
	want := atOnce(t, back.Read, back.Input{Name: "all", Data: text})
	require.Greater(t, len(want.records), 20)
	got, _ := inParts(t, false, back.Input{Name: "all", Data: text})
	assert.Equal(t, want, got)

	all := lines(text)
	r := rand.New(rand.NewPCG(1, 2))
	r.Shuffle(len(all), func(i, j int) { all[i], all[j] = all[j], all[i] })
	byType := map[string][]byte{}
	for _, l := range all {
		var r struct{ ResourceType string }
		require.NoError(t, json.Unmarshal(l, &r))
		byType[r.ResourceType] = append(byType[r.ResourceType], append(l, '\n')...)
	}
	var files []back.Input
	for typ, b := range byType { // in any order
		files = append(files, back.Input{Name: typ, Data: packed(t, b)})
	}
	got, _ = inParts(t, false, files...)
	assert.Equal(t, want.records, got.records, "files of each type, shuffled and packed")
	assert.Equal(t, want.leaves, got.leaves)
	for name, b := range map[string][]byte{"one line": bundled(all, ""), "many lines": bundled(all, "  ")} {
		got, _ := inParts(t, false, back.Input{Name: "b", Data: b})
		assert.Equal(t, atOnce(t, back.Read, back.Input{Name: "b", Data: b}), got, name)
		assert.Equal(t, want.records, got.records, name)
	}
}

// TestPartsGiveEachRevisionToo is the same of histories.
func TestPartsGiveEachRevisionToo(t *testing.T) {
	var text []byte
	for _, c := range generate.Cases(4, 12, generate.Options{Zone: settings().Clinic.Zone}) {
		versions, _ := history(t, c)
		text = append(text, versions...)
	}
	want := atOnce(t, back.Revisions, back.Input{Name: "all", Data: text})
	require.Greater(t, len(want.records), 10)
	got, _ := inParts(t, true, back.Input{Name: "all", Data: text})
	assert.Equal(t, want.records, got.records)
	assert.Equal(t, want.leaves, got.leaves)
}

// TestPartsHoldOnePatient: what is held at once does not grow with the input.
func TestPartsHoldOnePatient(t *testing.T) {
	one := many(t, 8, 1)
	copies := func(n int) []byte {
		var out []byte
		for i := range n { // ids of their own, but for the clinic and its staff
			out = append(out, renamed(one, fmt.Sprintf("%d", i))...)
		}
		return out
	}
	_, few := inParts(t, false, back.Input{Name: "few", Data: copies(2)})
	got, lot := inParts(t, false, back.Input{Name: "lot", Data: copies(20)})
	assert.Equal(t, few, lot)
	assert.Less(t, lot, 2*len(lines(one)))
	assert.Zero(t, len(got.records)%20)
}

// renamed gives the ids of what is of a patient another end.
func renamed(text []byte, end string) []byte {
	out := string(text)
	var pairs []string
	for _, l := range lines(text) {
		var r struct{ ResourceType, ID string }
		_ = json.Unmarshal(l, &r)
		if !slices.Contains([]string{"Organization", "Practitioner", "PractitionerRole", "Device"}, r.ResourceType) {
			pairs = append(pairs, r.ID, r.ID+"-"+end)
		}
	}
	return []byte(strings.NewReplacer(pairs...).Replace(out))
}

// What FHIR of others may do: the reference from one patient's resource to another's, a
// medication of two patients, a commit over two patients, an encounter that names none,
// addresses in place of ids, patients that are linked, versions of which one is another's.
const entangled = `
{"resourceType":"Patient","id":"a","identifier":[{"system":"https://x.example/n","value":"1"}]}
{"resourceType":"Patient","id":"b","identifier":[{"system":"https://x.example/n","value":"2"}],"link":[{"type":"replaces","other":{"reference":"Patient/c"}}]}
{"resourceType":"Patient","id":"c","identifier":[{"system":"https://x.example/n","value":"3"}]}
{"resourceType":"Encounter","id":"ea","status":"finished","subject":{"reference":"Patient/a"},"type":[{"coding":[{"system":"https://nailbridge.example/fhir/CodeSystem/record-kind","code":"surgery"}]}]}
{"resourceType":"Encounter","id":"en","status":"finished","type":[{"coding":[{"system":"https://nailbridge.example/fhir/CodeSystem/record-kind","code":"surgery"}]}]}
{"resourceType":"Procedure","id":"pb","status":"completed","subject":{"reference":"Patient/b"},"encounter":{"reference":"Encounter/ea"},"code":{"coding":[{"system":"http://snomed.info/sct","code":"183668008"}]},"bodySite":[{"coding":[{"system":"http://www.cms.gov/Medicare/Coding/HCPCSReleaseCodeSets","code":"TA"}]}],"usedReference":[{"reference":"Medication/m"}]}
{"resourceType":"Procedure","id":"pc","status":"completed","subject":{"reference":"Patient/c"},"encounter":{"reference":"https://hub.example/fhir/Encounter/en"},"code":{"coding":[{"system":"http://snomed.info/sct","code":"183668008"}]},"bodySite":[{"coding":[{"system":"http://www.cms.gov/Medicare/Coding/HCPCSReleaseCodeSets","code":"T5"}]}]}
{"resourceType":"Procedure","id":"pd","status":"completed","subject":{"reference":"Patient/d"},"meta":{"lastUpdated":"2024-01-02T00:00:00Z"},"code":{"coding":[{"system":"http://snomed.info/sct","code":"183668008"}]}}
{"resourceType":"Procedure","id":"pd","status":"completed","subject":{"reference":"Patient/a"},"meta":{"lastUpdated":"2024-01-03T00:00:00Z"},"performedDateTime":"2024-01-01","code":{"coding":[{"system":"http://snomed.info/sct","code":"183668008"}]}}
{"resourceType":"MedicationAdministration","id":"ma","status":"completed","subject":{"reference":"Patient/a"},"context":{"reference":"Encounter/ea"},"medicationReference":{"reference":"Medication/m"},"dosage":{"dose":{"value":3,"code":"mL"}}}
{"resourceType":"MedicationAdministration","id":"mc","status":"completed","subject":{"reference":"Patient/c"},"context":{"reference":"Encounter/en"},"medicationReference":{"reference":"Medication/m"},"dosage":{"dose":{"value":3,"code":"mL"}}}
{"resourceType":"Medication","id":"m","code":{"text":"what was in the bottle"},"batch":{"lotNumber":"77"}}
{"resourceType":"Medication","id":"nobody","code":{"text":"never used"}}
{"resourceType":"Provenance","id":"pr","recorded":"2024-01-03T00:00:00Z","target":[{"reference":"Encounter/ea"},{"reference":"Patient/b"},{"reference":"Patient/e"}],"modifierExtension":[{"url":"https://x.example/not","valueBoolean":true}]}
{"resourceType":"Provenance","id":"ps","recorded":"2024-01-03T00:00:00Z","target":[{"reference":"Medication/m"}],"entity":[{"role":"source","what":{"display":"x"},"extension":[{"url":"https://nailbridge.example/fhir/StructureDefinition/clinic-record","extension":[{"url":"record","valueString":"ea"},{"url":"revision","valueDecimal":7}]}]}]}
{"resourceType":"Patient","id":"e","identifier":[{"system":"https://x.example/n","value":"5"}]}
{"resourceType":"Encounter","id":"ee","status":"finished","subject":{"reference":"Patient/e"},"type":[{"coding":[{"system":"https://nailbridge.example/fhir/CodeSystem/record-kind","code":"surgery"}]}]}
{"resourceType":"Provenance","id":"pt","recorded":"2024-01-03T00:00:00Z","target":[{"reference":"Practitioner/w"}],"entity":[{"role":"source","what":{"display":"x"},"extension":[{"url":"https://nailbridge.example/fhir/StructureDefinition/clinic-record","extension":[{"url":"record","valueString":"ee"},{"url":"revision","valueDecimal":9}]}]}]}
{"resourceType":"Practitioner","id":"w","modifierExtension":[{"url":"https://x.example/not","valueBoolean":true}]}
`

func TestPartsAreJoinedByWhatJoinsThem(t *testing.T) {
	for name, text := range map[string]string{
		"as lines":  strings.TrimSpace(entangled),
		"by itself": strings.Split(strings.TrimSpace(entangled), "\n")[0],
		"bundles":   addressed(strings.TrimSpace(entangled)),
	} {
		in := back.Input{Name: "f", Data: []byte(text)}
		got, _ := inParts(t, false, in)
		assert.Equal(t, atOnce(t, back.Read, in), got, name)
		if name != "by itself" {
			assert.GreaterOrEqual(t, len(got.records), 3, name)
		}
		if name == "as lines" {
			assert.Contains(t, strings.Join(got.records, ""), `"revision":7`)
			assert.Contains(t, strings.Join(got.records, ""), `"revision":9`)
		}
	}
}

// addressed are lines as a Bundle without ids, of which each is known by its address.
func addressed(text string) string {
	var out []string
	var pairs []string
	for i, l := range strings.Split(text, "\n") {
		var r struct{ ResourceType, ID string }
		_ = json.Unmarshal([]byte(l), &r)
		to := fmt.Sprintf("urn:uuid:00000000-0000-4000-8000-%012d", i)
		if r.ID == "pd" {
			to = "urn:uuid:00000000-0000-4000-8000-999999999999"
		}
		pairs = append(pairs, `"reference":"`+r.ResourceType+"/"+r.ID+`"`, `"reference":"`+to+`"`)
		out = append(out, fmt.Sprintf(`{"fullUrl":"%s","resource":%s}`, to, strings.Replace(l, `"id":"`+r.ID+`",`, "", 1)))
	}
	text = strings.NewReplacer(pairs...).Replace(strings.Join(out, ","))
	text = strings.ReplaceAll(text, `"https://hub.example/fhir/Encounter/en"`, pairs[9][len(`"reference":`):])
	return `{"resourceType":"Bundle","type":"collection","entry":[` + strings.ReplaceAll(text, `"valueString":"ea"`, `"valueString":""`) + `]}`
}

// TestOneOfTwoClinicsHasItsOwnHeader: two clinics may have records of one id.
func TestOneOfTwoClinicsHasItsOwnHeader(t *testing.T) {
	const one = `{"resourceType":"Patient","id":"pX","identifier":[{"system":"https://x.example/n","value":"X"}]}
{"resourceType":"Encounter","id":"eX","status":"finished","subject":{"reference":"Patient/pX"},"identifier":[{"system":"https://c.example/record","value":"S-1"}],"type":[{"coding":[{"system":"https://nailbridge.example/fhir/CodeSystem/record-kind","code":"surgery"}]}]}
{"resourceType":"Provenance","id":"rX","recorded":"2024-01-0XT00:00:00Z","target":[{"reference":"Encounter/eX"}],"entity":[{"role":"source","what":{"display":"x"},"extension":[{"url":"https://nailbridge.example/fhir/StructureDefinition/clinic-record","extension":[{"url":"record","valueString":"S-1"},{"url":"revision","valueDecimal":X}]}]}]}
`
	in := back.Input{Name: "f", Data: []byte(strings.ReplaceAll(one, "X", "1") + strings.ReplaceAll(one, "X", "2"))}
	got, _ := inParts(t, false, in)
	assert.Equal(t, atOnce(t, back.Read, in), got)
	require.Len(t, got.records, 2)
	for i, r := range got.records {
		assert.Contains(t, r, fmt.Sprintf(`"revision":%d`, i+1))
	}
}

// TestABundleIsReadEntryByEntry: an entry is there long before the end of its Bundle.
func TestABundleIsReadEntryByEntry(t *testing.T) {
	in := &endless{}
	stop := fmt.Errorf("enough")
	found := 0
	_, err := back.Scan("b", in, func(back.Resource) error {
		if found++; found == 3 {
			return stop
		}
		return nil
	})
	require.ErrorIs(t, err, stop)
	assert.Less(t, in.given, 4<<20)
}

// endless is a Bundle without end.
type endless struct {
	rest  []byte
	given int
}

func (e *endless) Read(p []byte) (int, error) {
	if e.given == 0 {
		e.rest = []byte(`{"entry":[{"resource":{"resourceType":"Patient","id":"x"}}`)
	}
	if len(e.rest) == 0 {
		e.rest = []byte(`,{"resource":{"resourceType":"Patient","id":"x"}}`)
	}
	n := copy(p, e.rest)
	e.rest, e.given = e.rest[n:], e.given+n
	return n, nil
}

var _ io.Reader = (*endless)(nil)

// TestWhatIsBrokenIsNamedByItsPlace: without a word of it.
func TestWhatIsBrokenIsNamedByItsPlace(t *testing.T) {
	const p = `{"resourceType":"Patient","id":"a"}`
	for text, want := range map[string]string{
		"secret":               "f: is no JSON from byte 1 on",
		p + "\nsecret":         "f:2: ",
		"{\n\"resourceType\":": "f: ends at byte 17 in the middle of JSON",
		"{\n\"a\":1}":          "f: holds no FHIR resource in JSON",
		"[1,\n2]":              "f: holds no FHIR resource in JSON",
		"{\"entry\":[\n{\"resource\":" + p + "}],\"resourceType\":\"List\"}": "f: resources stand in what is no Bundle",
		"{\"entry\":[\n{\"resource\":" + p + ",\"resource\":1}]}":            "f entry 0: a member of an object stands twice",
		"{\"id\":\"a\",\n\"id\":\"b\",\"resourceType\":\"Patient\"}":         "f: a member of an object stands twice",
		"{\"resourceType\":\"Bundle\",\n\"entry\":{}}":                       "f: entry is no list",
	} {
		_, err := back.Read(options(), back.Input{Name: "f", Data: []byte(text)})
		if assert.ErrorContains(t, err, want, text) {
			assert.NotContains(t, err.Error(), "secret")
		}
	}
}
