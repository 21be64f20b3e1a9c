package main

import (
	"bytes"
	"maps"
	"slices"
	"strings"
)

// codeSystem is what the table of codes needs of a CodeSystem.
type codeSystem struct {
	URL     string
	Content string
	Concept []concept
}

type concept struct {
	Code, Display string
	Concept       []concept
}

// valueSet is what the table of codes needs of a ValueSet.
type valueSet struct {
	URL     string
	Compose struct{ Include, Exclude []inclusion }
}

type inclusion struct {
	System   string
	Concept  []concept
	Filter   []struct{ Property, Op, Value string }
	ValueSet []string
}

const codesHeader = `# Codes of FHIR R4 (4.0.1), generated from hl7.fhir.r4.core 4.0.1 (HL7 International, CC0 1.0). Do not edit: go generate.
# S url content                (a code system; complete, fragment, example or not-present)
# c code display               (a concept of it)
# V url                        (a value set)
# * system                     (holds every code of the system)
# = system code...             (holds these codes)
# ? reason                     (holds more, which the package does not tell)
`

// codes writes every code system with its concepts, and every value set as far
// as the package tells what it holds.
func (g *generator) codes() []byte {
	var b bytes.Buffer
	b.WriteString(codesHeader)
	for _, url := range slices.Sorted(maps.Keys(g.systems)) {
		s := g.systems[url]
		line(&b, "S", url, s.Content)
		eachConcept(s.Concept, func(c concept) { line(&b, "c", c.Code, c.Display) })
	}
	for _, url := range slices.Sorted(maps.Keys(g.sets)) {
		line(&b, "V", url)
		x := expansion{whole: map[string]bool{}, codes: map[string]map[string]bool{}, unknown: map[string]bool{}}
		g.expand(url, &x, map[string]bool{})
		x.write(&b)
	}
	return b.Bytes()
}

func eachConcept(list []concept, f func(concept)) {
	for _, c := range list {
		f(c)
		eachConcept(c.Concept, f)
	}
}

// expansion is what a value set holds, as far as it is known.
type expansion struct {
	whole   map[string]bool // systems
	codes   map[string]map[string]bool
	unknown map[string]bool // reasons
}

func (x *expansion) add(system, code string) {
	if x.codes[system] == nil {
		x.codes[system] = map[string]bool{}
	}
	x.codes[system][code] = true
}

func (x *expansion) write(b *bytes.Buffer) {
	for _, s := range slices.Sorted(maps.Keys(x.whole)) {
		line(b, "*", s)
	}
	for _, s := range slices.Sorted(maps.Keys(x.codes)) {
		if !x.whole[s] && len(x.codes[s]) > 0 {
			line(b, append([]string{"=", s}, slices.Sorted(maps.Keys(x.codes[s]))...)...)
		}
	}
	for _, reason := range slices.Sorted(maps.Keys(x.unknown)) {
		line(b, "?", reason)
	}
}

// expand adds what a value set holds; seen guards against circles.
func (g *generator) expand(url string, x *expansion, seen map[string]bool) {
	url = unversioned(url)
	v := g.sets[url]
	switch {
	case v == nil:
		x.unknown["value set "+url] = true
		return
	case seen[url]:
		return
	}
	seen[url] = true
	for _, i := range v.Compose.Include {
		g.include(i, x, seen)
	}
	for _, i := range v.Compose.Exclude {
		g.exclude(i, x)
	}
}

// include adds one inclusion. Where it names value sets beside a system, the
// intersection is meant, which R4's own value sets have none of.
func (g *generator) include(i inclusion, x *expansion, seen map[string]bool) {
	for _, url := range i.ValueSet {
		g.expand(url, x, seen)
	}
	switch {
	case i.System == "":
	case len(i.Concept) > 0:
		eachConcept(i.Concept, func(c concept) { x.add(i.System, c.Code) })
	case len(i.Filter) > 0:
		codes, ok := g.filtered(i)
		if !ok {
			x.unknown["filter on "+i.System] = true
		}
		for _, c := range codes {
			x.add(i.System, c)
		}
	default:
		x.whole[i.System] = true
	}
}

// exclude takes codes out; a whole system is listed first.
func (g *generator) exclude(i inclusion, x *expansion) {
	if s := g.systems[i.System]; x.whole[i.System] && s != nil && s.Content == "complete" {
		delete(x.whole, i.System)
		eachConcept(s.Concept, func(c concept) { x.add(i.System, c.Code) })
	}
	codes, ok := g.filtered(i)
	if !ok {
		x.unknown["exclusion on "+i.System] = true
	}
	for _, c := range codes {
		delete(x.codes[i.System], c)
	}
	eachConcept(i.Concept, func(c concept) { delete(x.codes[i.System], c.Code) })
}

// filtered lists the concepts that the filters let through; false says that the
// package does not tell. The filters are is-a and is-not-a, and what some code
// systems call descendent-of.
func (g *generator) filtered(i inclusion) ([]string, bool) {
	s := g.systems[i.System]
	if len(i.Filter) == 0 {
		return nil, true
	}
	if s == nil || s.Content != "complete" {
		return nil, false
	}
	var out []string
	eachConcept(s.Concept, func(c concept) {
		for _, f := range i.Filter {
			if f.Property != "concept" || s.isA(c.Code, f.Value) != (f.Op == "is-a") {
				return
			}
		}
		out = append(out, c.Code)
	})
	return out, !slices.ContainsFunc(i.Filter, func(f struct{ Property, Op, Value string }) bool {
		return f.Property != "concept" || f.Op != "is-a" && f.Op != "is-not-a"
	})
}

// isA reports whether code is ancestor or stands below it.
func (s *codeSystem) isA(code, ancestor string) bool {
	found := false
	eachConcept(s.Concept, func(a concept) {
		if a.Code == ancestor {
			found = found || code == ancestor
			eachConcept(a.Concept, func(c concept) { found = found || c.Code == code })
		}
	})
	return found
}

// definitions writes the profiles and extensions, one JSON object a line, with
// the members that a validator needs.
func (g *generator) definitions() ([]byte, error) {
	var b bytes.Buffer
	for _, url := range slices.Sorted(maps.Keys(g.profiles)) {
		text, err := slim(g.profiles[url])
		if err != nil {
			return nil, err
		}
		b.WriteString(url)
		b.WriteByte('\t')
		b.Write(text)
		b.WriteByte('\n')
	}
	return b.Bytes(), nil
}

// kept reports whether a member of an element's definition is a rule.
func kept(member string) bool {
	switch member {
	case "id", "path", "sliceName", "slicing", "min", "max", "type", "contentReference", "binding", "constraint", "maxLength", "isModifier":
		return true
	}
	for _, p := range []string{"fixed", "pattern", "minValue", "maxValue"} {
		if strings.HasPrefix(member, p) {
			return true
		}
	}
	return false
}
