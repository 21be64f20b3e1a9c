package mapping_test

import (
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/mapping"
	"nailbridge/mapping/terms"
)

// edited folds the first base of the coverage with edits of its surgery.
func edited(t *testing.T, e edits) mapping.Result {
	t.Helper()
	base := coverageBases(t)[0]
	i := slices.IndexFunc(base.lines, func(l []byte) bool { return valueAt(t, l, "/kind") == "surgery" })
	d := deliverBytes(e.apply(t, base.lines[i]))
	require.False(t, d.Refused)
	return fold(t, mapping.PatientFold{Patient: *d.Record.Patient.Identifier, Deliveries: []mapping.Delivery{d}})
}

// R-CONT-10, R-CONT-24: an operation that did not happen is not-done with its
// reason, in its status and for those who read; one that was broken off is
// stopped. The twin was done.
func TestR_CONT_10_WhatDidNotHappenIsNotDone(t *testing.T) {
	const border = "/surgery/toes/*/borders/*/outcome"
	for outcome, status := range map[string]string{"not-done": "not-done", "abandoned": "stopped", "done": "completed"} {
		read := map[string]string{"not-done": "Status: not done", "abandoned": "Status: stopped before its end", "done": "Status: completed"}[outcome]
		res := edited(t, edits{"/surgery/outcome": outcome, "/surgery/outcomeReason": "No consent", border: nil})
		operations := 0
		for _, r := range res.Resources {
			tree := r.Tree()
			if r.Type() != "Procedure" || tree["partOf"] != nil && !codedIn(tree["code"], "/nail-procedure") {
				continue
			}
			operations++
			assert.Equal(t, status, tree["status"], "%s: %v", outcome, tree["code"])
			assert.Contains(t, tree["text"].(map[string]any)["div"], read)
			if outcome != "done" {
				assert.Equal(t, map[string]any{"text": "No consent"}, tree["statusReason"], outcome)
			}
		}
		assert.GreaterOrEqual(t, operations, 2, "%s: the sitting and the operation on a border", outcome)
	}
}

// R-TERM-13: a local code that its list does not have is told with its place and
// published with no coding at all, standard or local: nothing is guessed. The
// twin is a listed one, which leaves as a local coding with its text.
func TestR_TERM_13_AnUnlistedCodeIsNeverGuessed(t *testing.T) {
	const place = "/surgery/dressing"
	dressings := func(code string) (used []any, told bool) {
		res := edited(t, edits{place: code, "/surgery/dressingText": nil})
		for _, r := range res.Resources {
			assert.NotContains(t, string(r.JSON()), `"code":"seaweed"`, r.Ref())
			if r.Type() == "Procedure" && strings.Contains(string(r.JSON()), "/CodeSystem/dressing") {
				used = append(used, r.Tree()["usedCode"].([]any)...)
			}
		}
		return used, slices.ContainsFunc(res.Flags, func(f mapping.Flag) bool { return f.Place == place && f.Code == "unlisted-value" })
	}
	used, told := dressings("seaweed")
	assert.Empty(t, used)
	assert.True(t, told)
	used, told = dressings("non-adherent")
	assert.Equal(t, []any{map[string]any{"text": "Non-adherent dressing", "coding": []any{map[string]any{
		"system": terms.CanonicalBase + "/CodeSystem/dressing", "code": "non-adherent", "display": "Non-adherent dressing"}}}}, used)
	assert.False(t, told)
}

// codedIn reports a concept with a coding of one of our code systems.
func codedIn(concept any, system string) bool {
	c, _ := concept.(map[string]any)
	codings, _ := c["coding"].([]any)
	return slices.ContainsFunc(codings, func(x any) bool {
		s, _ := x.(map[string]any)["system"].(string)
		return len(s) > len(system) && s[len(s)-len(system):] == system
	})
}
