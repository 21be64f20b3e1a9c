package engine

import (
	"slices"
	"strings"

	"nailbridge/mapping/terms"
)

// sctCode reports a code of SNOMED CT: the identifier of a concept, or an
// expression (R4 snomedct.html).
func sctCode(s string) bool { return sctID(s) || sctExpression(s) }

// sctID reports an identifier of a concept of SNOMED CT: 6 to 18 digits, the
// partition of concepts before the last digit, which checks the others (SNOMED CT
// Release File Specifications, SCTID).
func sctID(s string) bool {
	if len(s) < 6 || s[0] == '0' || terms.CheckDigit(terms.SNOMEDCT, s) != nil {
		return false
	}
	partition := s[len(s)-3 : len(s)-1]
	return partition == "00" || partition == "10"
}

// sctExpression reports a postcoordinated expression of SNOMED CT: its form, and
// every identifier in it (SNOMED CT Compositional Grammar, normative syntax;
// github.com/IHTSDO/SNOMEDCT-Languages). What the concepts mean together is not
// looked at.
func sctExpression(s string) bool {
	r := sctReader{rest: s}
	r.space()
	if r.take("===") || r.take("<<<") {
		r.space()
	}
	if !r.subExpression() {
		return false
	}
	r.space()
	return r.rest == ""
}

// sctReader reads an expression from its front. Its methods are named after the
// rules of the grammar, and report whether what they name stands there.
type sctReader struct {
	rest  string
	depth int
}

// maxNested is how deep expressions may stand in each other.
const maxNested = 32

func (r *sctReader) take(s string) bool {
	rest, ok := strings.CutPrefix(r.rest, s)
	r.rest = rest
	return ok
}

func (r *sctReader) space() { r.rest = strings.TrimLeft(r.rest, " \t\r\n") }

// next takes s with the white space around it, or nothing.
func (r *sctReader) next(s string) bool {
	was := r.rest
	if r.space(); !r.take(s) {
		r.rest = was
		return false
	}
	r.space()
	return true
}

// while takes the characters that are among those given.
func (r *sctReader) while(among string) string {
	rest := strings.TrimLeft(r.rest, among)
	taken := r.rest[:len(r.rest)-len(rest)]
	r.rest = rest
	return taken
}

func (r *sctReader) subExpression() bool {
	if r.depth++; r.depth > maxNested {
		return false
	}
	defer func() { r.depth-- }()
	if !r.conceptReference() {
		return false
	}
	for r.next("+") {
		if !r.conceptReference() {
			return false
		}
	}
	return !r.next(":") || r.refinement()
}

func (r *sctReader) conceptReference() bool {
	if !sctID(r.while("0123456789")) {
		return false
	}
	if !r.next("|") {
		return true
	}
	term, rest, closed := strings.Cut(r.rest, "|")
	r.rest = rest
	return closed && strings.TrimSpace(term) != ""
}

func (r *sctReader) refinement() bool {
	if !r.attributeGroup() && !r.attributeSet() {
		return false
	}
	for {
		comma := r.next(",")
		if r.space(); !strings.HasPrefix(r.rest, "{") {
			return !comma
		}
		if !r.attributeGroup() {
			return false
		}
	}
}

func (r *sctReader) attributeGroup() bool {
	return r.next("{") && r.attributeSet() && r.next("}")
}

// attributeSet leaves a comma to the refinement where a group follows it.
func (r *sctReader) attributeSet() bool {
	for {
		if !r.attribute() {
			return false
		}
		before := r.rest
		if !r.next(",") {
			return true
		}
		if strings.HasPrefix(r.rest, "{") {
			r.rest = before
			return true
		}
	}
}

func (r *sctReader) attribute() bool {
	return r.conceptReference() && r.next("=") && r.attributeValue()
}

func (r *sctReader) attributeValue() bool {
	switch {
	case r.next("("):
		return r.subExpression() && r.next(")")
	case r.take(`"`):
		return r.stringValue()
	case r.take("#"):
		return r.numericValue()
	}
	for _, word := range []string{"true", "false"} {
		if len(r.rest) >= len(word) && strings.EqualFold(r.rest[:len(word)], word) {
			r.rest = r.rest[len(word):]
			return true
		}
	}
	return r.conceptReference()
}

// stringValue is the rest of a text after its opening quotation mark; a mark or a
// backslash within has a backslash before it.
func (r *sctReader) stringValue() bool {
	for i := 0; i < len(r.rest); i++ {
		switch r.rest[i] {
		case '"':
			r.rest = r.rest[i+1:]
			return i > 0
		case '\\':
			i++
			if i == len(r.rest) || !slices.Contains([]byte(`"\`), r.rest[i]) {
				return false
			}
		}
	}
	return false
}

func (r *sctReader) numericValue() bool {
	_ = r.take("-") || r.take("+")
	whole := r.while("0123456789")
	if whole == "" || len(whole) > 1 && whole[0] == '0' {
		return false
	}
	return !r.take(".") || r.while("0123456789") != ""
}
