package defs

import (
	"encoding/json"
	"regexp"
	"slices"
	"strings"

	"golang.org/x/text/currency"
	"golang.org/x/text/language"

	"nailbridge/internal/spec"
	"nailbridge/internal/ucum"
)

// Known says what is known of a code.
type Known uint8

// The answers: the system is not known here, or it is, and has the code or not.
const (
	Unknown Known = iota
	No
	Yes
)

// Code systems whose codes follow a grammar or a register (R4
// terminologies-systems.html).
const (
	bcp47   = "urn:ietf:bcp:47"
	bcp13   = "urn:ietf:bcp:13"
	iso4217 = "urn:iso:std:iso:4217"
)

// IsSystem reports whether a canonical is that of a code system some codes of
// which are known here.
func (r *Registry) IsSystem(canonical string) bool {
	url, _, _ := strings.Cut(canonical, "|")
	return r.systems[url] != nil || spec.R4Codes().System(url) != nil
}

// Code says whether a system has a code, and the display it gives it.
func (r *Registry) Code(url, code string) (string, Known) {
	url, _, _ = strings.Cut(url, "|")
	if s := r.systems[url]; s != nil {
		d, ok := s.display[code]
		return d, answer(ok, s.complete)
	}
	if s := spec.R4Codes().System(url); s != nil {
		d, ok := s.Display(code)
		return d, answer(ok, s.Content == "complete")
	}
	switch url {
	case ucum.System:
		_, err := ucum.Parse(code)
		return "", answer(err == nil, true)
	case bcp47:
		_, err := language.Parse(code)
		return "", answer(err == nil, true)
	case bcp13:
		return "", answer(mediaType(code), true)
	case iso4217:
		_, err := currency.ParseISO(code)
		return "", answer(err == nil && len(code) == 3 && strings.ToUpper(code) == code, true)
	}
	return "", Unknown
}

func answer(has, complete bool) Known {
	switch {
	case has:
		return Yes
	case complete:
		return No
	}
	return Unknown
}

// mediaForm is a media type with or without parameters, or one of the short names
// of FHIR's formats (R4 capabilitystatement.html, format).
var mediaForm = regexp.MustCompile(`^[A-Za-z0-9!#$&^_.+*-]+/[A-Za-z0-9!#$&^_.+*-]+(\s*;.*)?$|^(xml|json|ttl)$`)

// mediaType reports a type of BCP 13 in its form; which types are registered
// changes daily.
func mediaType(s string) bool { return mediaForm.MatchString(s) }

// MemberOf says whether a value set holds a code. Without a system the code may
// be of any of the set's systems, as for elements of type code.
func (r *Registry) MemberOf(set, system, code string) Known {
	h := r.set(set)
	if h == nil {
		return Unknown
	}
	open := h.Open
	for _, whole := range h.Whole {
		if system != "" && system != whole {
			continue
		}
		switch _, known := r.Code(whole, code); known {
		case Yes:
			return Yes
		case Unknown:
			if system != "" {
				return Yes
			}
			open = true
		}
	}
	if system != "" && h.Codes[system][code] {
		return Yes
	}
	if system == "" {
		for _, codes := range h.Codes {
			if codes[code] {
				return Yes
			}
		}
	}
	return answer(false, !open)
}

// Systems lists the code systems that a value set draws on, or nil if it is not
// known.
func (r *Registry) Systems(set string) []string {
	h := r.set(set)
	if h == nil {
		return nil
	}
	out := slices.Clone(h.Whole)
	for s := range h.Codes {
		out = append(out, s)
	}
	return out
}

func (r *Registry) set(canonical string) *spec.Holds {
	url, _, _ := strings.Cut(canonical, "|")
	if h := r.sets[url]; h != nil {
		return h
	}
	if r.composed[url] != nil {
		return nil // Ready was not called
	}
	if v := spec.R4Codes().Set(url); v != nil {
		return &v.Holds
	}
	if url == allLanguages {
		return &spec.Holds{Whole: []string{bcp47}}
	}
	return nil
}

// allLanguages is a value set that R4 names and its core package leaves out (R4
// resource.html, Resource.language).
const allLanguages = "http://hl7.org/fhir/ValueSet/all-languages"

// IsSet reports whether a canonical is that of a value set known here.
func (r *Registry) IsSet(canonical string) bool { return r.set(canonical) != nil }

type concept struct {
	Code, Display string
	Concept       []concept
}

func (r *Registry) addSystem(url string, text []byte) error {
	var c struct {
		Content string
		Concept []concept
	}
	if err := json.Unmarshal(text, &c); err != nil {
		return err
	}
	s := &system{complete: c.Content == "complete", display: map[string]string{}, below: map[string][]string{}}
	var add func(list []concept, parent string)
	add = func(list []concept, parent string) {
		for _, c := range list {
			s.display[c.Code] = c.Display
			s.below[parent] = append(s.below[parent], c.Code)
			add(c.Concept, c.Code)
		}
	}
	add(c.Concept, "")
	r.systems[url] = s
	return nil
}

type valueSet struct {
	Compose struct {
		Include, Exclude []inclusion
	}
	Expansion struct {
		Contains []contains
	}
}

type inclusion struct {
	System   string
	Concept  []concept
	Filter   []struct{ Property, Op, Value string }
	ValueSet []string
}

type contains struct {
	System, Code string
	Contains     []contains
}

// Ready works out what the value sets that were added hold. It is to be called
// after the last Add.
func (r *Registry) Ready() {
	for url := range r.composed {
		r.expand(url, map[string]bool{})
	}
	clear(r.composed)
}

func (r *Registry) expand(url string, seen map[string]bool) *spec.Holds {
	url, _, _ = strings.Cut(url, "|")
	if h := r.sets[url]; h != nil || seen[url] {
		return h
	}
	v := r.composed[url]
	if v == nil {
		return r.set(url)
	}
	seen[url] = true
	h := &spec.Holds{Codes: map[string]map[string]bool{}}
	for _, i := range v.Compose.Include {
		r.include(h, i, seen)
	}
	for _, i := range v.Compose.Exclude {
		r.exclude(h, i, seen)
	}
	if len(v.Compose.Include) == 0 {
		expansion(h, v.Expansion.Contains)
	}
	r.sets[url] = h
	return h
}

func expansion(h *spec.Holds, list []contains) {
	for _, c := range list {
		if c.Code != "" {
			put(h, c.System, c.Code)
		}
		expansion(h, c.Contains)
	}
}

func put(h *spec.Holds, system, code string) {
	if h.Codes[system] == nil {
		h.Codes[system] = map[string]bool{}
	}
	h.Codes[system][code] = true
}

// include adds what one inclusion holds: of a system that it names, what the value
// sets that it names hold too; several value sets are united (R4
// valueset-definitions.html#ValueSet.compose.include, and .valueSet).
func (r *Registry) include(h *spec.Holds, i inclusion, seen map[string]bool) {
	sets := &spec.Holds{Codes: map[string]map[string]bool{}}
	for _, url := range i.ValueSet {
		unite(sets, r.expand(url, seen))
	}
	switch {
	case i.System == "":
		unite(h, sets)
	case len(i.ValueSet) == 0:
		unite(h, r.ofSystem(i))
	default:
		unite(h, common(r.ofSystem(i), sets))
	}
}

// ofSystem is what an inclusion takes from its system.
func (r *Registry) ofSystem(i inclusion) *spec.Holds {
	h := &spec.Holds{Codes: map[string]map[string]bool{}}
	switch {
	case len(i.Concept) > 0:
		for _, c := range i.Concept {
			put(h, i.System, c.Code)
		}
	case len(i.Filter) > 0:
		codes, ok := r.filtered(i)
		h.Open = !ok
		for _, c := range codes {
			put(h, i.System, c)
		}
	default:
		h.Whole = []string{i.System}
	}
	return h
}

// unite adds what another holds; one that is not known holds what nobody knows.
func unite(h, other *spec.Holds) {
	if other == nil {
		h.Open = true
		return
	}
	h.Whole, h.Open = append(h.Whole, other.Whole...), h.Open || other.Open
	each(other, func(system, code string) { put(h, system, code) })
}

// common is what two hold both.
func common(a, b *spec.Holds) *spec.Holds {
	h := &spec.Holds{Codes: map[string]map[string]bool{}, Open: a.Open || b.Open}
	h.Whole = slices.DeleteFunc(slices.Clone(a.Whole), func(s string) bool { return !slices.Contains(b.Whole, s) })
	for _, x := range []*spec.Holds{a, b} {
		each(x, func(system, code string) {
			if lists(a, system, code) && lists(b, system, code) {
				put(h, system, code)
			}
		})
	}
	return h
}

func lists(h *spec.Holds, system, code string) bool {
	return h.Codes[system][code] || slices.Contains(h.Whole, system)
}

// each gives the single codes.
func each(h *spec.Holds, f func(system, code string)) {
	for system, codes := range h.Codes {
		for c := range codes {
			f(system, c)
		}
	}
}

// exclude takes single codes out; of a set that holds a whole system they cannot
// be, unless the system was added.
func (r *Registry) exclude(h *spec.Holds, i inclusion, seen map[string]bool) {
	for _, url := range i.ValueSet {
		if other := r.expand(url, seen); other != nil {
			for system := range other.Codes {
				r.single(h, system)
			}
			each(other, func(system, code string) { delete(h.Codes[system], code) })
			for _, whole := range other.Whole {
				delete(h.Codes, whole)
				h.Whole = slices.DeleteFunc(h.Whole, func(w string) bool { return w == whole })
			}
		}
	}
	r.single(h, i.System)
	codes, ok := r.filtered(i)
	h.Open = h.Open || !ok
	for _, c := range i.Concept {
		codes = append(codes, c.Code)
	}
	for _, c := range codes {
		delete(h.Codes[i.System], c)
	}
}

// single turns a system that was added and is held as a whole into its codes.
func (r *Registry) single(h *spec.Holds, system string) {
	if s := r.systems[system]; s != nil && slices.Contains(h.Whole, system) {
		h.Whole = slices.DeleteFunc(h.Whole, func(w string) bool { return w == system })
		for c := range s.display {
			put(h, system, c)
		}
	}
}

// filtered lists what an is-a filter on a system that was added lets through;
// other filters are not known here.
func (r *Registry) filtered(i inclusion) ([]string, bool) {
	if len(i.Filter) == 0 {
		return nil, true
	}
	s := r.systems[i.System]
	if s == nil || !s.complete || len(i.Filter) > 1 || i.Filter[0].Property != "concept" {
		return nil, false
	}
	root := i.Filter[0].Value
	var out []string
	switch i.Filter[0].Op {
	case "is-a":
		out = append(out, root)
	case "descendent-of":
	default:
		return nil, false
	}
	for at := []string{root}; len(at) > 0; {
		next := s.below[at[0]]
		out, at = append(out, next...), append(at[1:], next...)
	}
	return out, true
}
