package mapping_test

import (
	"encoding/json"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/mapping"
	"nailbridge/mapping/resource"
)

// edits sets members of one record of a base by path; nil takes one away.
type edits map[string]any

func (e edits) apply(t *testing.T, line []byte) []byte {
	t.Helper()
	for _, path := range sortedKeys(e) {
		out, ok := mutated(t, line, path, mutation{apply: func(parent map[string]any, name string) {
			if e[path] == nil {
				delete(parent, name)
				return
			}
			parent[name] = e[path]
		}})
		require.True(t, ok, path)
		line = out
	}
	return line
}

func sortedKeys(e edits) []string {
	var out []string
	for k := range e {
		out = append(out, k)
	}
	slices.Sort(out)
	return out
}

// What a sweep of every place once found lost, or told apart by nothing, is
// kept.
func TestKeptThoughUnusual(t *testing.T) {
	const toe, agent, border = "/surgery/toes/*", "/surgery/toes/*/block/agents/*", "/surgery/toes/*/borders/*"
	for _, c := range []struct {
		name   string
		record string // kind
		edits  edits
		want   string // "Type.path = value", in some resource
	}{
		{"the key of a matrix treatment", "surgery", edits{border + "/matrix/key": "mk7"}, "Procedure.identifier.value = S-1/matrix/left-1:t1/medial:b1/mk7"},
		{"curettage asked about and not known", "surgery", edits{border + "/matrix/curettage": "unknown"}, "Procedure.status = unknown"},
		{"a tourniquet used without any period", "surgery", edits{toe + "/tourniquets": nil}, "Procedure.status = unknown"},
		{"that a solution held no vasoconstrictor", "surgery", edits{agent + "/vasoconstrictor": "none", agent + "/ratio": nil}, "Medication.code.text = Lidocaine, No vasoconstrictor"},
		{"a ratio without the vasoconstrictor's name", "surgery", edits{agent + "/vasoconstrictor": nil}, "Medication.ingredient.strength.denominator = 200000 mL"},
		{"how a weight was had that was not written down", "surgery", edits{"/surgery/weight/kg": nil}, "Observation.method.coding = Measured"},
		{"who consented beside the patient", "surgery", edits{"/surgery/consent/givenBy": "patient"}, "RelatedPerson.name.family = Quillfern"},
		{"the border of a consent whose side was left out", "surgery", edits{"/surgery/consent/for/*/side": nil}, "Consent.provision.provision.code.text = Partial nail avulsion, hallux, medial (tibial) border"},
		{"the role of somebody known by name only", "surgery", edits{"/surgery/operator": map[string]any{"name": map[string]any{"family": "Moss"}, "role": "nurse"}}, "Procedure.performer.actor.display = Moss, nurse"},
		{"why a review that no plan expected was missed, and when", "review",
			edits{"/review/activity": nil, "/review/at": "2025-09-01T09:00Z", "/review/attendance": "cancelled", "/review/cancelledBy": "patient", "/review/reason": "unwell"},
			"Encounter.extension[encounter-reasonCancelled].valueCodeableConcept.text = Cancelled by the patient, 2025-09-01 09:00: unwell"},
	} {
		t.Run(c.name, func(t *testing.T) {
			base := coverageBases(t)[0]
			i := slices.IndexFunc(base.lines, func(l []byte) bool { return valueAt(t, l, "/kind") == c.record })
			lines := slices.Clone(base.lines)
			lines[i] = c.edits.apply(t, lines[i])
			res, ok := foldLines(t, lines)
			require.True(t, ok, "refused")
			path, value, _ := strings.Cut(c.want, " = ")
			assert.Contains(t, shown(res, path), strings.ToLower(value))
		})
	}
}

// shown are the values at a path of every resource of its type, in lower case: a
// Coding by its display, a Quantity by value and unit.
func shown(res mapping.Result, path string) []string {
	typ, rest, _ := strings.Cut(path, ".")
	var out []string
	for _, r := range res.Resources {
		if r.Type() != typ {
			continue
		}
		for _, v := range values(r, nil)["."+rest] {
			var m map[string]any
			if json.Unmarshal([]byte(v), &m) == nil && m["unit"] != nil {
				n, _ := json.Marshal(m["value"])
				v = string(n) + " " + m["unit"].(string)
			} else if m["display"] != nil {
				v = m["display"].(string)
			}
			out = append(out, strings.ToLower(v))
		}
	}
	return out
}

// A toe or border that a record holds twice is flagged, and has one goal.
func TestBorderTwiceHasOneGoal(t *testing.T) {
	base := coverageBases(t)[0]
	lines := slices.Clone(base.lines)
	toes := valueAt(t, lines[0], "/surgery/toes").([]any)
	again := edits{"/surgery/toes": append(toes, toes[0])}
	lines[0] = again.apply(t, lines[0])
	res, ok := foldLines(t, lines)
	require.True(t, ok)
	goals := 0
	for _, r := range res.Resources {
		if r.Type() == "Goal" {
			goals++
		}
	}
	assert.Equal(t, 2, goals, "that the border heals, and that the nail does not grow in again")
}

// A window may reach beyond the last year that FHIR can write: the rest of the
// case is made all the same.
func TestWindowsBeyondTheYear9999(t *testing.T) {
	base := coverageBases(t)[0]
	lines := slices.Clone(base.lines)
	lines[0] = edits{"/surgery/plannedReviews": []any{map[string]any{"key": "k", "step": "month-12", "at": "9999-12-30", "booked": "no"}}}.apply(t, lines[0])
	res, ok := foldLines(t, lines)
	require.True(t, ok)
	i := slices.IndexFunc(res.Resources, func(r resource.Resource) bool { return r.Type() == "CarePlan" })
	require.GreaterOrEqual(t, i, 0)
	assert.Contains(t, string(res.Resources[i].JSON()), `"valueCode":"unsupported"`)
}
