package searchparam

// artifacts are the parameters of the definitions and code systems that our
// resources point to, from the section Search Parameters of each type's R4
// page.
var artifacts = []Definition{
	{Type: "PlanDefinition", Name: "date", Kind: Date, ID: "PlanDefinition-date", Expression: "PlanDefinition.date"},
	{Type: "PlanDefinition", Name: "identifier", Kind: Token, Element: "Identifier", ID: "PlanDefinition-identifier", Expression: "PlanDefinition.identifier"},
	{Type: "PlanDefinition", Name: "name", Kind: String, ID: "PlanDefinition-name", Expression: "PlanDefinition.name"},
	{Type: "PlanDefinition", Name: "publisher", Kind: String, ID: "PlanDefinition-publisher", Expression: "PlanDefinition.publisher"},
	{Type: "PlanDefinition", Name: "status", Kind: Token, Element: "code", System: "http://hl7.org/fhir/publication-status", ID: "PlanDefinition-status", Expression: "PlanDefinition.status"},
	{Type: "PlanDefinition", Name: "title", Kind: String, ID: "PlanDefinition-title", Expression: "PlanDefinition.title"},
	{Type: "PlanDefinition", Name: "url", Kind: URI, Element: "uri", ID: "PlanDefinition-url", Expression: "PlanDefinition.url"},
	{Type: "PlanDefinition", Name: "version", Kind: Token, Element: "string", ID: "PlanDefinition-version", Expression: "PlanDefinition.version"},

	{Type: "CodeSystem", Name: "date", Kind: Date, ID: "conformance-date", Expression: "CodeSystem.date"},
	{Type: "CodeSystem", Name: "identifier", Kind: Token, Element: "Identifier", ID: "conformance-identifier", Expression: "CodeSystem.identifier"},
	{Type: "CodeSystem", Name: "name", Kind: String, ID: "conformance-name", Expression: "CodeSystem.name"},
	{Type: "CodeSystem", Name: "publisher", Kind: String, ID: "conformance-publisher", Expression: "CodeSystem.publisher"},
	{Type: "CodeSystem", Name: "status", Kind: Token, Element: "code", System: "http://hl7.org/fhir/publication-status", ID: "conformance-status", Expression: "CodeSystem.status"},
	{Type: "CodeSystem", Name: "title", Kind: String, ID: "conformance-title", Expression: "CodeSystem.title"},
	{Type: "CodeSystem", Name: "url", Kind: URI, Element: "uri", ID: "conformance-url", Expression: "CodeSystem.url"},
	{Type: "CodeSystem", Name: "version", Kind: Token, Element: "string", ID: "conformance-version", Expression: "CodeSystem.version"},

	{Type: "ValueSet", Name: "date", Kind: Date, ID: "conformance-date", Expression: "ValueSet.date"},
	{Type: "ValueSet", Name: "identifier", Kind: Token, Element: "Identifier", ID: "conformance-identifier", Expression: "ValueSet.identifier"},
	{Type: "ValueSet", Name: "name", Kind: String, ID: "conformance-name", Expression: "ValueSet.name"},
	{Type: "ValueSet", Name: "publisher", Kind: String, ID: "conformance-publisher", Expression: "ValueSet.publisher"},
	{Type: "ValueSet", Name: "status", Kind: Token, Element: "code", System: "http://hl7.org/fhir/publication-status", ID: "conformance-status", Expression: "ValueSet.status"},
	{Type: "ValueSet", Name: "title", Kind: String, ID: "conformance-title", Expression: "ValueSet.title"},
	{Type: "ValueSet", Name: "url", Kind: URI, Element: "uri", ID: "conformance-url", Expression: "ValueSet.url"},
	{Type: "ValueSet", Name: "version", Kind: Token, Element: "string", ID: "conformance-version", Expression: "ValueSet.version"},

	{Type: "ConceptMap", Name: "date", Kind: Date, ID: "conformance-date", Expression: "ConceptMap.date"},
	{Type: "ConceptMap", Name: "identifier", Kind: Token, Element: "Identifier", ID: "conformance-identifier", Expression: "ConceptMap.identifier"},
	{Type: "ConceptMap", Name: "name", Kind: String, ID: "conformance-name", Expression: "ConceptMap.name"},
	{Type: "ConceptMap", Name: "publisher", Kind: String, ID: "conformance-publisher", Expression: "ConceptMap.publisher"},
	{Type: "ConceptMap", Name: "status", Kind: Token, Element: "code", System: "http://hl7.org/fhir/publication-status", ID: "conformance-status", Expression: "ConceptMap.status"},
	{Type: "ConceptMap", Name: "title", Kind: String, ID: "conformance-title", Expression: "ConceptMap.title"},
	{Type: "ConceptMap", Name: "url", Kind: URI, Element: "uri", ID: "conformance-url", Expression: "ConceptMap.url"},
	{Type: "ConceptMap", Name: "version", Kind: Token, Element: "string", ID: "conformance-version", Expression: "ConceptMap.version"},

	{Type: "SearchParameter", Name: "base", Kind: Token, Element: "code", System: "http://hl7.org/fhir/resource-types", ID: "SearchParameter-base", Expression: "SearchParameter.base"},
	{Type: "SearchParameter", Name: "code", Kind: Token, Element: "code", ID: "SearchParameter-code", Expression: "SearchParameter.code"},
	{Type: "SearchParameter", Name: "date", Kind: Date, ID: "conformance-date", Expression: "SearchParameter.date"},
	{Type: "SearchParameter", Name: "name", Kind: String, ID: "conformance-name", Expression: "SearchParameter.name"},
	{Type: "SearchParameter", Name: "publisher", Kind: String, ID: "conformance-publisher", Expression: "SearchParameter.publisher"},
	{Type: "SearchParameter", Name: "status", Kind: Token, Element: "code", System: "http://hl7.org/fhir/publication-status", ID: "conformance-status", Expression: "SearchParameter.status"},
	{Type: "SearchParameter", Name: "type", Kind: Token, Element: "code", System: "http://hl7.org/fhir/search-param-type", ID: "SearchParameter-type", Expression: "SearchParameter.type"},
	{Type: "SearchParameter", Name: "url", Kind: URI, Element: "uri", ID: "conformance-url", Expression: "SearchParameter.url"},
	{Type: "SearchParameter", Name: "version", Kind: Token, Element: "string", ID: "conformance-version", Expression: "SearchParameter.version"},

	{Type: "StructureDefinition", Name: "date", Kind: Date, ID: "conformance-date", Expression: "StructureDefinition.date"},
	{Type: "StructureDefinition", Name: "identifier", Kind: Token, Element: "Identifier", ID: "conformance-identifier", Expression: "StructureDefinition.identifier"},
	{Type: "StructureDefinition", Name: "name", Kind: String, ID: "conformance-name", Expression: "StructureDefinition.name"},
	{Type: "StructureDefinition", Name: "publisher", Kind: String, ID: "conformance-publisher", Expression: "StructureDefinition.publisher"},
	{Type: "StructureDefinition", Name: "status", Kind: Token, Element: "code", System: "http://hl7.org/fhir/publication-status", ID: "conformance-status", Expression: "StructureDefinition.status"},
	{Type: "StructureDefinition", Name: "title", Kind: String, ID: "conformance-title", Expression: "StructureDefinition.title"},
	{Type: "StructureDefinition", Name: "url", Kind: URI, Element: "uri", ID: "conformance-url", Expression: "StructureDefinition.url"},
	{Type: "StructureDefinition", Name: "version", Kind: Token, Element: "string", ID: "conformance-version", Expression: "StructureDefinition.version"},

	{Type: "CapabilityStatement", Name: "date", Kind: Date, ID: "conformance-date", Expression: "CapabilityStatement.date"},
	{Type: "CapabilityStatement", Name: "name", Kind: String, ID: "conformance-name", Expression: "CapabilityStatement.name"},
	{Type: "CapabilityStatement", Name: "publisher", Kind: String, ID: "conformance-publisher", Expression: "CapabilityStatement.publisher"},
	{Type: "CapabilityStatement", Name: "status", Kind: Token, Element: "code", System: "http://hl7.org/fhir/publication-status", ID: "conformance-status", Expression: "CapabilityStatement.status"},
	{Type: "CapabilityStatement", Name: "title", Kind: String, ID: "conformance-title", Expression: "CapabilityStatement.title"},
	{Type: "CapabilityStatement", Name: "url", Kind: URI, Element: "uri", ID: "conformance-url", Expression: "CapabilityStatement.url"},
	{Type: "CapabilityStatement", Name: "version", Kind: Token, Element: "string", ID: "conformance-version", Expression: "CapabilityStatement.version"},
}
