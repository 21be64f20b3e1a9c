package typecheck

import (
	"slices"
	"strings"

	"nailbridge/internal/fhirpath/syntax"
	"nailbridge/internal/spec"
)

// What functions give, by the sections of N1 5 and R4's additional functions.
var (
	// same give items of their input.
	same = set("where first last tail skip take single distinct trace intersect exclude checkModifiers slice")
	// iterated have arguments that are evaluated on each item.
	iterated = set("where select repeat all exists aggregate trace iif")
	// picking depend on the order of their input.
	picking = set("first last tail skip take")
	// onStrings are called on Strings only.
	onStrings = set("indexOf substring startsWith endsWith contains upper lower replace matches replaceMatches length toChars")

	gives = results(map[string]string{
		"Boolean": `exists empty not all allTrue anyTrue allFalse anyFalse subsetOf supersetOf isDistinct startsWith endsWith
			contains matches convertsToBoolean convertsToInteger convertsToDecimal convertsToDate convertsToDateTime
			convertsToTime convertsToString convertsToQuantity hasValue memberOf subsumes subsumedBy conformsTo htmlChecks
			toBoolean`,
		"Integer":  "count indexOf length toInteger ceiling floor truncate",
		"String":   "toString upper lower substring replace replaceMatches toChars",
		"Decimal":  "toDecimal exp ln log sqrt round",
		"Date":     "toDate today",
		"DateTime": "toDateTime now",
		"Time":     "toTime timeOfDay",
		"Quantity": "toQuantity",
		"TypeInfo": "type",
	})
)

func set(words string) map[string]bool {
	m := map[string]bool{}
	for _, w := range strings.Fields(words) {
		m[w] = true
	}
	return m
}

func results(byType map[string]string) map[string]string {
	m := map[string]string{}
	for name, functions := range byType {
		for _, f := range strings.Fields(functions) {
			m[f] = name
		}
	}
	return m
}

func (c *checker) call(n *syntax.Call, in scope) (shape, error) {
	on, err := c.check(n.On, in)
	if err != nil {
		return unknown, err
	}
	if n.Name == "is" || n.Name == "as" || n.Name == "ofType" {
		if names, ok := typeName(n.Args); ok {
			return c.cast(n.Name, on, names), nil
		}
		return unknown, nil
	}
	if picking[n.Name] {
		if err := c.needsOrder(n, n.Name+"()", on, nil); err != nil {
			return unknown, err
		}
	}
	if onStrings[n.Name] && !c.mayBeString(on) {
		return unknown, fault(n, "%s() of %s, not String", n.Name, c.describe(on))
	}
	args, err := c.arguments(n, on, in)
	if err != nil {
		return unknown, err
	}
	return c.result(n, on, args), nil
}

func (c *checker) arguments(n *syntax.Call, on shape, in scope) ([]shape, error) {
	inner := in
	if iterated[n.Name] && (n.Name != "iif" || n.On != nil) {
		inner.this = on
	}
	if n.Name == "aggregate" {
		inner.total = unknown
	}
	if n.Name == "repeat" && len(n.Args) == 1 {
		return c.repeated(n, inner)
	}
	var args []shape
	for _, a := range n.Args {
		s, err := c.check(a, inner)
		if err != nil {
			return nil, err
		}
		args = append(args, s)
	}
	criteria := n.Name == "iif" || n.Name == "where" || n.Name == "all" || n.Name == "exists"
	if criteria && len(args) > 0 && !mayBeBoolean(args[0]) {
		return nil, fault(n, "%s() with a criterion of %s", n.Name, c.describe(args[0]))
	}
	return args, nil
}

// repeated checks the projection of repeat on the input and on what it yields.
func (c *checker) repeated(n *syntax.Call, in scope) ([]shape, error) {
	first, err := c.check(n.Args[0], in)
	if err != nil {
		return nil, err
	}
	again, err := c.check(n.Args[0], scope{this: in.this.join(first), total: in.total})
	if err != nil {
		return nil, err
	}
	return []shape{first.join(again)}, nil
}

func (c *checker) result(n *syntax.Call, on shape, args []shape) shape {
	switch {
	case same[n.Name]:
		return on
	case gives[n.Name] != "":
		return system(gives[n.Name])
	case n.Name == "children" || n.Name == "descendants":
		return shape{any: true, unordered: true}
	case (n.Name == "select" || n.Name == "repeat") && len(args) == 1:
		s := args[0]
		s.unordered = s.unordered || on.unordered
		return s
	case (n.Name == "union" || n.Name == "combine") && len(args) == 1:
		return on.join(args[0])
	case n.Name == "iif" && len(args) > 1:
		return join(args[1:])
	case n.Name == "extension":
		return c.of(c.table.Named("Extension"))
	}
	return unknown
}

func join(all []shape) shape {
	out := all[0]
	for _, s := range all[1:] {
		out = out.join(s)
	}
	return out
}

// mayBeBoolean is false for values of FHIRPath's own types that are none. An
// element counts as true where a Boolean is wanted (N1 4.5).
func mayBeBoolean(s shape) bool {
	return s.any || len(s.fhir) > 0 || len(s.system) == 0 || slices.Contains(s.system, "Boolean")
}

// mayBeString is false for elements and values that stand for no String.
func (c *checker) mayBeString(s shape) bool {
	if s.any || len(s.fhir)+len(s.system) == 0 || slices.Contains(s.system, "String") {
		return true
	}
	return slices.ContainsFunc(s.fhir, func(id spec.TypeID) bool {
		t := c.table.Type(id)
		return t.Kind == spec.Primitive && t.Name != "boolean" && t.Name != "decimal" && !c.table.Is(id, c.table.Named("integer"))
	})
}

func typeName(args []syntax.Node) ([]string, bool) {
	if len(args) != 1 {
		return nil, false
	}
	var names []string
	n := args[0]
	for n != nil {
		m, ok := n.(*syntax.Member)
		if !ok {
			return nil, false
		}
		names = append([]string{m.Name}, names...)
		n = m.On
	}
	return names, true
}
