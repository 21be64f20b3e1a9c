// Package validate holds every resource that is about to be committed to what
// R4 4.0.1 asks and our mapping could break: structure and required codes by
// google/fhir, references, invariants, units, and every coding by the code maps
// (D5.10, D7.4). The store takes nothing that did not pass.
package validate

import (
	"crypto/sha256"
	"fmt"
	"maps"
	"slices"
	"strings"

	"nailbridge/mapping"
	"nailbridge/mapping/resource"
	"nailbridge/mapping/terms"
)

// Check checks a set of resources that are to be committed together. exists
// says whether a resource outside the set is stored. Either all pass, and the
// issues are empty, or none does.
func Check(set []resource.Resource, exists func(resource.Ref) bool, t *terms.Terms, s terms.Setting) ([]Checked, []Issue) {
	return check(set, exists, t, s, nil)
}

// check is Check with what is remembered, if anything.
func check(set []resource.Resource, exists func(resource.Ref) bool, t *terms.Terms, s terms.Setting, memo *Checker) ([]Checked, []Issue) {
	inSet := make(map[resource.Ref]bool, len(set))
	var issues []Issue
	for _, r := range set {
		if inSet[r.Ref()] {
			issues = append(issues, Issue{r.Ref(), "set", r.Type(), "a resource occurs twice in one set"})
		}
		inSet[r.Ref()] = true
	}
	c := &checker{
		resolves: func(ref resource.Ref) bool { return inSet[ref] || exists(ref) },
		terms:    t, setting: s, issues: issues, memo: memo,
	}
	checked := make([]Checked, 0, len(set))
	for _, r := range set {
		c.resource(r)
		checked = append(checked, Checked{r})
	}
	if len(c.issues) > 0 {
		return nil, c.issues
	}
	return checked, nil
}

// checker walks one resource after another.
type checker struct {
	resolves func(resource.Ref) bool
	terms    *terms.Terms
	setting  terms.Setting
	memo     *Checker          // of what passed google/fhir; nil: nothing
	r        resource.Resource // in hand
	issues   []Issue
}

func (c *checker) resource(r resource.Resource) {
	c.r = r
	c.proto(r)
	c.walk(r.Type(), r.Type(), r.Tree())
	for _, inv := range invariants {
		if inv.of(r.Type()) {
			for _, p := range inv.broken(r.Tree()) {
				c.add(inv.key, r.Type()+p, inv.rule)
			}
		}
	}
}

// proto reads the resource with google/fhir, unless it is known to pass.
func (c *checker) proto(r resource.Resource) {
	var d digest
	if c.memo != nil {
		if d = sha256.Sum256(r.JSON()); c.memo.knows(d) {
			return
		}
	}
	issues := mapping.CheckProto(r)
	for _, i := range issues {
		c.add("proto", i.Path, i.Text)
	}
	if c.memo != nil && len(issues) == 0 {
		c.memo.passed(d)
	}
}

func (c *checker) add(key, path, text string) {
	c.issues = append(c.issues, Issue{Ref: c.r.Ref(), Key: key, Path: path, Text: text})
}

// walk visits every element in a stable order; name is the element's.
func (c *checker) walk(path, name string, v any) {
	switch v := v.(type) {
	case map[string]any:
		c.element(path, name, v)
		for _, k := range slices.Sorted(maps.Keys(v)) {
			c.walk(path+"."+k, k, v[k])
		}
	case []any:
		if len(v) == 0 {
			c.add("json", path, "an array must not be empty (R4 json.html)")
		}
		for i, e := range v {
			c.walk(fmt.Sprintf("%s[%d]", path, i), name, e)
		}
	case string:
		if v == "" {
			c.add("json", path, "a string must not be empty (R4 json.html)")
		}
	case nil:
		c.add("json", path, "null has no place here (R4 json.html)")
	}
}

// element checks one object by the data types that it may be of.
func (c *checker) element(path, name string, m map[string]any) {
	if _, id := m["id"]; len(m) == 0 || len(m) == 1 && id {
		c.add("ele-1", path, "an element has a value or children")
	}
	if ref, ok := m["reference"].(string); ok {
		c.reference(path, ref)
	}
	c.code(path, m)
	for _, rule := range elements {
		if rule.broken(name, m) {
			c.add(rule.key, path, rule.rule)
		}
	}
	if name == "text" {
		c.narrative(path, m)
	}
}

// reference checks that a literal reference resolves inside the set or the
// store (R4 references.html; ref-1 for contained ones). The version that a
// reference may name is not looked for.
func (c *checker) reference(path, s string) {
	if id, ok := strings.CutPrefix(s, "#"); ok {
		if !contains(c.r.Tree(), id) {
			c.add("ref-1", path, "the contained resource referred to is missing")
		}
		return
	}
	plain, version, versioned := strings.Cut(s, "/_history/")
	ref, ok := resource.ParseRef(plain)
	if !ok || versioned && (version == "" || strings.Contains(version, "/")) {
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

// code holds every coding that leaves to the listed ones (D7.4) and to the
// licence setting (D7.1), and every unit to UCUM (R-TERM-09). An object with a
// code and a value is a Quantity, one with a code alone a Coding.
func (c *checker) code(path string, m map[string]any) {
	code, ok := m["code"].(string)
	if !ok {
		return
	}
	system, _ := m["system"].(string)
	display, _ := m["display"].(string)
	_, quantity := m["value"]
	switch {
	case system == "" && quantity:
		return // qty-3
	case system == "":
		c.add("D7.4", path, "a coding names its code system")
		return
	case quantity && system != terms.UCUM:
		c.add("ucum", path, "a unit is one of UCUM")
		return
	}
	if err := c.terms.Check(system, code, display); err != nil {
		c.add("D7.4", path, err.Error())
		return
	}
	if system != terms.UCUM && !c.terms.Permits(c.setting, terms.Coding{System: system, Code: code, Display: display}) {
		c.add("D7.1", path, "the licence setting does not permit this code")
	}
}
