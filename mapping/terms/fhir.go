package terms

import (
	"fmt"
	"slices"
	"strings"
)

// canonical are the members that all our conformance resources have, in their order.
type canonical struct {
	ResourceType string     `json:"resourceType"`
	ID           string     `json:"id"`
	Text         *narrative `json:"text,omitempty"`
	URL          string     `json:"url"`
	Version      string     `json:"version,omitempty"` // a fragment of another's code system has none
	Name         string     `json:"name"`
	Title        string     `json:"title"`
	Status       string     `json:"status"`
	Experimental bool       `json:"experimental"`
	Publisher    string     `json:"publisher"`
	Description  string     `json:"description"`
}

// codeSystem is a FHIR R4 CodeSystem with the members that our data use.
type codeSystem struct {
	canonical
	Copyright     string    `json:"copyright,omitempty"`
	CaseSensitive bool      `json:"caseSensitive"`
	ValueSet      string    `json:"valueSet,omitempty"`
	Content       string    `json:"content"`
	Count         int       `json:"count,omitempty"`
	Concept       []concept `json:"concept"`
}

type concept struct {
	Code    string `json:"code"`
	Display string `json:"display"`
	// Definition is what the code means where its display leaves that open.
	Definition string `json:"definition,omitempty"`
}

// valueSet is a FHIR R4 ValueSet of all codes of one code system.
type valueSet struct {
	canonical
	Immutable bool    `json:"immutable"`
	Compose   compose `json:"compose"`
}

type compose struct {
	Include []include `json:"include"`
}

type include struct {
	System string `json:"system"`
}

// conceptMap is a FHIR R4 ConceptMap with the members that our data use.
type conceptMap struct {
	canonical
	Copyright       string     `json:"copyright,omitempty"`
	SourceCanonical string     `json:"sourceCanonical"`
	Group           []mapGroup `json:"group,omitempty"`
}

type mapGroup struct {
	Source  string       `json:"source"`
	Target  string       `json:"target"`
	Element []mapElement `json:"element"`
}

type mapElement struct {
	Code    string      `json:"code"`
	Display string      `json:"display"`
	Target  []mapTarget `json:"target"`
}

type mapTarget struct {
	Code        string `json:"code"`
	Display     string `json:"display"`
	Equivalence string `json:"equivalence"` // of the target: wider, narrower (R4 concept-map-equivalence)
	Comment     string `json:"comment,omitempty"`
}

// structureDefinition is a FHIR R4 StructureDefinition of an extension with the
// members that our data use.
type structureDefinition struct {
	canonical
	FHIRVersion    string     `json:"fhirVersion"`
	Kind           string     `json:"kind"`
	Abstract       bool       `json:"abstract"`
	Context        []context  `json:"context"`
	Type           string     `json:"type"`
	BaseDefinition string     `json:"baseDefinition"`
	Derivation     string     `json:"derivation"`
	Differential   elementSet `json:"differential"`
}

type context struct {
	Type       string `json:"type"`
	Expression string `json:"expression"`
}

type elementSet struct {
	Element []elementDefinition `json:"element"`
}

type elementDefinition struct {
	ID         string        `json:"id"`
	Path       string        `json:"path"`
	SliceName  string        `json:"sliceName,omitempty"`
	Short      string        `json:"short,omitempty"`
	Definition string        `json:"definition,omitempty"`
	Min        *int          `json:"min,omitempty"`
	Max        string        `json:"max,omitempty"`
	Type       []elementType `json:"type,omitempty"`
	FixedURI   string        `json:"fixedUri,omitempty"`
}

type elementType struct {
	Code string `json:"code"`
}

// check holds a code system to its file name and to itself.
func (cs *codeSystem) check(id string) error {
	switch {
	case cs.ResourceType != "CodeSystem", cs.ID != id, cs.URL != localSystem+id,
		cs.ValueSet != CanonicalBase+"/ValueSet/"+id:
		return fmt.Errorf("resourceType, id, url or valueSet does not fit the name")
	case cs.Content != "complete" || cs.Count != len(cs.Concept):
		return fmt.Errorf("content must be complete and count %d", len(cs.Concept))
	}
	seen := map[string]bool{}
	for _, c := range cs.Concept {
		if c.Code == "" || c.Display == "" || seen[c.Code] {
			return fmt.Errorf("code %q is empty, has no display or stands twice", c.Code)
		}
		seen[c.Code] = true
	}
	return nil
}

// display returns the display of a code.
func (cs *codeSystem) display(code string) (string, bool) {
	i := slices.IndexFunc(cs.Concept, func(c concept) bool { return c.Code == code })
	if i < 0 {
		return "", false
	}
	return cs.Concept[i].Display, true
}

// checkMap holds a map to its file name, its code system and the evidence.
func (t *Terms) checkMap(cm *conceptMap, id string) error {
	if cm.ResourceType != "ConceptMap" || cm.ID != id || cm.URL != CanonicalBase+"/ConceptMap/"+id {
		return fmt.Errorf("resourceType, id or url does not fit the name")
	}
	for _, g := range cm.Group {
		if cm.SourceCanonical != CanonicalBase+"/ValueSet/"+strings.TrimPrefix(g.Source, localSystem) {
			return fmt.Errorf("sourceCanonical is not the value set of %s", g.Source)
		}
		seen := map[string]bool{}
		for _, e := range g.Element {
			if err := t.Check(g.Source, e.Code, e.Display); err != nil {
				return err
			}
			if seen[e.Code] || len(e.Target) == 0 {
				return fmt.Errorf("source code %s has no target or stands twice", e.Code)
			}
			seen[e.Code] = true
			for _, x := range e.Target {
				if err := t.Check(g.Target, x.Code, x.Display); err != nil {
					return fmt.Errorf("source code %s: %w", e.Code, err)
				}
			}
		}
	}
	return nil
}
