package r4

import (
	"strings"

	cpb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/codes_go_proto"
	dpb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/datatypes_go_proto"
)

// escaper writes text as XHTML content. Only the entities that XML itself
// knows are used (R4 narrative.html: no named entities of HTML).
var escaper = strings.NewReplacer("&", "&amp;", "<", "&lt;", ">", "&gt;", `"`, "&quot;")

// Escape makes s safe as XHTML text or attribute value.
func Escape(s string) string { return escaper.Replace(Clean(s)) }

// Text gathers the narrative of one resource: a title and rows of label and
// value. All text is escaped. The zero value is ready to use.
type Text struct{ html strings.Builder }

// NewText starts a narrative with a title line.
func NewText(title string) *Text {
	t := &Text{}
	t.html.WriteString("<p><b>" + Escape(title) + "</b></p>")
	return t
}

// Line adds a paragraph; a blank one is left out.
func (t *Text) Line(s string) *Text {
	if s = Escape(s); s != "" {
		t.html.WriteString("<p>" + s + "</p>")
	}
	return t
}

// Row adds "label: value"; a blank value is left out.
func (t *Text) Row(label, value string) *Text {
	if value = Escape(value); value != "" {
		t.html.WriteString("<p>" + Escape(label) + ": " + value + "</p>")
	}
	return t
}

// List adds a labelled list; an empty one is left out.
func (t *Text) List(label string, items ...string) *Text {
	if len(items) == 0 {
		return t
	}
	t.html.WriteString("<p>" + Escape(label) + ":</p><ul>")
	for _, i := range items {
		t.html.WriteString("<li>" + Escape(i) + "</li>")
	}
	t.html.WriteString("</ul>")
	return t
}

// HTML is what was gathered, as XHTML content.
func (t *Text) HTML() string { return t.html.String() }

// Narrative is the generated narrative of what was gathered.
func (t *Text) Narrative() *dpb.Narrative { return Narrative(t.html.String()) }

// Narrative is a generated narrative of XHTML content that is escaped already.
func Narrative(html string) *dpb.Narrative {
	return &dpb.Narrative{
		Status: &dpb.Narrative_StatusCode{Value: cpb.NarrativeStatusCode_GENERATED},
		Div:    &dpb.Xhtml{Value: Div(html)},
	}
}

// Div wraps XHTML content that is escaped already in the div of a narrative.
func Div(html string) string { return `<div xmlns="http://www.w3.org/1999/xhtml">` + html + `</div>` }
