package fhirpath

import (
	"encoding/json"
	"strconv"
	"strings"

	"nailbridge/internal/spec"
)

// runElementDefinition is elementDefinition(): what R4 says of each element of the
// input, as ElementDefinitions (R4 fhirpath.html, additional functions). They hold
// what the table of types has; values that FHIRPath made have none.
func runElementDefinition(m *machine, f *frame, c *call, list, out []Item) ([]Item, error) {
	typ := m.tree.Model.Named("ElementDefinition")
	for _, it := range list {
		if err := m.step(32); err != nil {
			return out, err
		}
		if d := m.definition(it); d != nil {
			out = m.emit(out, Node(d, typ))
		}
	}
	return out, nil
}

// definition is the ElementDefinition of an item, or nil. What was not reached
// from another element is the whole of its type.
func (m *machine) definition(it Item) map[string]any {
	if of, index, ok := it.Place(); ok {
		if t := m.tree.Model.Type(of); t != nil && index < len(t.Elements) {
			return m.elementDefinition(t, t.Elements[index])
		}
	}
	if t := m.tree.Model.Type(it.Type); it.Kind == node && t != nil {
		return map[string]any{"id": t.Name, "path": t.Name, "min": json.Number("0"), "max": "*", "constraint": constraints(t.Invariants)}
	}
	return nil
}

func (m *machine) elementDefinition(t *spec.Type, e *spec.Element) map[string]any {
	path, limit := t.Name+"."+e.Name, "*"
	if e.Choice {
		path += "[x]"
	}
	if e.Max != spec.Unbounded {
		limit = strconv.Itoa(e.Max)
	}
	least := json.Number(strconv.Itoa(e.Min))
	d := map[string]any{
		"id": path, "path": path, "min": least, "max": limit, "base": map[string]any{"path": e.Path, "min": least, "max": limit},
		"isModifier": e.Modifier, "isSummary": e.Summary,
	}
	if e.Content {
		d["contentReference"] = "#" + e.Types[0].Name
	} else {
		d["type"] = m.typesOf(e)
	}
	if len(e.Invariants) > 0 {
		d["constraint"] = constraints(e.Invariants)
	}
	if b := e.Binding; b != nil {
		d["binding"] = map[string]any{"strength": b.Strength, "valueSet": b.ValueSet}
	}
	return d
}

// typesOf lists the types of an element; one that holds elements of its own is a
// BackboneElement or Element.
func (m *machine) typesOf(e *spec.Element) []any {
	var out []any
	for _, r := range e.Types {
		name := r.Name
		if t := m.tree.Model.Type(r.Type); t != nil && t.Kind == spec.Backbone {
			name = m.tree.Model.Type(t.Base).Name
		}
		typ := map[string]any{"code": name}
		if len(r.Targets) > 0 {
			targets := make([]any, len(r.Targets))
			for i, target := range r.Targets {
				if targets[i] = target; !strings.Contains(target, ":") {
					targets[i] = extensionBase + target
				}
			}
			typ["targetProfile"] = targets
		}
		out = append(out, typ)
	}
	return out
}

func constraints(list []spec.Invariant) []any {
	var out []any
	for _, i := range list {
		out = append(out, map[string]any{"key": i.Key, "severity": i.Severity, "human": i.Human, "expression": i.Expression})
	}
	return out
}
