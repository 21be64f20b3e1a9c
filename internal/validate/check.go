// Package validate checks every resource before it is committed: with
// google/fhir's reader, with the R4 invariants that the mapping could break,
// with the listed codes, and that references resolve. What does not pass is
// never stored.
package validate

import (
	"fmt"
	"slices"
	"sort"
	"strings"

	"nailbridge/mapping"
	"nailbridge/mapping/resource"
	"nailbridge/mapping/terms"
)

// Check checks a set of resources that are to be committed together. exists
// says whether a resource outside the set is stored. Either all pass, and the
// issues are empty, or none does.
func Check(set []resource.Resource, exists func(resource.Ref) bool, t *terms.Terms, s terms.Setting) ([]Checked, []Issue) {
	inSet := make(map[resource.Ref]bool, len(set))
	for _, r := range set {
		inSet[r.Ref()] = true
	}
	resolves := func(ref resource.Ref) bool { return inSet[ref] || exists(ref) }
	var issues []Issue
	checked := make([]Checked, 0, len(set))
	for _, r := range set {
		issues = append(issues, one(r, resolves, t, s)...)
		checked = append(checked, Checked{r})
	}
	if len(issues) > 0 {
		return nil, issues
	}
	return checked, nil
}

// one checks one resource.
func one(r resource.Resource, resolves func(resource.Ref) bool, t *terms.Terms, s terms.Setting) []Issue {
	c := &checker{r: r, resolves: resolves, terms: t, setting: s}
	for _, i := range mapping.CheckProto(r) {
		c.add("proto", i.Path, i.Text)
	}
	c.walk(r.Type(), r.Tree())
	for _, inv := range invariants {
		if inv.on == r.Type() || inv.on == "" {
			for _, p := range inv.broken(r.Tree()) {
				c.add(inv.key, r.Type()+p, inv.rule)
			}
		}
	}
	return c.issues
}

// checker walks one resource.
type checker struct {
	r        resource.Resource
	resolves func(resource.Ref) bool
	terms    *terms.Terms
	setting  terms.Setting
	issues   []Issue
}

func (c *checker) add(key, path, text string) {
	c.issues = append(c.issues, Issue{Ref: c.r.Ref(), Key: key, Path: path, Text: text})
}

// walk visits every element in a stable order.
func (c *checker) walk(path string, v any) {
	switch v := v.(type) {
	case map[string]any:
		c.element(path, v)
		keys := make([]string, 0, len(v))
		for k := range v {
			keys = append(keys, k)
		}
		sort.Strings(keys)
		for _, k := range keys {
			c.walk(path+"."+k, v[k])
		}
	case []any:
		if len(v) == 0 {
			c.add("json", path, "an array must not be empty (R4 json.html)")
		}
		for i, e := range v {
			c.walk(fmt.Sprintf("%s[%d]", path, i), e)
		}
	case string:
		if v == "" {
			c.add("json", path, "a string must not be empty (R4 json.html)")
		}
	case nil:
		c.add("json", path, "null has no place here (R4 json.html)")
	}
}

// element checks one object by its shape: a Reference, a Coding or Quantity, a
// Period, a Ratio.
func (c *checker) element(path string, m map[string]any) {
	if len(m) == 0 {
		c.add("ele-1", path, "an element must have a value or children")
	}
	if ref, ok := m["reference"].(string); ok {
		c.reference(path, ref)
	}
	c.coding(path, m)
	if isPeriod(path, m) {
		c.period(path, m)
	}
	_, num := m["numerator"]
	_, den := m["denominator"]
	if num != den {
		c.add("rat-1", path, "numerator and denominator shall both be present, or both be absent")
	}
	_, value := m["value"]
	if _, comparator := m["comparator"]; comparator && !value {
		c.add("qty-3", path, "a comparator needs a value")
	}
	if hasExtension(m) && hasValue(m) {
		c.add("ext-1", path, "an extension has a value or extensions, not both")
	}
}

func hasExtension(m map[string]any) bool {
	_, url := m["url"].(string)
	_, ext := m["extension"]
	return url && ext
}

func hasValue(m map[string]any) bool {
	for k := range m {
		if strings.HasPrefix(k, "value") {
			return true
		}
	}
	return false
}

// reference checks that a literal reference resolves inside the set or the
// store (R4 references.html; ref-1 for contained ones).
func (c *checker) reference(path, s string) {
	if strings.HasPrefix(s, "#") {
		if !contains(c.r.Tree(), strings.TrimPrefix(s, "#")) {
			c.add("ref-1", path, "the contained resource referred to is missing")
		}
		return
	}
	plain, _, _ := strings.Cut(s, "/_history/")
	ref, ok := resource.ParseRef(plain)
	if !ok {
		c.add("ref", path, "not a relative reference Type/id")
		return
	}
	if !c.resolves(ref) {
		c.add("ref", path, "the resource referred to is neither in the set nor stored")
	}
}

func contains(tree map[string]any, id string) bool {
	list, _ := tree["contained"].([]any)
	return slices.ContainsFunc(list, func(v any) bool {
		m, _ := v.(map[string]any)
		return m["id"] == id
	})
}

// coding holds every code that leaves to the listed ones (D7.4), and units to
// UCUM (R-TERM-09).
func (c *checker) coding(path string, m map[string]any) {
	system, hasSystem := m["system"].(string)
	code, hasCode := m["code"].(string)
	if !hasCode || strings.HasSuffix(path, ".telecom") {
		return
	}
	_, quantity := m["value"]
	if !hasSystem {
		if quantity || m["display"] != nil {
			c.add("qty-3", path, "a code needs its system")
		}
		return
	}
	display, _ := m["display"].(string)
	if err := c.terms.Check(system, code, display); err != nil {
		c.add("D7.4", path, err.Error())
		return
	}
	if !c.terms.Permits(c.setting, terms.Coding{System: system, Code: code, Display: display}) && system != terms.UCUM {
		c.add("D7.1", path, "the licence setting does not permit this code")
	}
}

// isPeriod reports a Period: only start, end and what every element may have.
func isPeriod(path string, m map[string]any) bool {
	_, s := m["start"].(string)
	_, e := m["end"].(string)
	return s && e && (strings.HasSuffix(strings.ToLower(path), "period") || strings.Contains(path, "eriod"))
}

// period checks that a Period does not end before it starts, as far as both
// are known (per-1).
func (c *checker) period(path string, m map[string]any) {
	start, ok1 := span(m["start"].(string))
	end, ok2 := span(m["end"].(string))
	if !ok1 || !ok2 {
		c.add("per-1", path, "start and end must be dateTimes")
		return
	}
	if end.hi.Before(start.lo) || end.hi.Equal(start.lo) {
		c.add("per-1", path, "if present, start shall have a lower value than end")
	}
}
