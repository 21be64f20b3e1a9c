package terms

import (
	"cmp"
	"maps"
	"slices"
	"strings"

	"nailbridge/mapping/record"
)

// Share says how many of the codes used in one FHIR element carry a SNOMED CT
// coding, by licence setting.
type Share struct {
	Element  string // FHIR element
	Name     string // of the code system or map; "fixed" for fixed concepts
	Codes    int
	FreeSet  int // with SNOMED CT under FreeSet
	Licensed int // with SNOMED CT under Licensed
	// Admits says whether a SNOMED CT code may stand in the element at all; a
	// binding to R4's own codes, or to local ones only, admits none.
	Admits bool
}

// Share counts per element and code system or map, sorted by both. Fixed
// concepts that name a local code are counted with its code system.
func (t *Terms) Share() []Share {
	rows := map[[2]string]*Share{}
	count := func(element, name string, concept func(Setting) Concept) {
		key := [2]string{element, name}
		if rows[key] == nil {
			rows[key] = &Share{Element: element, Name: name, Admits: len(t.tags[element]) > 0}
		}
		r := rows[key]
		r.Codes++
		if hasSNOMEDCT(concept(Setting{SnomedCT: FreeSet})) {
			r.FreeSet++
		}
		if hasSNOMEDCT(concept(Setting{SnomedCT: Licensed})) {
			r.Licensed++
		}
	}
	for name, u := range t.uses {
		for code := range t.index[name] {
			count(u.Element, name, func(s Setting) Concept { return t.Translate(name, record.Code(code), s) })
		}
	}
	for name, e := range t.elements {
		if e.Source == "" {
			count(e.Element, "fixed", func(s Setting) Concept { return t.Element(name, s) })
		}
	}
	var out []Share
	for _, r := range rows {
		out = append(out, *r)
	}
	slices.SortFunc(out, func(a, b Share) int {
		return cmp.Or(strings.Compare(a.Element, b.Element), strings.Compare(a.Name, b.Name))
	})
	return out
}

func hasSNOMEDCT(c Concept) bool {
	return slices.ContainsFunc(c.Codings, func(x Coding) bool { return x.System == SNOMEDCT })
}

// Codes lists the codes of a code system or map by name, sorted; nil for an
// unknown name.
func (t *Terms) Codes(name string) []record.Code {
	var out []record.Code
	for _, c := range slices.Sorted(maps.Keys(t.index[name])) {
		out = append(out, record.Code(c))
	}
	return out
}
