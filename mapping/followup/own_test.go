package followup_test

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/mapping/followup"
)

// ownFile is the program's protocol as a clinic would change it: who publishes
// and approved it, and what the edits say.
func ownFile(t testing.TB, edits ...func(map[string]any)) []byte {
	t.Helper()
	var tree map[string]any
	require.NoError(t, json.Unmarshal(partial().JSON, &tree))
	tree["publisher"] = "An invented clinic"
	tree["approvalDate"] = "2026-02-01"
	tree["endorser"] = []any{map[string]any{"name": "A. Quill"}}
	for _, e := range edits {
		e(tree)
	}
	b, err := json.Marshal(tree)
	require.NoError(t, err)
	return b
}

// step is the action of an id.
func step(t testing.TB, tree map[string]any, id string) map[string]any {
	t.Helper()
	for _, a := range tree["action"].([]any) {
		if a := a.(map[string]any); a["id"] == id {
			return a
		}
	}
	t.Fatalf("no step %s", id)
	return nil
}

// windowAfter sets how long the window of a step stays open.
func windowAfter(t testing.TB, id string, days int) func(map[string]any) {
	return func(tree map[string]any) {
		parts := step(t, tree, id)["extension"].([]any)[0].(map[string]any)["extension"].([]any)
		parts[1].(map[string]any)["valueDuration"].(map[string]any)["value"] = days
	}
}

func own(t testing.TB, edits ...func(map[string]any)) *followup.Protocol {
	t.Helper()
	p, err := followup.Own(ownFile(t, edits...))
	require.NoError(t, err)
	return p
}

// D4.1, D8.3: a changed window is another version of the same canonical, the
// same content never has two, however it is written, and what is published says
// the windows that a plan is made with, in data and narrative.
func TestD4_1_AChangedWindowIsANewVersion(t *testing.T) {
	was := partial()
	same, other := own(t), own(t, windowAfter(t, "week-1", 2))
	assert.Equal(t, was.URL, other.URL)
	assert.Equal(t, was.ID, other.ID, "a record names it as before")
	assert.Equal(t, was.Steps, same.Steps)
	assert.Len(t, map[string]bool{was.Version: true, same.Version: true, other.Version: true}, 3)

	assert.Equal(t, 2, other.Step("week-1").When.After)
	read, err := followup.ParseProtocol([]byte(strings.Replace(string(other.JSON), `"id":"`+was.ID+"-", `"id":"`+was.ID+`","name":"`, 1)))
	require.NoError(t, err)
	assert.Equal(t, other.Steps, read.Steps, "what is published is what plans are made with")
	assert.Equal(t, other.Version, read.Version)
	assert.Contains(t, string(other.JSON), "<td>week-1</td><td>Wound check at one week</td><td>7 days</td><td>2 d before to 2 d after</td>")
	assert.Contains(t, string(other.JSON), `"endorser":[{"name":"A. Quill"}]`)

	again, err := followup.Own(other.JSON) // as /fhir serves it
	require.NoError(t, err)
	assert.Equal(t, other, again)
	indented := own(t, func(tree map[string]any) { tree["meta"] = map[string]any{"versionId": "1"}; delete(tree, "text") }, windowAfter(t, "week-1", 2))
	assert.Equal(t, other, indented)
}

// Every fault of a file is told; nothing of it is left out in silence.
func TestD4_1_AProtocolOfAClinicsOwnIsReadStrictly(t *testing.T) {
	set := func(name string, v any) func(map[string]any) { return func(tree map[string]any) { tree[name] = v } }
	extension := func(i int, edit func(map[string]any)) func(map[string]any) {
		return func(tree map[string]any) { edit(step(t, tree, "week-1")["extension"].([]any)[i].(map[string]any)) }
	}
	_, err := followup.Own(ownFile(t))
	require.NoError(t, err, "twin: without a fault")
	for name, c := range map[string]struct {
		edit  func(map[string]any)
		fault string
	}{
		"another id": {func(m map[string]any) {
			m["id"], m["url"] = "ours", "https://nailbridge.example/fhir/PlanDefinition/ours"
		}, "/id: no protocol that a record may name"},
		"another url":        {set("url", "https://north.example/partial"), "type, id, url and version"},
		"unknown member":     {set("goal", []any{}), "/goal"},
		"wrong case":         {set("Publisher", "x"), "/Publisher"},
		"empty":              {set("title", ""), "/title: it is empty; leave it out"},
		"the program's":      {set("publisher", "Nailbridge project"), "/publisher"},
		"not approved":       {set("approvalDate", "2026-02-30"), "/approvalDate"},
		"nobody approved":    {func(m map[string]any) { delete(m, "endorser") }, "/endorser: who approved it"},
		"a version of parts": {set("version", "1|2"), "/version"},
		"name":               {set("name", "our own"), "/name"},
		"misspelt part": {extension(0, func(m map[string]any) {
			m["extension"].([]any)[0].(map[string]any)["url"] = "befor"
		}), `has the parts "after befor"`},
		"part left out":   {extension(1, func(m map[string]any) { m["extension"] = m["extension"].([]any)[1:] }), `instead of "after before offset"`},
		"misspelt recall": {extension(1, func(m map[string]any) { m["url"] = "https://nailbridge.example/fhir/StructureDefinition/recall" }), "/extension/1/url"},
		"overlap":         {windowAfter(t, "week-1", 5), `step "week-2": its window begins before the one before it ended`},
		"no source":       {func(m map[string]any) { delete(step(t, m, "week-1"), "documentation") }, "does not say its source"},
		"negative":        {windowAfter(t, "week-1", -1), "whole UCUM days"},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := followup.Own(ownFile(t, c.edit))
			require.ErrorContains(t, err, c.fault)
		})
	}
	_, err = followup.Own([]byte(`{"id":"avulsion-alone"`))
	require.Error(t, err)
}

func TestD4_1_OneProtocolOfAClinicsOwnStandsForOne(t *testing.T) {
	none, err := followup.Stand(nil)
	require.NoError(t, err)
	assert.Nil(t, none)
	mine := own(t, windowAfter(t, "week-1", 2))
	all, err := followup.Stand([]*followup.Protocol{mine})
	require.NoError(t, err)
	program, err := followup.Load()
	require.NoError(t, err)
	require.Len(t, all, len(program))
	for i, p := range all {
		if p.ID == mine.ID {
			assert.Same(t, mine, p)
			continue
		}
		assert.Equal(t, program[i], p)
	}
	_, err = followup.Stand([]*followup.Protocol{mine, own(t)})
	assert.ErrorContains(t, err, "two protocols")
}

// D8.3: each version that plans were made with stays readable under an id of its
// own; one that no clinic uses any more is retired.
func TestD8_3_EveryVersionOfAProtocolIsPublished(t *testing.T) {
	now, before := own(t, windowAfter(t, "week-1", 2)), own(t, windowAfter(t, "week-1", 1))
	older := []byte(strings.Replace(string(partial().JSON), `"version": "1.0.0"`, `"version": "0.9.0"`, 1))
	all, err := followup.Published([]*followup.Protocol{partial(), now}, [][]byte{partial().JSON, now.JSON, before.JSON, older})
	require.NoError(t, err)
	status, ids := map[string]string{}, map[string]bool{}
	for _, a := range all {
		assert.False(t, ids[a.Type+"/"+a.ID], a.ID)
		ids[a.Type+"/"+a.ID] = true
		var r struct{ ID, Status string }
		require.NoError(t, json.Unmarshal(a.JSON, &r))
		assert.Equal(t, a.ID, r.ID)
		assert.LessOrEqual(t, len(a.ID), 64)
		if a.URL == now.URL {
			status[a.Version] = r.Status
		}
	}
	assert.Equal(t, map[string]string{"1.0.0": "active", "0.9.0": "retired", now.Version: "active", before.Version: "retired"}, status)
	assert.True(t, ids["PlanDefinition/"+now.ID], "the program's keeps its id")
}

// A program's protocol that says something else has another version: these are
// the contents of the versions that were ever released.
func TestD4_1_AVersionOfTheProgramSaysOneThing(t *testing.T) {
	protocols, err := followup.Load()
	require.NoError(t, err)
	for _, p := range protocols {
		assert.Equal(t, released[p.ID+"|"+p.Version], contentHash(t, p), "%s: what it says has changed; give it another version, and a line here", p.ID)
	}
}

// contentHash is a hash of what a protocol says, less its narrative.
func contentHash(t testing.TB, p *followup.Protocol) string {
	t.Helper()
	var tree map[string]any
	require.NoError(t, json.Unmarshal(p.JSON, &tree))
	delete(tree, "text")
	b, err := json.Marshal(tree)
	require.NoError(t, err)
	sum := sha256.Sum256(b)
	return hex.EncodeToString(sum[:6])
}

var released = map[string]string{
	"avulsion-alone|1.0.0":                     "969025a43822",
	"high-risk-foot|1.0.0":                     "e8a8aaa37f9f",
	"partial-avulsion-chemical-ablation|1.0.0": "ddaac78fa84a",
	"total-avulsion-chemical-ablation|1.0.0":   "1a8fb7920525",
}
