// Package defs holds what a validator knows beside R4's types: profiles,
// extensions, code systems and value sets. Those of R4's core package are always
// there; others are added.
package defs

import (
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"sync"

	"nailbridge/internal/spec"
)

// Registry holds definitions by canonical. Once in use it must not be added to.
type Registry struct {
	structures map[string]*Structure // the latest by URL, and each by URL and version
	versions   map[string]string     // of the latest code system and value set by type and URL
	systems    map[string]*system
	sets       map[string]*spec.Holds
	composed   map[string]*valueSet // not expanded yet

	core sync.Map // structures of the core package by canonical, once parsed
}

// system is a code system that was added.
type system struct {
	complete bool
	display  map[string]string
	below    map[string][]string // children by code
}

// New makes a Registry of R4's core package and nothing else.
func New() *Registry {
	return &Registry{
		structures: map[string]*Structure{}, versions: map[string]string{}, systems: map[string]*system{}, sets: map[string]*spec.Holds{},
		composed: map[string]*valueSet{},
	}
}

// Add takes a StructureDefinition, ValueSet or CodeSystem in JSON; it reports
// false for other resources, and for JSON that is none. What is added stands before what the core
// package says of the same canonical. Of several versions the latest counts, whichever came
// first; a StructureDefinition of an earlier one is found by it.
func (r *Registry) Add(text []byte) (bool, error) {
	var head struct{ ResourceType, URL, Version string }
	var other *json.UnmarshalTypeError
	switch err := json.Unmarshal(text, &head); {
	case errors.As(err, &other) && head.ResourceType == "":
		return false, nil // JSON, but no resource
	case err != nil:
		return false, err
	}
	var err error
	switch head.ResourceType {
	case "StructureDefinition":
		var s *Structure
		if s, err = parseStructure(text); err == nil {
			r.addStructure(s)
		}
	case "CodeSystem":
		if r.latest("CodeSystem "+head.URL, head.Version) {
			err = r.addSystem(head.URL, text)
		}
	case "ValueSet":
		if r.latest("ValueSet "+head.URL, head.Version) {
			v := &valueSet{}
			err = json.Unmarshal(text, v)
			r.composed[head.URL] = v
		}
	default:
		return false, nil
	}
	if err == nil && head.URL == "" {
		err = fmt.Errorf("a %s without url", head.ResourceType)
	}
	return true, err
}

func (r *Registry) addStructure(s *Structure) {
	if s.Version != "" {
		r.structures[s.URL+"|"+s.Version] = s
	}
	if known := r.structures[s.URL]; known == nil || spec.CompareVersions(s.Version, known.Version) >= 0 {
		r.structures[s.URL] = s
	}
}

// latest reports whether no later version of a definition was added before, and
// takes it down.
func (r *Registry) latest(definition, version string) bool {
	if known, is := r.versions[definition]; is && spec.CompareVersions(version, known) < 0 {
		return false
	}
	r.versions[definition] = version
	return true
}

// Structure finds a profile or extension by its canonical; without version it is
// the latest. A version that is asked for must be there, where versions are known.
func (r *Registry) Structure(canonical string) *Structure {
	if s := r.structures[canonical]; s != nil {
		return s
	}
	url, version, _ := strings.Cut(canonical, "|")
	if s := r.structures[url]; s != nil {
		if version != "" && s.Version != "" && s.Version != version {
			return nil
		}
		return s
	}
	if s, ok := r.core.Load(url); ok {
		return s.(*Structure)
	}
	text, ok := spec.Profile(url)
	if !ok {
		return nil
	}
	s, err := parseStructure([]byte(text))
	if err != nil {
		panic("defs: the embedded definition of " + url + ": " + err.Error())
	}
	known, _ := r.core.LoadOrStore(url, s)
	return known.(*Structure)
}

// Structures lists those that were added, of each the latest version.
func (r *Registry) Structures() []*Structure {
	var out []*Structure
	for canonical, s := range r.structures {
		if canonical == s.URL {
			out = append(out, s)
		}
	}
	return out
}

// InCore reports whether a canonical is one of R4's own, of which only a part is
// held here: that it is not found does not say that it does not exist.
func InCore(canonical string) bool {
	name, ok := strings.CutPrefix(canonical, Base)
	return ok && !strings.Contains(name, "/")
}
