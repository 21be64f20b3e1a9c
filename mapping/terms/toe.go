package terms

import "nailbridge/mapping/record"

// ToeConcept is the toe for a bodySite: the local code of toe and side, the
// SNOMED CT structure where one may leave, and the HCPCS modifier (D5.2). It
// never has a coding without the side (D5.1). Side or digit absent or unlisted
// gives the zero Concept.
func (t *Terms) ToeConcept(side, digit record.Code, s Setting) Concept {
	return t.Translate("toe", side+"-"+digit, s)
}

// Location is BodyStructure.location of a border: the local code of toe, side
// and border, so that two borders never look alike (D5.1), and the nail unit of
// the digit, which has no side. With no border stated it is the nail of the toe.
func (t *Terms) Location(side, digit, border record.Code, s Setting) Concept {
	if border == "" {
		return t.Translate("nail-of-toe", side+"-"+digit, s)
	}
	return t.Translate("border-of-toe", side+"-"+digit+"-"+border, s)
}

// Qualifiers is BodyStructure.locationQualifier of a border: side, then border.
// What is absent is left out.
func (t *Terms) Qualifiers(side, border record.Code, s Setting) []Concept {
	var out []Concept
	for _, c := range []Concept{t.Translate("side", side, s), t.Translate("border", border, s)} {
		if !c.IsZero() {
			out = append(out, c)
		}
	}
	return out
}

// Indication is Condition.code of an indication; the ingrowing nail of the
// hallux has a code of its own.
func (t *Terms) Indication(code, digit record.Code, s Setting) Concept {
	if digit == "1" {
		return t.Translate("indication-hallux", code, s)
	}
	return t.Translate("indication", code, s)
}
