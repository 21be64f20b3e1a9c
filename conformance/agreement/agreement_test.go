package main

import (
	"context"
	"encoding/json"
	"io"
	"maps"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/conformance/oracles"
	"nailbridge/conformance/oracles/npm"
	"nailbridge/internal/official"
	"nailbridge/internal/spec"
)

// We and HL7's Java validator, run here and now, have one verdict on every line of
// the batteries and every official example but those listed, and on 99 of 100 mutants of those that both
// call valid.
func TestAgreement(t *testing.T) {
	oracles.Require(t)
	npm.Require(t)
	o := options{
		Examples: official.ExamplesArchive(t), Core: official.CoreArchive(t), Battery: []string{"../../internal/validate/engine/testdata"}, Guide: "../guide", Seed: 1,
	}
	for name, run := range map[string]func(context.Context, options, io.Writer) error{"battery": runBatteries, "examples": runExamples} {
		t.Run(name, func(t *testing.T) {
			var out strings.Builder
			err := run(t.Context(), o, &out)
			t.Log("\n" + out.String())
			require.NoError(t, err)
			assert.NotContains(t, out.String(), "explained: 0 of", "an explanation that is no longer needed")
		})
	}
}

// A list that is too long or says nothing is refused, and each line that is right
// no more fails the run.
func TestKnownListIsHeld(t *testing.T) {
	c := compared{
		documents: []official.Document{{Name: "a"}, {Name: "b"}},
		pairs:     []pair{{ours: verdict{"X", "k", ""}}, {}},
	}
	line := known{ours: "k at X", java: "valid", why: "because", section: "x.html"}
	require.NoError(t, c.hold(map[string]known{"a": line}))
	for what, list := range map[string]map[string]known{
		"ours k at X":              {},
		"listed, but both agree":   {"a": line, "b": line},
		"there is none such":       {"a": line, "c": line},
		"listed with other verdic": {"a": {ours: "other at X", java: "valid", why: "because", section: "x.html"}},
	} {
		require.ErrorContains(t, c.hold(list), what)
	}
}

// The sentence that decides a known difference stands in R4's definition of the
// element that its section names; that of a line of the battery does where its
// section names an element, and not a part of a page.
func TestKnownListQuotesR4(t *testing.T) {
	list, err := readKnown(knownText, maxKnown)
	require.NoError(t, err)
	ofBattery, err := readKnown(batteryKnown, maxOfBattery)
	require.NoError(t, err)
	says := map[string]string{}
	for _, d := range official.Core(t) {
		var s struct {
			ResourceType, Type, Derivation string
			Snapshot                       struct {
				Element []struct{ Path, Definition, Comment string }
			}
		}
		if json.Unmarshal(d.Text, &s) != nil || s.ResourceType != "StructureDefinition" || s.Derivation == "constraint" {
			continue
		}
		for _, e := range s.Snapshot.Element {
			says[e.Path] += e.Definition + "\n" + e.Comment
		}
	}
	for name, k := range list {
		_, element, ok := strings.Cut(k.section, "#")
		require.True(t, ok, name)
		assert.Contains(t, says[element], k.sentence, name)
	}
	held := 0
	for name, k := range ofBattery {
		if _, element, _ := strings.Cut(k.section, "#"); says[element] != "" {
			held++
			assert.Contains(t, says[element], k.sentence, name)
		}
	}
	assert.Greater(t, held, len(ofBattery)/3)
}

// An explanation is for the pattern that it names and for nothing else of its
// kind, and quotes the standard.
func TestExplanationsAreOfOnePattern(t *testing.T) {
	e := explanation{kind: "k", elements: []string{"Range.low"}, ours: valid, java: "J", note: "n"}
	m, p := mutant{kind: "k", place: "Range.low (low)"}, pair{java: verdict{"X", "J", ""}, notes: []string{"n"}}
	assert.True(t, e.fits(m, p))
	assert.False(t, e.fits(mutant{kind: "other", place: m.place}, p))
	assert.False(t, e.fits(mutant{kind: "k", place: "Range.high (high)"}, p))
	assert.False(t, e.fits(m, pair{java: verdict{"X", "another", ""}, notes: p.notes}))
	assert.False(t, e.fits(m, pair{ours: verdict{"X", "o", ""}, java: p.java, notes: p.notes}))
	assert.False(t, e.fits(m, pair{java: p.java}))
	assert.False(t, e.fits(m, pair{ours: verdict{"X", "J", ""}, notes: p.notes}))

	names := map[string]bool{}
	for _, k := range kinds() {
		names[k.name] = true
	}
	for _, e := range explanations {
		assert.True(t, names[e.kind], e.kind)
		assert.NotEmpty(t, e.elements, e.kind)
		assert.Contains(t, e.why, "\"", "quotes the standard: %s", e.kind)
		assert.Contains(t, e.section, ".html", e.kind)
		assert.True(t, e.ours != "" && e.java != "" && (e.ours != valid || e.java != valid), e.kind)
	}
}

// The elements of media types are those that R4 binds to their value set.
func TestMediaTypes(t *testing.T) {
	bound := map[string]bool{}
	for _, typ := range spec.R4().Types() {
		for _, e := range typ.Elements {
			if e.Binding != nil && strings.HasSuffix(e.Binding.ValueSet, "/mimetypes") {
				bound[e.Path] = true
			}
		}
	}
	for _, e := range mediaTypes {
		assert.True(t, bound[e], e)
	}
	assert.Contains(t, slices.Collect(maps.Keys(bound)), "Attachment.contentType")
}

// Each defect of the guide is to be found under its profile by both, and under the profile without the constraint nothing is,
// of codings neither.
func TestGuideIsHeldApart(t *testing.T) {
	bad := verdict{"X", "k", "text"}
	full, less := defect{area: "patient", name: "full"}, defect{area: lacking, name: "less"}
	require.NoError(t, sown{[]defect{full, less}, []pair{{ours: bad, java: bad}, {}}}.apart())
	for _, found := range []pair{{ours: bad}, {java: bad}, {}, {codings: bad}} {
		require.ErrorContains(t, sown{[]defect{full}, []pair{found}}.apart(), "full: not found")
	}
	for _, found := range []pair{{ours: bad}, {java: bad}, {codings: bad}} {
		require.ErrorContains(t, sown{[]defect{less}, []pair{found}}.apart(), "less: still wrong")
	}
}

// A legal mutant is to be valid in both: where both agree that it is not, the run
// fails too. So does one disagreement that nothing explains.
func TestMutantsAreHeld(t *testing.T) {
	bad := verdict{"X", "no-such-key", ""}
	made := func(kind string, legal bool, n int, p pair) (out judged) {
		for range n {
			out.mutants = append(out.mutants, mutant{kind: kind, legal: legal, typ: "T"})
			out.pairs = append(out.pairs, p)
		}
		return out
	}
	plus := func(a, b judged) judged {
		return judged{append(a.mutants, b.mutants...), append(a.pairs, b.pairs...)}
	}
	for name, c := range map[string]struct {
		more judged
		want string
	}{
		"both call what is legal an error":  {made("l", true, 1, pair{ours: bad, java: bad}), "nothing explains l"},
		"ours calls what is legal an error": {made("l", true, 1, pair{ours: bad}), "nothing explains l"},
		"one of many differs":               {made("w", false, 1, pair{java: bad}), "nothing explains w"},
		"a kind of too few":                 {made("w", false, 0, pair{}), "kind l: 20 mutants"},
	} {
		j := plus(plus(made("l", true, 20, pair{}), made("w", false, 70, pair{ours: bad, java: bad})), c.more)
		assert.ErrorContains(t, j.hold(), c.want, name)
	}
	j := plus(made("l", true, 40, pair{}), made("w", false, 70, pair{ours: bad, java: bad}))
	assert.NotContains(t, j.hold().Error(), "nothing explains")
	assert.NotContains(t, j.hold().Error(), "agreement")
}
