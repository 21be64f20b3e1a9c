package fhirpath

import (
	"encoding/json"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/fhirpath/value"
	"nailbridge/internal/spec"
)

const procedure = `{
  "resourceType": "Procedure", "id": "p1", "status": "completed",
  "contained": [
    {"resourceType": "Patient", "id": "pat", "gender": "female", "birthDate": "1950", "_gender": {"id": "g"}},
    {"resourceType": "Observation", "id": "obs", "subject": {"reference": "#pat"}, "partOf": [{"reference": "#"}]}
  ],
  "subject": {"reference": "#pat"},
  "performedPeriod": {"start": "2024-05-06T10:00:00+02:00", "end": "2024-05-06T10:30:00+02:00"},
  "code": {"coding": [{"system": "urn:a", "code": "x"}, {"system": "urn:b", "code": "y"}]},
  "note": [{"text": "one"}, {"text": "Two"}],
  "performer": [{"actor": {"reference": "Practitioner/1"}}, {"actor": {"display": "nobody"}}],
  "text": {"status": "generated", "div": "<div xmlns=\"http://www.w3.org/1999/xhtml\">x</div>"},
  "extension": [
    {"url": "http://example.org/q", "valueQuantity": {"value": 1.50, "unit": "kilo", "system": "http://unitsofmeasure.org", "code": "kg"}},
    {"url": "http://example.org/c", "valueQuantity": {"value": 1, "comparator": "<", "code": "kg"}},
    {"url": "http://example.org/n", "valueInteger": 7},
    {"url": "http://example.org/d", "valueDate": "2024-02"},
    {"url": "http://example.org/t", "valueTime": "10:00:00"},
    {"url": "http://example.org/b", "valueBoolean": false},
    {"url": "http://example.org/x", "_valueString": {"extension": [{"url": "http://example.org/why", "valueCode": "unknown"}]}}
  ],
  "modifierExtension": [{"url": "http://example.org/mod", "valueBoolean": true}]
}`

type answers struct{}

func (answers) Resolve(ref string) (map[string]any, bool) {
	return map[string]any{"resourceType": "Practitioner", "id": "1", "active": true}, ref == "Practitioner/1"
}

func (answers) MemberOf(system, code, valueSet string) (member, known bool) {
	return system == "urn:b" && code == "y" || system == "" && code == "completed", valueSet == "http://example.org/vs"
}

func (answers) Subsumes(system, ancestor, code string) (subsumes, known bool) {
	return ancestor == "parent" && code == "child", system == "urn:a"
}

func (answers) ConformsTo(resource Item, url string) (conforms, known bool) {
	return resource.Kind == value.Element, url == "http://example.org/profile"
}

func (answers) InSlice(element Item, url, slice string) (in, known bool) {
	m, _ := element.Val.(map[string]any)
	return m["text"] == slice, url == "http://example.org/profile" && slice != "none"
}

func env() *Env {
	return &Env{
		Vars:     map[string][]Item{"mine": {value.Integer(3), value.String("a")}, "none": nil},
		Now:      time.Date(2024, 5, 6, 7, 8, 9, 123e6, time.FixedZone("", 2*3600)),
		Resolver: answers{}, Terms: answers{}, Profiles: answers{},
	}
}

// results evaluates on the procedure above and gives the texts of the items.
func results(t *testing.T, source string, o Options) ([]string, error) {
	t.Helper()
	p, err := Compile(source, o)
	if err != nil {
		return nil, err
	}
	items, err := p.Eval(env(), Node(parseTree(t, []byte(procedure)), spec.None))
	out := []string{}
	for _, it := range items {
		s, ok := p.Text(it)
		if !ok {
			space, name := p.typeName(it)
			s = space + "." + name
		}
		out = append(out, s)
	}
	return out, err
}

// What the suite does not ask, by section of N1 and of R4 fhirpath.html.
func TestEval(t *testing.T) {
	for source, want := range map[string][]string{
		// N1 3: paths, choices, the type at the start
		"performed.start":                       {"2024-05-06T10:00:00+02:00"},
		"performedPeriod.start":                 {},
		"Resource.id":                           {"p1"},
		"DomainResource.id":                     {"p1"},
		"Patient.id":                            {},
		"contained.gender.id":                   {"g"},
		"extension.value.extension.url":         {"http://example.org/why"},
		"contained.ofType(Patient).type().name": {"Patient"},
		"extension.value.type().name":           {"Quantity", "Quantity", "integer", "date", "time", "boolean", "string"},
		"contained.children().type().name":      {"id", "code", "date", "id", "Reference", "Reference"},
		"note.descendants()":                    {"one", "Two"},
		// N1 4.5: one item where a Boolean is wanted
		"note[0] and true":            {"true"},
		"status and true":             {"true"},
		"extension[5].value and true": {"false"},
		// N1 5.1 to 5.4
		"note.exists(text = 'Two')":    {"true"},
		"note.text.select($index)":     {"0", "1"},
		"note.all(text.length() = 3)":  {"true"},
		"{}.all(false)":                {"true"},
		"(true | false).anyTrue()":     {"true"},
		"(true | false).allFalse()":    {"false"},
		"(true | false).anyFalse()":    {"true"},
		"{}.allTrue()":                 {"true"},
		"{}.anyTrue()":                 {"false"},
		"{}.subsetOf(1)":               {"true"},
		"(1).subsetOf({})":             {"false"},
		"note.text.where($this > 'a')": {"one"},
		"note[1].text":                 {"Two"},
		"note[2].text":                 {},
		"note[{}].text":                {},
		"note.text.skip(-1)":           {"one", "Two"},
		"note.text.take(-1)":           {},
		"{}.first()":                   {},
		"{}.single()":                  {},
		"(1 | 2 | 3).aggregate($total + $this * $index, 0)": {"8"},
		"(1.combine(1)).intersect(1)":                       {"1"},
		"1 in {}":                                           {"false"},
		"{} in (1 | 2)":                                     {},
		"(1 | 2) contains {}":                               {},
		// N1 5.5: conversion
		"'1.0'.toBoolean()":                 {"true"},
		"'YES'.toBoolean()":                 {"true"},
		"'maybe'.toBoolean()":               {},
		"2.0.toBoolean()":                   {},
		"'2147483648'.toInteger()":          {},
		"'+5'.toInteger()":                  {"5"},
		"'+-5'.toInteger()":                 {},
		"1.5.toInteger()":                   {},
		"true.toDecimal()":                  {"1.0"},
		"'1e5'.toDecimal()":                 {},
		"@2015-02-04T14:34:28Z.toDate()":    {"2015-02-04"},
		"@2015-02.toDateTime().type().name": {"DateTime"},
		"'14:34'.toTime()":                  {"14:34"},
		"'x'.toTime()":                      {},
		"'4 days'.toQuantity()":             {"4 days"},
		"'4 d'.toQuantity()":                {},
		"'4\\'mg\\''.toQuantity()":          {"4 'mg'"},
		"1 'g'.toQuantity('mg')":            {"1000 'mg'"},
		"1 'g'.convertsToQuantity('s')":     {"false"},
		"note.convertsToString()":           nil,
		"text.convertsToString()":           {"false"},
		"text.toString()":                   {},
		"(1 | 2).toString()":                nil,
		// N1 5.6: strings, by code point
		"'äö🔥x'.indexOf('x')":    {"3"},
		"'äö🔥x'.substring(1, 2)": {"ö🔥"},
		"'äö🔥'.length()":         {"3"},
		"'äb'.upper()":           {"ÄB"},
		"'a🔥'.toChars()":         {"a", "🔥"},
		"'abc'.substring(1, {})": {"bc"},
		"'abc'.substring(1, -1)": {""},
		"'11/30/1972'.replaceMatches('(?P<m>\\\\d+)/(?P<d>\\\\d+)/(?P<y>\\\\d+)', '${d}-${m}-${y}')": {"30-11-1972"},
		"'a\nb'.matches('a.b')": {"true"},
		"'abc'.matches('(')":    nil,
		"5.startsWith('5')":     nil,
		"'a' + {}":              {},
		"'a' & {} & 'b'":        {"ab"},
		"{} & {}":               {""},
		// N1 5.7: math
		"2.power(10)":             {"1024"},
		"2.power(-2)":             {"0.25"},
		"2.power(0.5).round(6)":   {"1.414214"},
		"2.power(40)":             {"1099511627776"},
		"0.ln()":                  {},
		"2.exp().round(8)":        {"7.38905610"},
		"8.log(2)":                {"3"},
		"(-7) mod 3":              {"-1"},
		"(-7) div 2":              {"-3"},
		"5.5 div 0.7":             {"7"},
		"5.5 mod 0.7":             {"0.6"},
		"2147483647 + 1":          {},
		"2147483647 + 1.0":        {"2147483648.0"},
		"(-2.5).round()":          {"-3"},
		"(-2.5).truncate()":       {"-2"},
		"(-2147483647 - 1).abs()": {},
		"1 / 3":                   {"0.3333333333333333333333333333333333"},
		"0.1 + 0.2 = 0.3":         {"true"},
		"1.round(-1)":             nil,
		"'a'.abs()":               nil,
		// N1 6.1 and 6.2
		"1 = 1.0":                         {"true"},
		"1 = '1'":                         {"false"},
		"1.0 ~ 1.04":                      {"true"},
		"'A  b' ~ 'a\\tB'":                {"true"},
		"code.coding[0] = code.coding[0]": {"true"},
		"code.coding[0] = code.coding[1]": {"false"},
		"code.coding ~ code.coding[1].combine(code.coding[0])": {"true"},
		"code.coding = code.coding[1].combine(code.coding[0])": {"false"},
		"1 'cm' = 1 's'":                               {},
		"1 'cm' ~ 1 's'":                               {"false"},
		"1 'cm' < 1 's'":                               {},
		"1 'nonsense' = 1 'cm'":                        {},
		"1 'nonsense' = 1 'nonsense'":                  {"true"},
		"1 year = 12 months":                           {"true"},
		"1 year = 365 days":                            {"true"},
		"1 year = 1 'a'":                               {},
		"1 year ~ 1 'a'":                               {"true"},
		"1 month > 29 days":                            {"true"},
		"5 > 4 '1'":                                    {"true"},
		"1 < 'a'":                                      nil,
		"true < false":                                 nil,
		"(1 | 2) < 3":                                  nil,
		"extension[3].value < @2024-03":                {"true"},
		"extension[3].value < @2024-02-15":             {},
		"extension[4].value = @T10:00:00":              {"true"},
		"extension[2].value + 1":                       {"8"},
		"performed.start < performed.end":              {"true"},
		"performed.start + 30 minutes = performed.end": {"true"},
		// R4: quantities
		"extension[0].value = 1500 'g'": {"true"},
		"extension[0].value.toString()": {"1.50 'kg'"},
		"extension[0].value * 2":        {"3.00 'kg'"},
		"extension[1].value = 1 'kg'":   {"false"},
		"extension[1].value > 1":        nil,
		"3 'm' + 3 'cm'":                {"303 'cm'"},
		"3 'm' - 3 'cm'":                {"297 'cm'"},
		"3 'm' + 1 's'":                 {},
		"12 'cm' * 3 'cm'":              {"36 'cm2'"},
		"12 'cm2' / 3 'cm'":             {"4 'cm'"},
		"37 'Cel' = 310.15 'K'":         {"true"},
		"-(5 'mg')":                     {"-5 'mg'"},
		// N1 6.3
		"status is string":               {"true"},
		"status as code":                 {"completed"},
		"status as uri":                  {},
		"note is Annotation":             nil,
		"{} is Annotation":               {},
		"1 is Quantity":                  {"false"},
		"(1 'mg') is Quantity":           {"true"},
		"contained[0] is DomainResource": {"true"},
		"performed is Element":           {"true"},
		// N1 7, R4: environment variables
		"%mine":         {"3", "a"},
		"%none":         {},
		"%unheard":      nil,
		"%context.id":   {"p1"},
		"%'vs-x'":       {"http://hl7.org/fhir/ValueSet/x"},
		"%`ext-x`":      {"http://hl7.org/fhir/StructureDefinition/x"},
		"now()":         {"2024-05-06T07:08:09.123+02:00"},
		"today()":       {"2024-05-06"},
		"timeOfDay()":   {"07:08:09.123"},
		"now() = now()": {"true"},
		// R4: additional functions
		"subject.resolve().gender":                                             {"female"},
		"contained.partOf.resolve().id":                                        {"p1"},
		"performer.actor.resolve().active":                                     {"true"},
		"'Practitioner/1'.resolve().id":                                        {"1"},
		"'Practitioner/2'.resolve()":                                           {},
		"subject.resolve() is Patient":                                         {"true"},
		"extension('http://example.org/n').value":                              {"7"},
		"extension({}).value":                                                  {},
		"status.hasValue()":                                                    {"true"},
		"note.hasValue()":                                                      {"false"},
		"extension[6].value.hasValue()":                                        {"false"},
		"extension[6].value.exists()":                                          {"true"},
		"extension[6].value = 'a'":                                             {"false"},
		"extension[2].value.getValue().type().namespace":                       {"System"},
		"code.memberOf('http://example.org/vs')":                               {"true"},
		"code.coding[0].memberOf('http://example.org/vs')":                     {"false"},
		"status.memberOf('http://example.org/vs')":                             {"true"},
		"status.memberOf('http://example.org/other')":                          nil,
		"note[0].memberOf('http://example.org/vs')":                            nil,
		"code.coding[0].subsumes(code)":                                        {"true"},
		"code.coding[0].subsumedBy(code.coding[1])":                            {"false"},
		"conformsTo('http://hl7.org/fhir/StructureDefinition/DomainResource')": {"true"},
		"conformsTo('http://example.org/profile')":                             {"true"},
		"conformsTo('http://example.org/other')":                               nil,
		"checkModifiers('http://example.org/mod').id":                          {"p1"},
		"checkModifiers('http://example.org/a').id":                            nil,
		"text.`div`.htmlChecks()":                                              {"true"},
		"'<p>x</p>'.htmlChecks()":                                              {"false"},
		"note.slice('http://example.org/profile', 'Two').text":                 {"Two"},
		"note.slice('http://example.org/profile', 'three')":                    {},
		"note.slice('http://example.org/profile', 'none')":                     nil,
		"note.slice('http://example.org/other', 'Two')":                        nil,
		"basedOn.slice('http://example.org/other', 'Two')":                     {},
		// R4 procedure.html and its snapshot
		"elementDefinition().path":                               {"Procedure"},
		"status.elementDefinition().path":                        {"Procedure.status"},
		"status.elementDefinition().min":                         {"1"},
		"status.elementDefinition().type.code":                   {"code"},
		"status.elementDefinition().binding.strength":            {"required"},
		"status.elementDefinition().binding.valueSet":            {"http://hl7.org/fhir/ValueSet/event-status"},
		"status.elementDefinition().isModifier":                  {"true"},
		"performed.elementDefinition().path":                     {"Procedure.performed[x]"},
		"performed.elementDefinition().type.code":                {"dateTime", "Period", "string", "Age", "Range"},
		"performed.end.elementDefinition().path":                 {"Period.end"},
		"note.elementDefinition().max":                           {"*", "*"},
		"performer.first().elementDefinition().type.code":        {"BackboneElement"},
		"performer.actor[0].elementDefinition().path":            {"Procedure.performer.actor"},
		"subject.elementDefinition().type.targetProfile":         {"http://hl7.org/fhir/StructureDefinition/Patient", "http://hl7.org/fhir/StructureDefinition/Group"},
		"extension[0].elementDefinition().base.path":             {"DomainResource.extension"},
		"children().where($this is code).elementDefinition().id": {"Procedure.status"},
		"contained.gender.id.elementDefinition().path":           {"code.id"},
		"(1 | 'a').elementDefinition()":                          {},
		"basedOn.elementDefinition()":                            {},
		"elementDefinition().first() is ElementDefinition":       {"true"},
	} {
		got, err := results(t, source, Options{})
		if want == nil {
			assert.Error(t, err, "%s gives %q", source, got)
			continue
		}
		if assert.NoError(t, err, source) {
			assert.Equal(t, want, got, source)
		}
	}
}

func TestCompileErrors(t *testing.T) {
	for source, want := range map[string]string{
		"lowBoundary()":     "at offset 0: unknown function lowBoundary()",
		"a.where()":         "at offset 2: where() has 0 arguments",
		"a is Unheard":      "at offset 2: unknown type Unheard",
		"ofType()":          "at offset 0: ofType() has 0 arguments",
		"as(1)":             "at offset 0: as() wants the name of a type",
		"@2015-02-30":       "at offset 0: a constant that does not exist or is out of range",
		"99999999999":       "at offset 0: a constant that does not exist or is out of range",
		"@2015-01-01T25:00": "at offset 0: a constant that does not exist or is out of range",
	} {
		_, err := Compile(source, Options{})
		if assert.ErrorIs(t, err, ErrSyntax, source) {
			assert.ErrorContains(t, err, want)
		}
	}
}

// R4's own invariants (dom-3) and search parameters (combo-value-concept) use as
// for a filter.
func TestAsFilters(t *testing.T) {
	for _, source := range []string{"descendants().as(Coding).code", "(descendants() as Coding).code"} {
		_, err := results(t, source, Options{})
		assert.Error(t, err, "N1 6.3.3, 6.3.4: one item")
		got, err := results(t, source, Options{AsFilters: true})
		require.NoError(t, err)
		assert.Equal(t, []string{"x", "y"}, got)
	}
}

// Without what they need, functions are errors, not empty; a reference is
// just not resolved.
func TestWithoutServices(t *testing.T) {
	tree := parseTree(t, []byte(procedure))
	for _, source := range []string{"now()", "today()", "code.memberOf('u')", "code.coding[0].subsumes(code.coding[0] | code.coding[0])",
		"conformsTo('http://example.org/profile')", "note.slice('http://example.org/profile', 'one')"} {
		p, err := Compile(source, Options{})
		require.NoError(t, err)
		_, err = p.Eval(&Env{}, Node(tree, spec.None))
		if source[:4] == "code" && source[5] == 'c' {
			assert.NoError(t, err, "the same code subsumes itself without terminology")
			continue
		}
		assert.ErrorIs(t, err, ErrUnsupported, source)
	}
	p, err := Compile("performer.actor.resolve()", Options{})
	require.NoError(t, err)
	items, err := p.Eval(&Env{}, Node(tree, spec.None))
	require.NoError(t, err)
	assert.Empty(t, items)
}

// R4 fhirpath.html: %resource is the resource that holds the focus, and
// %rootResource its container; ref-1 depends on the first.
func TestResourceVariables(t *testing.T) {
	tree := parseTree(t, []byte(procedure))
	patient := tree["contained"].([]any)[0]
	e := &Env{Resource: Node(patient, spec.None), Root: Node(tree, spec.None)}
	p, err := Compile("%resource.id & '/' & %rootResource.id & '/' & %context", Options{})
	require.NoError(t, err)
	items, err := p.Eval(e, PrimitiveNode("female", nil, spec.R4().Named("code")))
	require.NoError(t, err)
	require.Len(t, items, 1)
	text, _ := p.Text(items[0])
	assert.Equal(t, "pat/p1/female", text)
}

// trace() hands its items over and writes nothing (N1 5.9.1).
func TestTrace(t *testing.T) {
	p, err := Compile("note.trace('notes', text).trace('all').count()", Options{})
	require.NoError(t, err)
	var seen []string
	e := &Env{Trace: func(name string, items []Item) {
		for _, it := range items {
			s, _ := p.Text(it)
			seen = append(seen, name+" "+s)
		}
	}}
	_, err = p.Eval(e, Node(parseTree(t, []byte(procedure)), spec.None))
	require.NoError(t, err)
	assert.Equal(t, []string{"notes one", "notes Two", "all ", "all "}, seen)
}

// Test keeps empty apart from false, and errors apart from both.
func TestTruth(t *testing.T) {
	focus := Node(parseTree(t, []byte(procedure)), spec.None)
	for source, want := range map[string]Truth{
		"true": True, "false": False, "{}": Unknown, "1": True, "status = {}": Unknown,
		"{} or true": True, "{} and false": False, "{} implies true": True, "{} xor true": Unknown, "false implies {}": True,
	} {
		p, err := Compile(source, Options{})
		require.NoError(t, err)
		got, err := p.Test(&Env{}, focus)
		require.NoError(t, err)
		assert.Equal(t, want, got, source)
	}
	p, err := Compile("note", Options{})
	require.NoError(t, err)
	_, err = p.Test(&Env{}, focus)
	assert.ErrorContains(t, err, "several items")
}

// An error names a place in the expression, and nothing of the data.
func TestErrorsAreSafe(t *testing.T) {
	_, err := results(t, "note.where(text < 5)", Options{})
	require.Error(t, err)
	assert.Equal(t, "fhirpath: at offset 16, <: operands of types that have no order", err.Error())
}

// Data of wrong shapes is no reason to fall.
func TestOddData(t *testing.T) {
	for _, raw := range []string{
		`{"resourceType": "Patient", "name": "x", "birthDate": 5, "active": "yes", "contact": {"name": []}, "_gender": [1], "gender": null}`,
		`{"resourceType": 5, "a": [[1, [2]]], "_a": {"extension": 3}}`,
		`{"resourceType": "Nothing", "value": 1e999999999}`,
		`{"resourceType": "Observation", "valueQuantity": {"value": "x"}, "valueString": "a", "component": [null]}`,
	} {
		tree := parseTree(t, []byte(raw))
		for _, source := range []string{"descendants()", "name.given", "birthDate > @2000", "gender", "value = 1", "children() = children()", "a", "a.count() + 1",
			"contained", "component.code", "value.value + 1", "descendants().toString()", "resolve()", "extension('x')"} {
			p, err := Compile(source, Options{})
			require.NoError(t, err)
			assert.NotPanics(t, func() { _, _ = p.Eval(env(), Node(tree, spec.None)) }, "%s on %s", source, raw)
		}
	}
}

// A program may be used by many at once.
func TestConcurrent(t *testing.T) {
	p, err := Compile("descendants().where($this is string).distinct().count()", Options{})
	require.NoError(t, err)
	focus := Node(parseTree(t, []byte(procedure)), spec.None)
	want, err := p.Eval(env(), focus)
	require.NoError(t, err)
	var wg sync.WaitGroup
	for range 8 {
		wg.Go(func() {
			for range 50 {
				got, err := p.Eval(env(), focus)
				assert.NoError(t, err)
				assert.Equal(t, want, got)
			}
		})
	}
	wg.Wait()
}

// No expression and no data makes the engine panic or run on.
func FuzzEval(f *testing.F) {
	for source := range hostile() {
		if s := hostile()[source]; len(s) < 200 {
			f.Add(s, procedure)
		}
	}
	for _, s := range []string{dom3, "name.given.first() = 'a' and birthDate < today()", "(1 'mg' + 2 'g').toString()", "@2015-01-01T10:00:00Z + 1 day",
		"iif(a, b | c, $this.d[0])", "'a'.replaceMatches('(b)', '$1')", "descendants().ofType(Quantity) ~ 1 'kg'", "1.5.round(2).log(3).power(4)"} {
		f.Add(s, procedure)
	}
	f.Fuzz(func(t *testing.T, source, raw string) {
		p, err := Compile(source, Options{})
		if err != nil {
			return
		}
		tree, ok := fuzzTree(raw)
		if !ok {
			return
		}
		e := env()
		e.Budget = Budget{Steps: 100_000, Memory: 4 << 20}
		items, err := p.Eval(e, Node(tree, spec.None))
		if err != nil {
			return
		}
		for _, it := range items {
			p.Text(it)
		}
	})
}

func fuzzTree(raw string) (map[string]any, bool) {
	d := json.NewDecoder(strings.NewReader(raw))
	d.UseNumber()
	var tree map[string]any
	return tree, d.Decode(&tree) == nil
}
