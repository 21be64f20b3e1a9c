package terms

import (
	"fmt"
	"html"
	"strings"
)

// narrative is the FHIR narrative of a conformance resource.
type narrative struct {
	Status string `json:"status"`
	Div    string `json:"div"`
}

// narrate tells title and description, and the codes where there are any;
// every text is escaped.
func narrate(title, description string, codes []concept) *narrative {
	var b strings.Builder
	fmt.Fprintf(&b, `<div xmlns="http://www.w3.org/1999/xhtml"><p><b>%s</b></p><p>%s</p>`,
		html.EscapeString(title), html.EscapeString(description))
	if len(codes) > 0 {
		b.WriteString(`<table><tr><th>Code</th><th>Display</th></tr>`)
		for _, c := range codes {
			fmt.Fprintf(&b, `<tr><td>%s</td><td>%s</td></tr>`, html.EscapeString(c.Code), html.EscapeString(c.Display))
		}
		b.WriteString(`</table>`)
	}
	b.WriteString(`</div>`)
	return &narrative{"generated", b.String()}
}

// Narrate is the FHIR narrative, to be encoded as JSON, of a conformance resource
// that is not one of the code maps.
func Narrate(title, description string) any { return narrate(title, description, nil) }
