package record

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
)

const mergeText = `{"schemaVersion":"1.0","clinic":"c1","record":"m1","revision":1,"savedAt":"2024-06-03T11:00:00+01:00",
"kind":"merge","status":"final","author":{"staffKey":"k7","role":"clerk"},
"patient":{"identifier":{"system":"urn:oid:1.2.36.1","value":"P 1"}},
"merge":{"replaces":[{"system":"urn:oid:1.2.36.1","value":"P 7"},{"system":"urn:oid:1.2.36.2","value":"P 1"}]}}`

// D1.5: a merge names the one who replaces and those who are replaced.
func TestD1_5_AMergeNamesAllOfItsPatients(t *testing.T) {
	d := read(mergeText)
	assert.Empty(t, d.Findings)
	assert.Equal(t, []Identifier{
		{"urn:oid:1.2.36.1", "P 1"}, {"urn:oid:1.2.36.1", "P 7"}, {"urn:oid:1.2.36.2", "P 1"},
	}, d.Record.Names())
	assert.Equal(t, []Identifier{{"urn:oid:1.2.36.1", "P 1"}}, read(surgeryText).Record.Names(), "any other record names one")
	assert.Empty(t, (&Record{}).Names())
}

// D1.5, D2.1: what is replaced identifies: missing, empty or unreadable refuses
// the record with the place, and so does a patient that replaces itself.
func TestD1_5_WhatIsReplacedMustBeReadable(t *testing.T) {
	doc := parseJSON([]byte(mergeText)).(object)
	for why, x := range map[string]struct {
		doc  object
		want string
	}{
		"no list":             {without(doc, "/merge/replaces"), "missing /merge/replaces"},
		"an empty list":       {with(doc, "/merge/replaces", []any{}), "missing /merge/replaces"},
		"a list of texts":     {with(doc, "/merge/replaces", []any{"P 7"}), "wrong-type /merge/replaces/0"},
		"no system":           {without(doc, "/merge/replaces/*/system"), "missing /merge/replaces/0/system"},
		"a system without":    {with(doc, "/merge/replaces/*/system", "P"), "malformed-uri /merge/replaces/0/system"},
		"a number with blank": {with(doc, "/merge/replaces/*/value", "P 7 "), "malformed-id /merge/replaces/0/value"},
		"itself":              {with(doc, "/merge/replaces/*/value", "P 1"), "replaces-itself /merge/replaces/0"},
		"no merge":            {without(doc, "/merge"), "missing /merge"},
		"a review beside it":  {with(doc, "/review", object{"surgery": "s1"}), "other-kind /review"},
	} {
		d := Read(mustJSON(x.doc), time.UTC)
		assert.Contains(t, findingsOf(d, Refusal), x.want, why)
	}
	assert.False(t, Read(mustJSON(with(without(doc, "/merge"), "/status", "withdrawn")), time.UTC).Refused(), "a withdrawal by its header alone")
	assert.Empty(t, RedFlags(read(mergeText).Record), "nothing of D2.3 is in it")
}
