package terms

import (
	"fmt"
	"maps"
	"slices"
	"strings"

	"nailbridge/mapping/record"
)

// Coding is one code with its system and display. It never has a version:
// releases are mixed (D8.1, override of R-TERM-02).
type Coding struct {
	System  string `json:"system"`
	Code    string `json:"code"`
	Display string `json:"display"`
}

// Concept is a CodeableConcept: codings in their order, the local one first,
// and the local meaning as text. The zero Concept means absent.
type Concept struct {
	Codings []Coding
	Text    string
}

// IsZero reports whether the concept is absent.
func (c Concept) IsZero() bool { return len(c.Codings) == 0 && c.Text == "" }

// Licence says which SNOMED CT codes may leave (D7.1).
type Licence uint8

// The licence settings. FreeSet is the default.
const (
	FreeSet  Licence = iota // rows of SNOMED International's own CC BY sets only
	Licensed                // also rows verified twice that need an affiliate licence
	Off                     // no SNOMED CT
)

// String is the word of the setting snomed_ct.
func (l Licence) String() string {
	switch l {
	case FreeSet:
		return "free-set"
	case Licensed:
		return "licensed"
	case Off:
		return "off"
	}
	return fmt.Sprintf("licence(%d)", uint8(l))
}

// ParseLicence reads the word of the setting snomed_ct; the empty word is the
// default, free-set.
func ParseLicence(s string) (Licence, error) {
	switch s {
	case "", "free-set":
		return FreeSet, nil
	case "licensed":
		return Licensed, nil
	case "off":
		return Off, nil
	}
	return Off, fmt.Errorf("snomed_ct: want free-set, licensed or off")
}

// Setting says which standard codes may leave.
type Setting struct {
	SnomedCT Licence
	HCPCS    bool // the toe modifiers (D5.2)
}

// Terms is the loaded data; it is immutable and safe for concurrent use.
type Terms struct {
	systems    map[string]*codeSystem          // by id
	maps       map[string]*conceptMap          // by id
	extensions map[string]*structureDefinition // by id
	uses       map[string]use                  // by name
	tags       map[string][]string             // SNOMED CT semantic tags by FHIR element
	unpub      map[string]string               // record sets without codings: reason
	elements   map[string]element              // by name
	evidence   map[string]map[string]entry     // system, code
	index      map[string]map[string]target
	// confirmable are the SNOMED CT rows that leave only once confirmed (D7.2).
	confirmable map[string]entry
	confirmed   *Confirmed // nil: none was
	hash        string
}

// target is one source code of a use, ready to translate.
type target struct {
	local    Coding
	standard [][]Coding // one list a target system, in order of preference
}

// Translate gives the concept of a local code. name is a code system or a map
// over one (see the package comment). An empty or unlisted code gives the zero
// Concept: absent stays absent. An unknown name is a fault of the program and
// panics, as regexp.MustCompile does.
func (t *Terms) Translate(name string, code record.Code, s Setting) Concept {
	u, ok := t.uses[name]
	if !ok {
		if why := t.unpub[name]; why != "" {
			panic(fmt.Sprintf("terms: the list %s is not published as a coding: %s", name, why))
		}
		panic(fmt.Sprintf("terms: no code system or map %q", name))
	}
	tg, ok := t.index[name][string(code)]
	if !ok {
		return Concept{}
	}
	c := Concept{Text: tg.local.Display}
	if !u.Bound {
		c.Codings = append(c.Codings, tg.local)
	}
	for _, alternatives := range tg.standard {
		if i := slices.IndexFunc(alternatives, func(x Coding) bool { return t.Permits(s, x) }); i >= 0 {
			c.Codings = append(c.Codings, alternatives[i])
		}
	}
	return c
}

// Element gives a fixed concept by our own name, such as "body-weight". An
// unknown name is a fault of the program and panics.
func (t *Terms) Element(name string, s Setting) Concept {
	e, ok := t.elements[name]
	if !ok {
		panic(fmt.Sprintf("terms: no element %q", name))
	}
	if e.Source != "" {
		set, code, _ := strings.Cut(e.Source, "#")
		return t.Translate(set, record.Code(code), s)
	}
	c := Concept{Text: e.Text}
	for _, x := range e.Codings {
		if t.Permits(s, x) {
			c.Codings = append(c.Codings, x)
		}
	}
	return c
}

// Names lists the names that Element knows, sorted.
func (t *Terms) Names() []string { return slices.Sorted(maps.Keys(t.elements)) }

// Permits reports whether a coding may leave under a setting (D7.1).
func (t *Terms) Permits(s Setting, c Coding) bool {
	if strings.HasPrefix(c.System, localSystem) {
		return true
	}
	e, ok := t.evidence[c.System][c.Code]
	return ok && permits(s, c.System, e.Licence)
}

func permits(s Setting, system, licence string) bool {
	switch system {
	case SNOMEDCT:
		return s.SnomedCT == FreeSet && licence == licenceFree ||
			s.SnomedCT == Licensed && (licence == licenceFree || licence == licenceAffiliate)
	case HCPCS:
		return s.HCPCS
	}
	return true
}
