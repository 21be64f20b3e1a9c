package defs

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"strconv"
	"strings"
)

// Base is the canonical that the types and profiles of R4's core begin with.
const Base = "http://hl7.org/fhir/StructureDefinition/"

// Structure is a StructureDefinition, with the members that are rules (R4
// structuredefinition.html).
type Structure struct {
	URL              string
	Version          string
	Name             string
	Kind             string
	Type             string
	BaseDefinition   string
	Derivation       string
	Abstract         bool
	Context          []Context
	ContextInvariant []string
	Differential     struct{ Element []Element }
	Snapshot         struct{ Element []Element }
}

// Context says where an extension may stand.
type Context struct{ Type, Expression string }

// Elements are those of the differential, or of the snapshot where there is no
// differential: an element that says what its base says adds nothing.
func (s *Structure) Elements() []Element {
	if len(s.Differential.Element) > 0 {
		return s.Differential.Element
	}
	return s.Snapshot.Element
}

// Most is how often what is defined may stand in one place: the maximum of the
// first element.
func (s *Structure) Most() int {
	if list := s.Elements(); len(list) > 0 {
		if n, err := strconv.Atoi(list[0].Max); err == nil {
			return n
		}
	}
	return math.MaxInt
}

// Element is an ElementDefinition (R4 elementdefinition.html).
type Element struct {
	ID, Path, SliceName string
	Slicing             *Slicing
	Min                 *int
	Max                 string
	Type                []ElementType
	ContentReference    string
	Binding             *Binding
	Constraint          []Constraint
	MaxLength           *int
	IsModifier          bool
	Fixed, Pattern      any // JSON trees, nil if there is none
	MinValue, MaxValue  any
}

// Slicing says how a list is split into slices.
type Slicing struct {
	Discriminator []struct{ Type, Path string }
	Ordered       bool
	Rules         string
}

// ElementType is one type that an element may have.
type ElementType struct {
	Code                   string
	Profile, TargetProfile []string
	Aggregation            []string
}

// Binding ties an element to a value set.
type Binding struct{ Strength, ValueSet string }

// Constraint is an invariant; Source is the canonical of what it was inherited
// from, if that is said.
type Constraint struct{ Key, Severity, Human, Expression, Source string }

// UnmarshalJSON reads the members of fixed type, and those that carry the type
// in their name: fixed[x], pattern[x], minValue[x], maxValue[x].
func (e *Element) UnmarshalJSON(text []byte) error {
	type plain Element
	if err := json.Unmarshal(text, (*plain)(e)); err != nil {
		return err
	}
	var members map[string]json.RawMessage
	if err := json.Unmarshal(text, &members); err != nil {
		return err
	}
	for prefix, into := range map[string]*any{
		"fixed": &e.Fixed, "pattern": &e.Pattern, "minValue": &e.MinValue, "maxValue": &e.MaxValue,
	} {
		for name, value := range members {
			if typ, ok := strings.CutPrefix(name, prefix); ok && typ != "" {
				d := json.NewDecoder(bytes.NewReader(value))
				d.UseNumber()
				if err := d.Decode(into); err != nil {
					return err
				}
			}
		}
	}
	return nil
}

func parseStructure(text []byte) (*Structure, error) {
	s := &Structure{}
	if err := json.Unmarshal(text, s); err != nil {
		return nil, err
	}
	if s.URL == "" || s.Type == "" {
		return nil, fmt.Errorf("a StructureDefinition without url or type")
	}
	return s, nil
}
