package terms

import (
	"encoding/json"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"nailbridge/internal/official"
)

// core is what the tests need of the core package of FHIR R4.
type core struct {
	bindings map[string]binding
	sets     map[string][]coreInclude
	systems  map[string]map[string]coreConcept
}

type binding struct{ Strength, ValueSet string }

type coreInclude struct {
	System   string
	Concept  []struct{ Code string }
	Filter   []struct{ Property, Op, Value string }
	ValueSet []string
}

// coreConcept is a concept with the codes that it stands under.
type coreConcept struct {
	Display string
	Under   []string
}

type coreTree struct {
	Code, Display string
	Concept       []coreTree
	Property      []struct{ Code, ValueCode string }
}

type coreFile struct {
	ResourceType, URL string
	Concept           []coreTree
	Compose           struct{ Include []coreInclude }
	Snapshot          struct {
		Element []struct {
			Path    string
			Binding binding
		}
	}
}

func readCore(t *testing.T) *core {
	t.Helper()
	c := &core{bindings: map[string]binding{}, sets: map[string][]coreInclude{}, systems: map[string]map[string]coreConcept{}}
	for _, d := range official.Core(t) {
		if !strings.HasPrefix(d.Name, "CodeSystem-") && !strings.HasPrefix(d.Name, "ValueSet-") && !strings.HasPrefix(d.Name, "StructureDefinition-") {
			continue
		}
		var file coreFile
		require.NoError(t, json.Unmarshal(d.Text, &file), d.Name)
		c.take(file)
	}
	return c
}

func (c *core) take(f coreFile) {
	switch f.ResourceType {
	case "StructureDefinition":
		if strings.Count(f.URL, "/") != 5 {
			return
		}
		name := f.URL[strings.LastIndex(f.URL, "/")+1:]
		for _, e := range f.Snapshot.Element {
			if strings.HasPrefix(e.Path, name+".") || e.Path == name {
				c.bindings[e.Path] = e.Binding
			}
		}
	case "ValueSet":
		c.sets[f.URL] = f.Compose.Include
	case "CodeSystem":
		m := map[string]coreConcept{}
		var walk func(list []coreTree, under string)
		walk = func(list []coreTree, under string) {
			for _, x := range list {
				got := m[x.Code]
				if got.Display == "" {
					got.Display = x.Display
				}
				if under != "" {
					got.Under = append(got.Under, under)
				}
				for _, p := range x.Property {
					if p.Code == "subsumedBy" {
						got.Under = append(got.Under, p.ValueCode)
					}
				}
				m[x.Code] = got
				walk(x.Concept, x.Code)
			}
		}
		walk(f.Concept, "")
		c.systems[f.URL] = m
	}
}

// binding gives the binding of an element by our name of it.
func (c *core) binding(t *testing.T, element string) binding {
	t.Helper()
	switch element {
	case "meta.tag":
		element = "Meta.tag"
	case "Medication.ingredient.itemCodeableConcept":
		element = "Medication.ingredient.item[x]"
	case "CarePlan.activity.outcomeCodeableConcept", "Identifier.type":
	}
	b, ok := c.bindings[element]
	require.True(t, ok, "R4 has no element %s", element)
	return b
}

// contains reports whether the value set lists the coding, by system, by list
// or under a code.
func (c *core) contains(valueSet string, x Coding) bool {
	valueSet, _, _ = strings.Cut(valueSet, "|")
	for _, i := range c.sets[valueSet] {
		for _, v := range i.ValueSet {
			if c.contains(v, x) {
				return true
			}
		}
		if i.System != x.System {
			continue
		}
		if len(i.Concept) == 0 && len(i.Filter) == 0 {
			return true
		}
		for _, k := range i.Concept {
			if k.Code == x.Code {
				return true
			}
		}
		for _, f := range i.Filter {
			if f.Op == "is-a" && c.under(x.System, x.Code, f.Value) {
				return true
			}
		}
	}
	return false
}

func (c *core) under(system, code, root string) bool {
	if code == root {
		return true
	}
	for _, p := range c.systems[system][code].Under {
		if c.under(system, p, root) {
			return true
		}
	}
	return false
}
