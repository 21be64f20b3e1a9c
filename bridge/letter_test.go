package main

import (
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/convert"
	"nailbridge/testdata"
)

// The letter of each case of the invented clinic names what the table of facts
// in testdata/README.md, written by hand, says of it: toe and border, chemical
// and seconds, milligrams, tourniquet minutes, the next date; and what to watch
// for and whom to call (C-58, C-59).
func TestLetterNamesWhatWasDone(t *testing.T) {
	facts := readFacts(t)
	settings := filepath.Join(t.TempDir(), "settings.json")
	require.NoError(t, os.WriteFile(settings, testdata.Settings(), 0o600))
	words := strings.NewReplacer("left 1", "left hallux", "right 1", "right hallux", "right 2", "right second toe", "left 2", "left second toe",
		" lateral", ", lateral (fibular) border", " medial", ", medial (tibial) border", " whole", ", whole nail")
	found := map[string]int{} // what was looked for: a table that reads otherwise looks for nothing
	for _, f := range testdata.Records() {
		name := strings.TrimSuffix(f.Name, ".ndjson")
		t.Run(name, func(t *testing.T) {
			text := letterOf(t, settings, f)
			want := facts[name]
			if want["shared"] == "no" || want["sitting"] == "none" {
				assert.Empty(t, text)
				return
			}
			for _, border := range strings.Split(want["borders"], ", ") {
				if border != "none" {
					found["borders"]++
					assert.Contains(t, text, words.Replace(border))
				}
			}
			if mg, _, _ := strings.Cut(want["mg"], " "); mg != "none" && name != "02-two-toes" && name != "04-over-limit" { // whose sum is of two toes
				found["mg"]++
				assert.Contains(t, text, "= "+mg+" mg")
			}
			for _, minutes := range regexp.MustCompile(`(\w+ \d): (\d+)`).FindAllStringSubmatch(want["tourniquet"], -1) {
				found["tourniquet"]++
				assert.Contains(t, text, "Tourniquet on the "+words.Replace(minutes[1])+": "+minutes[2]+" min")
			}
			for _, seconds := range regexp.MustCompile(`: (\d+)`).FindAllStringSubmatch(want["contact"], -1) {
				found["contact"]++
				assert.Regexp(t, `Matrix treated with Liquefied phenol \d+ %, `+seconds[1]+` s`, text)
			}
			if next := regexp.MustCompile(`\d{4}-\d\d-\d\d`).FindString(want["open"]); next != "" {
				found["open"]++
				assert.Contains(t, text, next)
			}
			assert.Contains(t, text, "Watch for a dusky, white, cold or numb toe")
			if name != "11-historical" { // whose old record says nothing of it
				assert.Contains(t, text, "Contact: +44 1632 960099")
			}
		})
	}
	for _, column := range []string{"borders", "mg", "tourniquet", "contact", "open"} {
		assert.Greater(t, found[column], 10, "looked for of %s", column)
	}
}

func letterOf(t *testing.T, settings string, f convert.Input) string {
	var stdout, stderr strings.Builder
	e := &env{ctx: t.Context(), stdin: strings.NewReader(string(f.Data)), stdout: &stdout, stderr: &stderr, clock: time.Now}
	require.Zero(t, runArgs([]string{"letter", "--config", settings, "--as-of", testdata.Now, "-"}, e), stderr.String())
	return stdout.String()
}

// Every entry of a letter resolves within what is published of its case.
func TestEveryEntryOfALetterResolves(t *testing.T) {
	s := demoSettings(t)
	entries := 0
	for _, f := range testdata.Records() {
		res, _ := foldFile(t, s, f)
		there := map[string]bool{}
		for _, r := range res.Resources {
			there[r.Ref().String()] = true
		}
		for _, r := range res.Resources {
			if r.Type() != "Composition" {
				continue
			}
			letter := decode[struct {
				Section []struct {
					Title       string
					Entry       []struct{ Reference string }
					EmptyReason *struct{ Text string }
				}
			}](t, r)
			assert.Len(t, letter.Section, 12, f.Name)
			for _, s := range letter.Section {
				assert.False(t, s.EmptyReason != nil && len(s.Entry) > 0, "%s: %s", f.Name, s.Title)
				for _, e := range s.Entry {
					assert.True(t, there[e.Reference], "%s: %s in %q", f.Name, e.Reference, s.Title)
					entries++
				}
			}
		}
	}
	assert.Greater(t, entries, 300)
}
