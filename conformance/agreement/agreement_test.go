package main

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"nailbridge/conformance/oracles"
	"nailbridge/internal/official"
)

// We and HL7's Java validator, run here and now, have one verdict on every
// official example but those listed, and on 99 of 100 mutants of those that both
// call valid.
func TestAgreement(t *testing.T) {
	oracles.Require(t)
	var out strings.Builder
	err := run(t.Context(), options{Examples: official.ExamplesArchive(t), Seed: 1}, &out)
	t.Log("\n" + out.String())
	require.NoError(t, err)
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
		"no such example":          {"a": line, "c": line},
		"listed with other verdic": {"a": {ours: "other at X", java: "valid", why: "because", section: "x.html"}},
	} {
		require.ErrorContains(t, c.hold(list), what)
	}
}
