package fhirpath

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/fhirpath/typecheck"
	"nailbridge/internal/spec"
)

// eachInvariant hands out every invariant of R4 with the type that it is
// evaluated on, once for each type that its element may hold.
func eachInvariant(do func(where string, on spec.TypeID, inv spec.Invariant)) {
	table := spec.R4()
	seen := map[*spec.Element]bool{}
	for _, typ := range table.Types() {
		for _, inv := range typ.Invariants {
			do(typ.Name, typ.ID, inv)
		}
		for _, e := range typ.Elements {
			if seen[e] {
				continue
			}
			seen[e] = true
			for _, inv := range e.Invariants {
				for _, r := range e.Types {
					do(e.Path, r.Type, inv)
				}
			}
		}
	}
}

// Every invariant of R4 compiles, and names only what its types have. The
// exceptions are faults of R4's own definitions.
func TestInvariantsCompile(t *testing.T) {
	faults := map[string]string{}
	keys := map[string]bool{}
	eachInvariant(func(where string, on spec.TypeID, inv spec.Invariant) {
		_, err := Compile(inv.Expression, Options{AsFilters: true})
		require.NoError(t, err, "%s at %s", inv.Key, where)
		keys[inv.Key] = true
		if err := typecheck.Check(inv.Expression, spec.R4(), on, typecheck.Options{}); err != nil {
			faults[inv.Key] = err.Error()
		}
	})
	t.Logf("%d invariants", len(keys))
	assert.Equal(t, map[string]string{
		"cid-0": "at offset 0: no element name in ChargeItemDefinition", // R4 gives that resource a title, not a name
		"ras-1": "at offset 1: no element low in decimal",               // it stands at a choice of decimal and Range
		// SimpleQuantity stands in choices with others, none of which has a comparator.
		"sqty-1": "at offset 0: no element comparator in string",
	}, faults)
}

// Every search expression of R4 compiles, but for one that calls a function R4
// does not have.
func TestSearchExpressionsCompile(t *testing.T) {
	n := 0
	for _, s := range spec.R4().SearchParameters() {
		if s.Expression == "" {
			continue
		}
		n++
		_, err := Compile(s.Expression, Options{AsFilters: true})
		if strings.Contains(s.Expression, "hasExtension(") { // R4 has no such function
			assert.ErrorContains(t, err, "unknown function hasExtension()")
			continue
		}
		assert.NoError(t, err, s.URL)
	}
	t.Logf("%d search expressions", n)
}
