package validate

import (
	"strings"

	"nailbridge/internal/xhtml"
)

// elementRule is an invariant of a data type, which may stand anywhere.
type elementRule struct {
	key, of, rule string // of: the path in R4's StructureDefinition of the data type
	broken        func(name string, m map[string]any) bool
}

var elements = []elementRule{
	{"ext-1", "Extension", "an extension has either extensions or a value", func(name string, m map[string]any) bool {
		return (name == "extension" || name == "modifierExtension") && (m["extension"] != nil) == hasPrefix(m, "value")
	}},
	{"per-1", "Period", "a period ends no earlier than it starts", func(name string, m map[string]any) bool {
		return strings.HasSuffix(name, "eriod") && reversed(m["start"], m["end"])
	}},
	{"rat-1", "Ratio", "numerator and denominator are both present or both absent", func(_ string, m map[string]any) bool {
		return (m["numerator"] != nil) != (m["denominator"] != nil)
	}},
	{"qty-3", "Quantity", "a unit code names its system", func(_ string, m map[string]any) bool {
		return m["value"] != nil && m["code"] != nil && m["system"] == nil
	}},
	{"cpt-2", "ContactPoint", "a contact point with a value has a system", func(name string, m map[string]any) bool {
		return name == "telecom" && m["value"] != nil && m["system"] == nil
	}},
	{"att-1", "Attachment", "an attachment with data has a contentType", func(name string, m map[string]any) bool {
		return isAttachment(name) && m["data"] != nil && m["contentType"] == nil
	}},
}

// isAttachment tells an Attachment by the name of its element: other data types
// have a member data too.
func isAttachment(name string) bool {
	return name == "content" || name == "photo" || strings.HasSuffix(strings.ToLower(name), "attachment")
}

// reversed reports that a period certainly ends before it starts. What cannot
// be read as a date is the business of the structure check.
func reversed(start, end any) bool {
	s, ok1 := start.(string)
	e, ok2 := end.(string)
	if !ok1 || !ok2 {
		return false
	}
	from, ok1 := span(s)
	to, ok2 := span(e)
	return ok1 && ok2 && to.before(from)
}

// narrative holds the div of a narrative to the rules of R4
// (narrative.html#xhtml): txt-2 for one without content, txt-1 for the rest.
func (c *checker) narrative(path string, m map[string]any) {
	div, ok := m["div"].(string)
	if !ok {
		return // dom-6
	}
	for _, p := range xhtml.Check(div) {
		key := "txt-1"
		if p.Rule == xhtml.NoContent {
			key = "txt-2"
		}
		c.add(key, path+".div", p.Rule.String())
	}
}
