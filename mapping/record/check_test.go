package record

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
)

// anaesthesiaTimes are the times of anaesthesia and tourniquet of D2.1.
var anaesthesiaTimes = map[string]bool{
	"/surgery/toes/*/block/agents/*/at": true, "/surgery/toes/*/tourniquets/*/on": true, "/surgery/toes/*/tourniquets/*/off": true,
}

// naturallyPartial are dates that are less than full without being old.
var naturallyPartial = map[string]bool{
	"/patient/birthDate": true, "/patient/deathDate": true, "/surgery/indication/since": true,
	"/surgery/toes/*/block/agents/*/expiry": true, "/surgery/toes/*/borders/*/matrix/expiry": true,
}

// atEveryTime calls f for each place of a date or time, with the findings that
// the text there gives in the zone of a clinic in London.
func atEveryTime(t *testing.T, text string, historical bool, f func(path string, d Decoded)) {
	for _, p := range Paths() {
		if p.Type == WhenPath {
			doc := with(with(fullRecord(kindOf(p.Path)), p.Path, text), "/historical", historical)
			f(p.Path, Read(mustJSON(doc), zone(t, "Europe/London")))
		}
	}
}

func TestD2_1_LocalTimesThatDoNotExistOrExistTwice(t *testing.T) {
	for text, code := range map[string]string{
		"2024-03-31T01:30": "local-time-skipped",
		"2024-10-27T01:30": "local-time-ambiguous",
	} {
		atEveryTime(t, text, false, func(path string, d Decoded) {
			severity := Warning // the saved-at among them, D2.2
			if anaesthesiaTimes[path] {
				severity = Refusal
			}
			assert.Equal(t, []string{code + " " + first(path)}, findingsOf(d, severity), path)
			assert.Equal(t, severity == Refusal, d.Refused(), path)
		})
		atEveryTime(t, text+"+01:00", false, func(path string, d Decoded) {
			assert.NotContains(t, findingsOf(d, Refusal), code+" "+first(path), "its offset tells which")
			assert.NotContains(t, findingsOf(d, Warning), code+" "+first(path), "its offset tells which")
		})
	}
}

func TestD2_1_AssumedZoneIsNoted(t *testing.T) {
	atEveryTime(t, "2024-06-03T10:30", false, func(path string, d Decoded) {
		assert.False(t, d.Refused(), path)
		assert.Contains(t, findingsOf(d, Info), "zone-assumed "+first(path))
	})
	atEveryTime(t, "2024-06-03", false, func(path string, d Decoded) {
		assert.NotContains(t, findingsOf(d, Info), "zone-assumed "+first(path), "a date needs no zone to be read")
	})
}

func TestD2_1_PartialDates(t *testing.T) {
	for _, text := range []string{"2014", "2014-06"} {
		atEveryTime(t, text, true, func(path string, d Decoded) {
			assert.False(t, d.Refused(), "%s in old data", path)
			assert.NotContains(t, findingsOf(d, Warning), "partial-date "+first(path))
		})
		atEveryTime(t, text, false, func(path string, d Decoded) {
			assert.Equal(t, anaesthesiaTimes[path], d.Refused(), path)
			flagged := append(findingsOf(d, Refusal), findingsOf(d, Warning)...)
			if naturallyPartial[path] {
				assert.NotContains(t, flagged, "partial-date "+first(path))
			} else {
				assert.Contains(t, flagged, "partial-date "+first(path))
			}
		})
	}
	atEveryTime(t, "2014-06-03", false, func(path string, d Decoded) {
		assert.False(t, d.Refused(), path)
		assert.Equal(t, anaesthesiaTimes[path], len(findingsOf(d, Warning)) > 0, "%s: a time of day is wanted", path)
	})
}

func TestD2_1_AbsentIsAcceptedAndNoted(t *testing.T) {
	d := read(surgeryText)
	assert.False(t, d.Refused())
	assert.Subset(t, findingsOf(d, Info), []string{"absent /surgery/consent", "absent /surgery/weight", "absent /surgery/toes/0/perfusion"})
	assert.Empty(t, findingsOf(d, Warning))
	for why, edited := range map[string]object{
		"old data":         with(parseJSON([]byte(surgeryText)).(object), "/historical", true),
		"a withdrawal":     with(parseJSON([]byte(surgeryText)).(object), "/status", "withdrawn"),
		"a surgery undone": with(parseJSON([]byte(surgeryText)).(object), "/surgery/outcome", "not-done"),
	} {
		assert.Empty(t, findingsOf(Read(mustJSON(edited), time.UTC), Info), why)
	}
}

// What is asked of every injection, tourniquet and flush that a record holds.
func TestAbsentPartsOfAnInjectionATourniquetAndAFlushAreNoted(t *testing.T) {
	doc := parseJSON([]byte(surgeryText)).(object)
	for path, value := range map[string]string{
		"/surgery/toes/0/block":           `{"agents": [{"agent": "lidocaine"}]}`,
		"/surgery/toes/0/tourniquets":     `[{"device": "digital-ring"}]`,
		"/surgery/toes/0/borders/0/flush": `{"agent": "isopropyl-alcohol"}`,
	} {
		doc = with(doc, path, parseJSON([]byte(value)))
	}
	assert.Subset(t, findingsOf(Read(mustJSON(doc), time.UTC), Info), []string{
		"absent /surgery/toes/0/block/effective", "absent /surgery/toes/0/block/agents/0/site", "absent /surgery/toes/0/block/agents/0/giver",
		"absent /surgery/toes/0/tourniquets/0/remover", "absent /surgery/toes/0/borders/0/flush/mL"})
}

func TestImplausibleNumbersAreFlaggedAndUsed(t *testing.T) {
	for path, twin := range map[string][2]string{
		"/surgery/weight/kg":                                      {"300.1", "300"},
		"/surgery/risks/ankleBrachialIndex":                       {"3.01", "3"},
		"/surgery/toes/*/block/agents/*/percent":                  {"5.5", "5"},
		"/surgery/toes/*/block/agents/*/mL":                       {"20.5", "20"},
		"/surgery/toes/*/borders/*/widthMm":                       {"31", "30"},
		"/surgery/toes/*/borders/*/matrix/applications/*/seconds": {"601", "600"},
		"/surgery/toes/*/borders/*/flush/mL":                      {"501", "500"},
		"/surgery/toes/*/perfusion/refillSeconds":                 {"61", "60"},
		"/review/toes/*/perfusion/refillSeconds":                  {"61", "60"},
		"/contact/toes/*/perfusion/refillSeconds":                 {"61", "60"},
	} {
		full := fullRecord(kindOf(path))
		d := Read(mustJSON(with(full, path, parseJSON([]byte(twin[0])))), time.UTC)
		assert.Equal(t, []string{"implausible-number " + first(path)}, findingsOf(d, Warning))
		assert.False(t, d.Refused(), "nothing done to a patient is refused for being unsafe")
		assert.NotContains(t, d.Unreadable, first(path), "it is used")
		assert.Empty(t, findingsOf(Read(mustJSON(with(full, path, parseJSON([]byte(twin[1])))), time.UTC), Warning), "one step inside")
	}
}

func TestContradictionsAndRepeats(t *testing.T) {
	for text, want := range map[string]string{
		`{"surgery":{"events":{"none":true,"items":[{"code":"faint"}]}}}`:                                  "contradiction /surgery/events/none",
		`{"surgery":{"allergies":{"status":"none-known","items":[{"substance":"latex"}]}}}`:                "contradiction /surgery/allergies/status",
		`{"surgery":{"toes":[{"tourniquet":"not-used","tourniquets":[{}]}]}}`:                              "contradiction /surgery/toes/0/tourniquet",
		`{"surgery":{"toes":[{"block":{"agents":[{"vasoconstrictor":"none","ratio":200000}]}}]}}`:          "contradiction /surgery/toes/0/block/agents/0/ratio",
		`{"review":{"toes":[{"borders":[{"infection":{"findings":["none","redness"]}}]}]}}`:                "contradiction /review/toes/0/borders/0/infection/findings",
		`{"surgery":{"operator":{"registration":{"value":"7"}}}}`:                                          "incomplete-identifier /surgery/operator/registration",
		`{"surgery":{"toes":[{"key":"a"},{"key":"a"}]}}`:                                                   "repeated-key /surgery/toes/1/key",
		`{"surgery":{"toes":[{"side":"left","digit":"1"},{"side":"left","digit":"1"}]}}`:                   "repeated-place /surgery/toes/1",
		`{"review":{"toes":[{"borders":[{"border":"medial"},{"border":"lateral"},{"border":"medial"}]}]}}`: "repeated-place /review/toes/0/borders/2",
		`{"surgery":{"plannedReviews":[{"key":"p"},{"key":"q"},{"key":"p"}]}}`:                             "repeated-key /surgery/plannedReviews/2/key",
	} {
		assert.Equal(t, []string{want}, findingsOf(read(text), Warning), text)
	}
	for _, twin := range []string{
		`{"surgery":{"events":{"none":true}}}`,
		`{"surgery":{"allergies":{"status":"none-known","items":[{"substance":"latex","refuted":true}]}}}`,
		`{"surgery":{"toes":[{"tourniquet":"used","tourniquets":[{}]}]}}`,
		`{"surgery":{"toes":[{"key":"a","side":"left","digit":"1"},{"key":"b","side":"right","digit":"1"},{},{}]}}`,
		`{"review":{"toes":[{"borders":[{"border":"medial"},{"border":"lateral"}]}]}}`,
	} {
		assert.Empty(t, findingsOf(read(twin), Warning), twin)
	}
}
