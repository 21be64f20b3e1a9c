package searchparam

import "slices"

// artifacts are the parameters of the definitions and code systems that our
// resources point to, from the section Search Parameters of each type's R4
// page.
var artifacts = slices.Concat(
	ofDefinitions("PlanDefinition", "PlanDefinition", "date", "identifier", "name", "publisher", "status", "title", "url", "version"),
	ofDefinitions("CodeSystem", "conformance", "date", "identifier", "name", "publisher", "status", "title", "url", "version"),
	ofDefinitions("ValueSet", "conformance", "date", "identifier", "name", "publisher", "status", "title", "url", "version"),
	ofDefinitions("ConceptMap", "conformance", "date", "identifier", "name", "publisher", "status", "title", "url", "version"),
	[]Definition{
		{Type: "SearchParameter", Name: "base", Kind: Token, Element: "code", System: "http://hl7.org/fhir/resource-types", ID: "SearchParameter-base", Expression: "SearchParameter.base"},
		{Type: "SearchParameter", Name: "code", Kind: Token, Element: "code", ID: "SearchParameter-code", Expression: "SearchParameter.code"},
	},
	ofDefinitions("SearchParameter", "conformance", "date", "name", "publisher", "status"),
	[]Definition{{Type: "SearchParameter", Name: "type", Kind: Token, Element: "code", System: "http://hl7.org/fhir/search-param-type", ID: "SearchParameter-type", Expression: "SearchParameter.type"}},
	ofDefinitions("SearchParameter", "conformance", "url", "version"),
	ofDefinitions("StructureDefinition", "conformance", "date", "identifier", "name", "publisher", "status", "title", "url", "version"),
	ofDefinitions("CapabilityStatement", "conformance", "date", "name", "publisher", "status", "title", "url", "version"),
)

// ofDefinitions are parameters that definitions have in common, of a type: of the ids that R4
// gives them with a prefix.
func ofDefinitions(typ, prefix string, names ...string) (out []Definition) {
	for _, name := range names {
		d := Definition{Type: typ, Name: name, Kind: String, ID: prefix + "-" + name, Expression: typ + "." + name}
		switch name {
		case "date":
			d.Kind = Date
		case "identifier":
			d.Kind, d.Element = Token, "Identifier"
		case "status":
			d.Kind, d.Element, d.System = Token, "code", "http://hl7.org/fhir/publication-status"
		case "url":
			d.Kind, d.Element = URI, "uri"
		case "version":
			d.Kind, d.Element = Token, "string"
		}
		out = append(out, d)
	}
	return out
}
