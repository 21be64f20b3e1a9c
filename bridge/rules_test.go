package main

import (
	"bufio"
	"bytes"
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/golden"
	"nailbridge/mapping"
	"nailbridge/mapping/record"
	"nailbridge/mapping/safety"
	"nailbridge/mapping/safety/safetytest"
)

// rulesFile is the table of rules: each with its level, the clinical facts that
// it rests on, a case that raises it and one that is near and does not.
const rulesFile = "../conformance/RULES.md"

// farSets are the sets of worked cases that no clinic can have, since their
// figures were not all read, or are no decimals: MapCase shows these cases
// (TestClinicalFacts).
var farSets = []string{"test-aap", "test-au-dental", "test-canada-dental", "test-uk-prilocaine-child", "test-us-dental", "test-us-dental-low", "test-us-dental-per-pound"}

// Every worked case as a file of records through the command: it raises on
// stderr the flags that its source says, at their levels, and no other of the
// safety rules.
func TestRulesThroughToFHIR(t *testing.T) {
	rules := map[string]bool{}
	for _, c := range safety.FlagCodes {
		rules[c.Code] = true
	}
	var far []string
	for _, c := range safetytest.Cases() {
		setting, file, ok := safetytest.FormularyFile(c.Set)
		if !ok {
			far = append(far, c.Set)
			continue
		}
		t.Run(c.Title(), func(t *testing.T) {
			got := flagsByCommand(t, c, setting, file)
			got = slices.DeleteFunc(got, func(f mapping.Flag) bool { return f.Case != "S-1" || !rules[f.Code] })
			assert.ElementsMatch(t, flagsOf(c), flagLines(got), "source: %s", c.Source)
		})
	}
	slices.Sort(far)
	assert.Equal(t, farSets, slices.Compact(far))
}

func flagsOf(c safetytest.Case) []string {
	out := []string{}
	for _, f := range c.Flags {
		out = append(out, f.Code+" "+string(f.Level))
	}
	return out
}

func flagLines(flags []mapping.Flag) []string {
	out := []string{}
	for _, f := range flags {
		out = append(out, f.Code+" "+string(f.Level))
	}
	return out
}

// flagsByCommand converts the records of a case by to-fhir, under the settings
// of a clinic with a formulary, and reads the flags on stderr.
func flagsByCommand(t *testing.T, c safetytest.Case, formulary string, file []byte) (out []mapping.Flag) {
	t.Helper()
	dir := t.TempDir()
	if file != nil {
		require.NoError(t, os.WriteFile(filepath.Join(dir, formulary), file, 0o600))
	}
	members := map[string]any{
		"clinic": map[string]any{"id": "clinic", "name": "Clinic", "identifierBase": "https://clinic.example/id"},
		"zone":   safetytest.Zone.String(), "publicBaseUrl": "http://127.0.0.1:8470/fhir",
	}
	for member, text := range map[string]string{"formulary": formulary, "weightConvention": string(c.Weight)} {
		if text != "" {
			members[member] = text
		}
	}
	if l := c.RiskTourniquet(); l != nil {
		members["tourniquetAtRisk"] = map[string]any{"minutes": l.Minutes, "source": l.Source}
	}
	settings, err := json.Marshal(members)
	require.NoError(t, err)
	config := filepath.Join(dir, "settings.json")
	require.NoError(t, os.WriteFile(config, settings, 0o600))
	var records, stdout, stderr bytes.Buffer
	for _, r := range c.Records("clinic", record.Identifier{System: "https://clinic.example/patients", Value: "P-1"}) {
		b, err := record.Encode(r)
		require.NoError(t, err)
		records.Write(append(b, '\n'))
	}
	e := &env{ctx: context.Background(), stdin: &records, stdout: &stdout, stderr: &stderr, clock: time.Now}
	require.Zero(t, runArgs([]string{"to-fhir", "--demo-ids", "--config", config, "--as-of", "2024-06-01", "-"}, e), "%s", &stderr)
	for lines := bufio.NewScanner(&stderr); lines.Scan(); {
		var f mapping.Flag
		if strings.HasPrefix(lines.Text(), `{"flag"`) {
			require.NoError(t, json.Unmarshal(lines.Bytes(), &f))
			out = append(out, f)
		}
	}
	return out
}

// Every rule has a row, a case that raises it, and one of the same fact that
// does not. Run with -update to write the table again.
func TestEveryRuleHasARow(t *testing.T) {
	var b strings.Builder
	b.WriteString("# Safety rules\n\nEach flag of the safety rules: the highest level that it has, the clinical facts (C-numbers) that it rests on,\n" +
		"a worked case that raises it, and one of the same fact that does not. Sources stand beside the cases, in\n`mapping/safety/safetytest`; " +
		"`TestRulesThroughToFHIR` and `TestClinicalFacts` run them.\n\n| flag | level | facts | raised by | not by |\n|---|---|---|---|---|\n")
	cases := safetytest.Cases()
	for _, code := range safety.FlagCodes {
		raises := func(c safetytest.Case) bool {
			return slices.ContainsFunc(c.Flags, func(f safetytest.Flag) bool { return f.Code == code.Code })
		}
		var facts []string
		fires := slices.IndexFunc(cases, raises)
		if !assert.GreaterOrEqual(t, fires, 0, "no case raises %s", code.Code) {
			continue
		}
		for _, c := range cases {
			if raises(c) && !slices.Contains(facts, c.Check) {
				facts = append(facts, c.Check)
			}
		}
		near := slices.IndexFunc(cases, func(c safetytest.Case) bool { return c.Twin && slices.Contains(facts, c.Check) && !raises(c) })
		if near < 0 {
			near = slices.IndexFunc(cases, func(c safetytest.Case) bool { return slices.Contains(facts, c.Check) && !raises(c) })
		}
		if !assert.GreaterOrEqual(t, near, 0, "%s has no silent twin", code.Code) {
			continue
		}
		slices.SortFunc(facts, func(a, b string) int { return cmp.Or(cmp.Compare(len(a), len(b)), strings.Compare(a, b)) })
		fmt.Fprintf(&b, "| %s (`%s`) | %s | %s | %s | %s |\n", code.Display, code.Code, code.Level, strings.Join(facts, ", "), cases[fires].Title(), cases[near].Title())
	}
	if golden.Updating() {
		require.NoError(t, os.WriteFile(rulesFile, []byte(b.String()), 0o600))
	}
	stored, err := os.ReadFile(rulesFile)
	require.NoError(t, err)
	assert.Equal(t, string(stored), b.String(), "run with -update and review the difference")
}
