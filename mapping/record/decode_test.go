package record

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
)

// surgeryText is a short surgery record that decodes without a finding.
const surgeryText = `{"schemaVersion":"1.0","clinic":"c1","record":"s1","revision":1,"savedAt":"2024-06-03T11:00:00+01:00",
"kind":"surgery","status":"final","author":{"staffKey":"k7","role":"podiatrist"},
"patient":{"identifier":{"system":"urn:oid:1.2.36.1","value":"P 1"},"birthDate":"1990-02-28"},"sharing":"agreed",
"surgery":{"outcome":"done","start":"2024-06-03T10:00+01:00","toes":[{"side":"left","digit":"1",
"block":{"agents":[{"agent":"lidocaine","percent":2,"vasoconstrictor":"none","mL":2.50,"at":"2024-06-03T10:01+01:00"}]},
"tourniquet":"used","tourniquets":[{"device":"digital-ring","on":"2024-06-03T10:05+01:00","off":"2024-06-03T10:20+01:00"}],
"borders":[{"border":"medial","procedure":"partial-avulsion","matrix":{"method":"chemical-ablation","applications":[{"seconds":60}]}}]}]}}`

func TestDecodeReadsARecord(t *testing.T) {
	d := Decode([]byte(surgeryText))
	assert.Empty(t, d.Findings)
	assert.False(t, d.NotJSON)
	toe := d.Record.Surgery.Toes[0]
	assert.Equal(t, "2.50", toe.Block.Agents[0].ML.String(), "a decimal keeps its text")
	assert.Equal(t, "2024-06-03T10:20+01:00", toe.Tourniquets[0].Off.Text)
	assert.Equal(t, int64(1), *d.Record.Revision)
}

// findingsOf are the codes and places of the findings of one severity.
func findingsOf(d Decoded, s Severity) []string {
	var out []string
	for _, f := range d.Findings {
		if f.Severity == s {
			out = append(out, f.Code+" "+f.Pointer)
		}
	}
	return out
}

func read(text string) Decoded { return Read([]byte(text), time.UTC) }

// refusedPlaces are the places whose unreadable value refuses a record, by
// hand from D2.1: what identifies, the procedure, the times of anaesthesia and
// tourniquet, and the drug amounts. The rest of the format is kept and flagged.
var refusedPlaces = []string{
	"/clinic", "/record", "/kind", "/status",
	"/author/registration/system", "/author/registration/value", "/author/staffKey",
	"/patient/identifier/system", "/patient/identifier/value",
	"/surgery/toes/*/side", "/surgery/toes/*/digit",
	"/surgery/toes/*/block/agents/*/percent", "/surgery/toes/*/block/agents/*/ratio", "/surgery/toes/*/block/agents/*/mL", "/surgery/toes/*/block/agents/*/at",
	"/surgery/toes/*/tourniquets/*/on", "/surgery/toes/*/tourniquets/*/off",
	"/surgery/toes/*/borders/*/procedure",
	"/surgery/antibiotics/*/doseMg", "/review/antibiotics/*/doseMg", "/contact/antibiotics/*/doseMg",
	"/review/surgery", "/review/toes/*/side", "/review/toes/*/digit",
	"/contact/surgery", "/contact/toes/*/side", "/contact/toes/*/digit",
	"/merge/replaces/*/system", "/merge/replaces/*/value",
}

// neededPlaces are those of them that must be there.
var neededPlaces = []string{
	"/clinic", "/record", "/kind", "/status", "/author", "/patient", "/patient/identifier", "/patient/identifier/system", "/patient/identifier/value",
	"/surgery/toes/*/side", "/surgery/toes/*/digit", "/review/surgery", "/review/toes/*/side", "/review/toes/*/digit",
	"/contact/surgery", "/contact/toes/*/side", "/contact/toes/*/digit",
	"/merge/replaces", "/merge/replaces/*/system", "/merge/replaces/*/value",
}

func kindOf(path string) string {
	for _, kind := range []string{"review", "contact", "merge"} {
		if strings.HasPrefix(path, "/"+kind) {
			return kind
		}
	}
	return "surgery"
}

// first is the pointer of the first value that a path names.
func first(path string) string { return strings.ReplaceAll(path, "*", "0") }

// TestD2_1_WhatRefusesAndWhatIsKept puts an unreadable value at every place of
// the format, values and whole parts alike.
func TestD2_1_WhatRefusesAndWhatIsKept(t *testing.T) {
	refused := map[string]bool{}
	for _, place := range refusedPlaces {
		for ; place != ""; place = place[:strings.LastIndex(place, "/")] {
			refused[place] = true // a part that holds such a place, unreadable as a whole
		}
	}
	for _, p := range Paths() {
		for _, unreadable := range []any{object{"unreadable": 1}, "unreadable"} {
			if _, isObject := unreadable.(object); isObject && p.Type == ObjectPath || !isObject && (p.Type == TextPath || p.Type == IDPath) {
				continue
			}
			d := Read(mustJSON(with(fullRecord(kindOf(p.Path)), p.Path, unreadable)), time.UTC)
			assert.Equal(t, refused[p.Path], d.Refused(), "%s = %v: %v", p.Path, unreadable, findingsOf(d, Refusal))
			assert.Contains(t, d.Unreadable, first(p.Path), "what is not used is listed")
			assert.NotContains(t, findingsOf(d, Refusal), "missing "+first(p.Path), "unreadable is not called missing")
		}
	}
}

func TestD2_1_WhatMustBeThere(t *testing.T) {
	needed := map[string]bool{}
	for _, place := range neededPlaces {
		needed[place] = true
	}
	for _, p := range Paths() {
		if strings.HasSuffix(p.Path, "/*") {
			continue
		}
		kind := kindOf(p.Path)
		d := Read(mustJSON(without(with(fullRecord(kind), "/historical", false), p.Path)), time.UTC)
		want := needed[p.Path] || p.Path == "/"+kind
		assert.Equal(t, want, d.Refused(), "without %s: %v", p.Path, findingsOf(d, Refusal))
		if want {
			assert.Equal(t, []string{"missing " + first(p.Path)}, findingsOf(d, Refusal))
		}
	}
}

func TestD2_1_AuthorByRegistrationOrStaffKey(t *testing.T) {
	full := fullRecord("surgery")
	assert.False(t, Read(mustJSON(without(full, "/author/staffKey")), time.UTC).Refused())
	assert.False(t, Read(mustJSON(without(full, "/author/registration")), time.UTC).Refused())
	for _, part := range []string{"", "/system", "/value"} {
		d := Read(mustJSON(without(without(full, "/author/staffKey"), "/author/registration"+part)), time.UTC)
		assert.Equal(t, []string{"missing /author"}, findingsOf(d, Refusal))
	}
}

// Old data need not say who wrote it. An author that it names without a key, or
// that cannot be read, is refused as in a live record.
func TestD2_1_AHistoricalRecordMayHaveNoAuthor(t *testing.T) {
	for _, kind := range []string{"surgery", "review", "contact", "merge"} {
		full := with(fullRecord(kind), "/historical", true)
		d := Read(mustJSON(without(full, "/author")), time.UTC)
		assert.Empty(t, findingsOf(d, Refusal), kind)
		assert.Nil(t, d.Record.Author, kind)
		for what, author := range map[string]any{"without a key": object{"role": "clerk"}, "a text": "A. Quill"} {
			assert.True(t, Read(mustJSON(with(full, "/author", author)), time.UTC).Refused(), "%s %s", kind, what)
		}
	}
}

func TestD2_1_RevisionOrSavedAt(t *testing.T) {
	full := fullRecord("surgery")
	assert.False(t, Read(mustJSON(without(full, "/revision")), time.UTC).Refused())
	assert.False(t, Read(mustJSON(without(full, "/savedAt")), time.UTC).Refused())
	d := Read(mustJSON(without(without(full, "/revision"), "/savedAt")), time.UTC)
	assert.Equal(t, []string{"missing /revision"}, findingsOf(d, Refusal))
	d = Read(mustJSON(with(without(full, "/savedAt"), "/revision", "7")), time.UTC)
	assert.True(t, d.Refused(), "an unreadable revision is none")
	d = Read(mustJSON(with(full, "/revision", "7")), time.UTC)
	assert.False(t, d.Refused(), "the saved-at is enough")
	assert.Contains(t, findingsOf(d, Warning), "wrong-type /revision")
}

func TestD2_1_KindAndTree(t *testing.T) {
	d := Read(mustJSON(with(fullRecord("surgery"), "/kind", "review")), time.UTC)
	assert.Equal(t, []string{"other-kind /surgery", "missing /review"}, findingsOf(d, Refusal))
	d = Read(mustJSON(with(fullRecord("surgery"), "/contact", object{"surgery": "s1"})), time.UTC)
	assert.Equal(t, []string{"other-kind /contact"}, findingsOf(d, Refusal))
}

// D2.1, R-SEC-12: what is not one JSON value is refused as such, and so is one that is
// too deep, too large or not UTF-8.
func TestD2_1_NotOneJSONValue(t *testing.T) {
	for text, code := range map[string]string{
		"":                                      "not-json",
		"nail":                                  "not-json",
		`{"a":1,}`:                              "not-json",
		`{"a" 1}`:                               "not-json",
		`{a:1}`:                                 "not-json",
		`{"a":01}`:                              "not-json",
		`{"a":+1}`:                              "not-json",
		`{"a":NaN}`:                             "not-json",
		"{\"a\":\"\n\"}":                        "not-json",
		`{"a":"\x"}`:                            "not-json",
		`{"a":"\u12g4"}`:                        "not-json",
		`{"a":"`:                                "not-json",
		`{"a":1`:                                "not-json",
		"\ufeff{}":                              "not-json",
		"{\"a\":\"\xff\"}":                      "invalid-utf8",
		"{\"a\":\"\xed\xa0\x80\"}":              "invalid-utf8",
		"{\"a\":\"\xc0\xaf\"}":                  "invalid-utf8",
		`{} {}`:                                 "trailing-data",
		`{}x`:                                   "trailing-data",
		"{}\x00":                                "trailing-data",
		`{"a":` + strings.Repeat("[", MaxDepth): "too-deep",
		strings.Repeat(" ", MaxBytes+1):         "too-large",
	} {
		d := read(text)
		assert.True(t, d.NotJSON, "%.40q", text)
		assert.Equal(t, []string{code + " "}, findingsOf(d, Refusal), "%.40q", text)
		assert.NotNil(t, d.Record)
	}
	d := read(`[]`)
	assert.False(t, d.NotJSON, "JSON, and no record")
	assert.Contains(t, findingsOf(d, Refusal), "wrong-type ")
	assert.True(t, Decode([]byte(`null`)).Refused())
}

func TestD2_1_DuplicateMembers(t *testing.T) {
	for why, c := range map[string][2]string{
		"at the top":           {`"clinic":"c1","clinic":"c1"`, "/clinic"},
		"in an item of a list": {`"surgery":{"toes":[{},{"side":"left","side":"right"}]}`, "/surgery/toes/1/side"},
		"escaped":              {`"surgery":{"toes":[],"\u0074oes":[]}`, "/surgery/toes"},
		"in an unknown part":   {`"x":{"y":[{"z":1,"z":1}]}`, "/x/y/0/z"},
		"unknown itself":       {`"a/b~":1,"a/b~":1`, "/a~1b~0"},
		"in an unreadable one": {`"clinic":{"a":1,"a":2}`, "/clinic/a"},
		"unpaired surrogates":  {`"\ud800":1,"\ud800":1`, "/\ufffd"},
	} {
		assert.Contains(t, findingsOf(Decode([]byte("{"+c[0]+"}")), Refusal), "duplicate-member "+c[1], why)
	}
	assert.NotContains(t, findingsOf(Decode([]byte(`{"\ud800":1,"\ud801":1}`)), Refusal), "duplicate-member /\ufffd", "two unknown names, not one twice")
	d := Decode([]byte(`{"x":1,"x":1,"x":1}`))
	assert.Equal(t, []string{"duplicate-member /x"}, findingsOf(d, Refusal), "once for each name")
}

func TestD2_1_MembersInTheWrongCase(t *testing.T) {
	for text, place := range map[string]string{
		`{"Clinic":"c1"}`:                                        "/Clinic",
		`{"surgery":{"TOES":[]}}`:                                "/surgery/TOES",
		`{"surgery":{"toes":[{"\u0053ide":"left"}]}}`:            "/surgery/toes/0/Side",
		`{"surgery":{"toes":[{"\u017fide":"left"}]}}`:            "/surgery/toes/0/\u017fide", // LATIN SMALL LETTER LONG S folds to s
		`{"surgery":{"toes":[{"block":{"agents":[{"ML":2}]}}]}}`: "/surgery/toes/0/block/agents/0/ML",
	} {
		assert.Contains(t, findingsOf(Decode([]byte(text)), Refusal), "member-case "+place, text)
	}
	assert.NotContains(t, findingsOf(Decode([]byte(`{"unknown":{"Clinic":1}}`)), Refusal), "member-case /unknown/Clinic", "no known member is meant there")
}

func TestD2_1_UnknownMembersAreKeptAndFlagged(t *testing.T) {
	d := Read(mustJSON(with(fullRecord("surgery"), "/surgery/toes/*/Maria Muster", "x")), time.UTC)
	assert.False(t, d.Refused())
	assert.Equal(t, []string{"unknown-member /surgery/toes/0/Maria Muster"}, findingsOf(d, Warning))
	assert.Equal(t, []string{"/surgery/toes/0/Maria Muster"}, d.Unreadable)
}

// TestFindingTextsAreSafe marks every name and value that a sender can choose:
// no text of a finding or red flag may repeat one, nor a pointer a value.
func TestFindingTextsAreSafe(t *testing.T) {
	const mark = "Zzmark"
	for _, kind := range []string{"surgery", "review", "contact"} {
		for _, p := range Paths() {
			if !belongs(p.Path, kind) {
				continue
			}
			for _, doc := range []object{with(fullRecord(kind), p.Path, mark+"\u0007"), with(fullRecord(kind), p.Path, object{mark: mark})} {
				d := Read(mustJSON(doc), time.UTC)
				for _, f := range d.Findings {
					assert.NotContains(t, f.Text, mark, f.Code)
					assert.NotEmpty(t, f.Rule)
					if f.Code != "unknown-member" {
						assert.NotContains(t, f.Pointer, mark, f.Code)
					}
				}
			}
		}
	}
}

func TestD2_1_ReadableRestOfAList(t *testing.T) {
	d := Decode([]byte(`{"patient":{"name":{"given":["Ada",5,null,"",  "Bea"]}},"surgery":{"toes":["x",{"key":"t2"}]},"review":{"toes":[{"borders":[{"infection":{"findings":["redness","puss","pus"]}}]}]}}`))
	assert.Equal(t, []string{"Ada", "Bea"}, d.Record.Patient.Name.Given)
	assert.Equal(t, []Toe{{}, {Key: "t2"}}, d.Record.Surgery.Toes, "the second toe keeps its index")
	assert.Equal(t, []Code{"redness", "pus"}, d.Record.Review.Toes[0].Borders[0].Infection.Findings)
	assert.Equal(t, []string{"/patient/name/given/1", "/patient/name/given/2", "/surgery/toes/0", "/review/toes/0/borders/0/infection/findings/1"}, d.Unreadable)
}

func TestD2_1_Numbers(t *testing.T) {
	agent := func(members string) Decoded {
		return Decode([]byte(`{"surgery":{"toes":[{"block":{"agents":[{` + members + `}]}}]}}`))
	}
	at := "/surgery/toes/0/block/agents/0"
	for members, want := range map[string]string{
		`"mL":-0.1`:                    "impossible-number " + at + "/mL",
		`"mL":"2"`:                     "wrong-type " + at + "/mL",
		`"mL":1e999`:                   "number-out-of-bounds " + at + "/mL",
		`"percent":0`:                  "impossible-number " + at + "/percent",
		`"percent":100.1`:              "impossible-number " + at + "/percent",
		`"ratio":0`:                    "impossible-number " + at + "/ratio",
		`"ratio":200000.5`:             "wrong-type " + at + "/ratio",
		`"ratio":9007199254740992`:     "impossible-number " + at + "/ratio",
		`"ratio":1e300`:                "number-out-of-bounds " + at + "/ratio",
		`"percent":2.0000000000000001`: "number-out-of-bounds " + at + "/percent",
	} {
		assert.Equal(t, []string{want}, findingsOf(agent(members), Refusal), members)
	}
	for _, members := range []string{`"mL":0`, `"percent":100`, `"ratio":1`, `"ratio":2e5`, `"ratio":200000.0`, `"ratio":9007199254740991`} {
		assert.Empty(t, agent(members).Findings, members)
	}
	assert.Equal(t, int64(200000), *agent(`"ratio":2e5`).Record.Surgery.Toes[0].Block.Agents[0].Ratio, "what hashes alike reads alike")

	d := Decode([]byte(`{"review":{"toes":[{"pain":11},{"pain":10},{"pain":-1}]}}`))
	assert.Equal(t, []string{"impossible-number /review/toes/0/pain", "impossible-number /review/toes/2/pain"}, findingsOf(d, Warning), "kept and flagged, not refused")
	assert.Nil(t, d.Record.Review.Toes[0].Pain)
	assert.Equal(t, int64(10), *d.Record.Review.Toes[1].Pain)
}

func TestD2_1_IdsAndTexts(t *testing.T) {
	for id, ok := range map[string]bool{
		"s1": true, "A/7 b": true, "ä-1": true, "0": true, strings.Repeat("k", 255): true,
		" s1": false, "s1 ": false, "\u00a0s1": false, "s\t1": false, "s\u200b1": false, "s\u00001": false, strings.Repeat("k", 256): false, "s\ufffd": false,
	} {
		d := Decode(mustJSON(object{"record": id}))
		assert.Equal(t, !ok, d.Refused(), "%q: %v", id, d.Findings)
	}
	for uri, ok := range map[string]bool{
		"urn:oid:1.2.3": true, "https://x.example/mrn": true, "a+b-c.1:x": true,
		"1.2.3": false, "mrn": false, "/mrn": false, ":x": false, "urn:": false, "1a:x": false, "urn:a b": false, "urn:ä": false,
	} {
		d := Decode(mustJSON(object{"patient": object{"identifier": object{"system": uri}}}))
		assert.Equal(t, !ok, d.Refused(), uri)
	}
	d := Decode([]byte(`{"surgery":{"note":"a\u0000b\tc\nd\ud800"}}`))
	assert.Equal(t, "ab\tc\nd\ufffd", d.Record.Surgery.Note, "what FHIR's string cannot carry is left out and flagged")
	assert.Equal(t, []string{"unpaired-surrogate /surgery/note", "control-character /surgery/note"}, findingsOf(d, Warning))
}
