// Package validate holds every resource that is about to be committed to R4 4.0.1
// and to the rules of ours: the whole standard by package engine; references that
// resolve; every coding by the code maps (D5.10, D7.4). The store takes nothing
// that did not pass.
package validate

import (
	"cmp"
	"slices"
	"strconv"
	"strings"
	"sync"

	"nailbridge/internal/spec"
	"nailbridge/internal/validate/defs"
	"nailbridge/internal/validate/engine"
	"nailbridge/internal/validate/jsontree"
	"nailbridge/mapping/profiles"
	"nailbridge/mapping/published"
	"nailbridge/mapping/resource"
	"nailbridge/mapping/terms"
)

// Check checks a set of resources that are to be committed together. exists
// says whether a resource outside the set is stored. Either all pass, and the
// issues are empty, or none does.
func Check(set []resource.Resource, exists func(resource.Ref) bool, t *terms.Terms, s terms.Setting) ([]Checked, []Issue) {
	c := &checker{engine: Engine(t), exists: exists, terms: t, setting: s, trees: make(map[resource.Ref]map[string]any, len(set))}
	read := make([]document, len(set))
	for i, r := range set {
		read[i] = c.read(r)
	}
	checked := make([]Checked, 0, len(set))
	for i, r := range set {
		c.resource(r, read[i])
		checked = append(checked, Checked{r})
	}
	if len(c.issues) > 0 {
		return nil, c.issues
	}
	return checked, nil
}

// Options are the settings under which all that is committed is validated, and by
// which we are measured and compared: no profiles but those that a resource claims,
// a time that stands still, and resources found by resolve, or, where that is nil,
// in the input alone.
func Options(resolve func(reference string) (map[string]any, bool)) engine.Options {
	return engine.Options{Resolve: resolve}
}

// engines holds the Validator that knows the artifacts of each code maps in use;
// there is one.
var engines sync.Map

// Engine is the Validator of everything that the project knows: R4, and our own
// code systems, value sets, extensions and profiles.
func Engine(t *terms.Terms) *engine.Validator {
	if v, ok := engines.Load(t); ok {
		return v.(*engine.Validator)
	}
	v, _ := engines.LoadOrStore(t, engine.New(Definitions(t)))
	return v.(*engine.Validator)
}

// Definitions is a Registry of R4 and of our own definitions, profiles that others
// have taken the place of by their version. Which codes a licence permits to leave
// is no question of form, so all are known.
func Definitions(t *terms.Terms) *defs.Registry {
	r := defs.New()
	own := t.Artifacts(terms.Setting{SnomedCT: terms.Licensed, HCPCS: true})
	for _, a := range slices.Concat(own, profiles.Artifacts()) {
		if _, err := r.Add(a.JSON); err != nil {
			panic("validate: the embedded " + a.Type + " " + a.ID + ": " + err.Error())
		}
	}
	for _, d := range published.Superseded() {
		if _, err := r.Add(d.JSON); err != nil {
			panic("validate: the embedded " + d.Canonical() + ": " + err.Error())
		}
	}
	return r
}

// checker checks one resource after another.
type checker struct {
	engine  *engine.Validator
	exists  func(resource.Ref) bool
	terms   *terms.Terms
	setting terms.Setting
	trees   map[resource.Ref]map[string]any // of the set
	r       resource.Resource               // in hand
	path    []string                        // to the place of the walk in it
	issues  []Issue
}

// document is a resource, read once.
type document struct {
	tree  map[string]any
	twice []jsontree.Duplicate
}

func (c *checker) read(r resource.Resource) document {
	c.r = r
	v, twice, err := jsontree.Read(r.JSON())
	if err != nil {
		c.add("json", r.Type(), "the text is no JSON")
	}
	tree, _ := v.(map[string]any)
	if _, again := c.trees[r.Ref()]; again {
		c.add("set", r.Type(), "a resource occurs twice in one set")
	}
	c.trees[r.Ref()] = tree
	return document{tree, twice}
}

func (c *checker) resource(r resource.Resource, d document) {
	c.r = r
	for _, i := range c.engine.Tree(d.tree, d.twice, Options(c.resolve)) {
		if stops(i) {
			c.issues = append(c.issues, of(r.Ref(), i))
		}
	}
	from := len(c.issues)
	c.path = append(c.path[:0], r.Type())
	c.walk(spec.R4().Named(r.Type()), d.tree)
	slices.SortFunc(c.issues[from:], func(a, b Issue) int {
		return cmp.Or(cmp.Compare(a.Path, b.Path), cmp.Compare(a.Key, b.Key))
	})
	if r.Type() == "Consent" {
		c.consent(d.tree)
	}
}

// sharpened are warnings of R4 that stop a commit, since they could only be our
// doing: every resource of ours has a narrative, and codes where R4 has a set of
// them (D5.7). Other warnings, as of a space behind a text that somebody typed,
// hold nobody's record up.
var sharpened = []string{"dom-6", "con-3", "binding-extensible"}

// stops reports an issue that keeps a resource out of the store.
func stops(i engine.Issue) bool {
	return i.Invalid() || slices.Contains(sharpened, i.Key)
}

// consentRules are ppc-2 to ppc-5 by scope. The sentence of R4 counts, since
// their expressions can never be false (R4 consent.html).
var consentRules = map[string]string{"patient-privacy": "ppc-2", "research": "ppc-3", "adr": "ppc-4", "treatment": "ppc-5"}

func (c *checker) consent(tree map[string]any) {
	scope, _ := tree["scope"].(map[string]any)
	list, _ := scope["coding"].([]any)
	for _, v := range list {
		m, _ := v.(map[string]any)
		code, _ := m["code"].(string)
		if key := consentRules[code]; key != "" && m["system"] == "http://terminology.hl7.org/CodeSystem/consentscope" && tree["patient"] == nil {
			c.add(key, "Consent", "a consent of this scope names the patient")
		}
	}
}

// resolve finds a resource of the set by a relative reference.
func (c *checker) resolve(reference string) (map[string]any, bool) {
	plain, _, _ := strings.Cut(reference, "/_history/")
	ref, ok := resource.ParseRef(plain)
	if !ok {
		return nil, false
	}
	tree, ok := c.trees[ref]
	return tree, ok
}

func (c *checker) add(key, path, text string) {
	c.issues = append(c.issues, Issue{Ref: c.r.Ref(), Key: key, Path: path, Text: text})
}

// here adds an issue at the place of the walk.
func (c *checker) here(key, text string) { c.add(key, strings.Join(c.path, ""), text) }

// walk asks of every object what is ours to ask; found issues are sorted, since
// members have no order.
func (c *checker) walk(typ spec.TypeID, v any) {
	switch v := v.(type) {
	case map[string]any:
		if ref, ok := v["reference"].(string); ok {
			c.reference(ref)
		}
		c.code(v)
		for k, below := range v {
			switch below.(type) {
			case map[string]any, []any:
				name, of := member(typ, k, below)
				c.path = append(c.path, ".", name)
				c.walk(of, below)
				c.path = c.path[:len(c.path)-2]
			}
		}
	case []any:
		c.path = append(c.path, "")
		for i, e := range v {
			if _, object := e.(map[string]any); object {
				c.path[len(c.path)-1] = index(i)
				c.walk(typ, e)
			}
		}
		c.path = c.path[:len(c.path)-1]
	}
}

// index writes a place in a list; most are near its start.
func index(i int) string {
	if i < len(indexes) {
		return indexes[i]
	}
	return "[" + strconv.Itoa(i) + "]"
}

var indexes = [...]string{"[0]", "[1]", "[2]", "[3]", "[4]", "[5]", "[6]", "[7]"}

// member is the name in FHIRPath of a member, and its type: "value" of
// valueQuantity.
func member(typ spec.TypeID, key string, v any) (string, spec.TypeID) {
	m := spec.R4().Member(typ, key)
	if m.Element == nil {
		return key, spec.None
	}
	if o, ok := v.(map[string]any); ok {
		if name, ok := o["resourceType"].(string); ok {
			return m.Element.Name, spec.R4().Named(name)
		}
	}
	return m.Element.Name, m.Type
}

// reference checks that a literal reference resolves inside the set or the
// store (R4 references.html); contained ones are ref-1's. The version that a
// reference may name is not looked for.
func (c *checker) reference(s string) {
	if s == "" || s[0] == '#' {
		return
	}
	plain, version, versioned := strings.Cut(s, "/_history/")
	ref, ok := resource.ParseRef(plain)
	if !ok || versioned && (version == "" || strings.Contains(version, "/")) {
		c.here("ref", "not a relative reference Type/id")
		return
	}
	if _, inSet := c.trees[ref]; !inSet && !c.exists(ref) {
		c.here("ref", "the resource referred to is neither in the set nor stored")
	}
}

// code holds every coding that leaves to the listed ones (D7.4) and to the
// licence setting (D7.1), and every unit to UCUM (R-TERM-09). An object with a
// code and a value is a Quantity, one with a code alone a Coding.
func (c *checker) code(m map[string]any) {
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
		c.here("D7.4", "a coding names its code system")
		return
	case quantity && system != terms.UCUM:
		c.here("ucum", "a unit is one of UCUM")
		return
	}
	if err := c.terms.Check(system, code, display); err != nil {
		c.here("D7.4", err.Error())
		return
	}
	if system != terms.UCUM && !c.terms.Permits(c.setting, terms.Coding{System: system, Code: code, Display: display}) {
		c.here("D7.1", "the licence setting does not permit this code")
	}
}
