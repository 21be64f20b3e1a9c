package main

import (
	"slices"
	"strings"
)

// explanation says why verdicts on mutants are not those wanted, of one pattern
// and no other: of a kind, at named elements, with one verdict each.
type explanation struct {
	kind       string
	elements   []string // of the mutant's place
	ours, java string   // the key of the first error that each finds, or "valid"
	note       string   // key of what we say beside, without calling it an error; or ""
	why        string   // quotes the standard
	section    string   // where it says so
}

const valid = "valid"

func (e explanation) fits(m mutant, p pair) bool {
	element, _, _ := strings.Cut(m.place, " ")
	return e.kind == m.kind && slices.Contains(e.elements, element) && p.ours.is(e.ours) && p.java.is(e.java) &&
		(e.note == "" || slices.Contains(p.notes, e.note))
}

// is compares a verdict with a key, or with "valid".
func (v verdict) is(key string) bool {
	if v.valid() {
		return key == valid
	}
	return v.key == key
}

// explanationOf is the index of the one that fits, or -1.
func explanationOf(m mutant, p pair) int {
	return slices.IndexFunc(explanations, func(e explanation) bool { return e.fits(m, p) })
}

var explanations = []explanation{
	{
		kind: "code-system-relative", elements: []string{"Parameters.parameter.value[x]"},
		ours: valid, note: "code-system", java: "Terminology_TX_System_Relative",
		why: `"the URI should come from HL7's list of FHIR defined special URIs or it should reference to some definition": should, so a warning, ` +
			`which the Java validator too makes of it in a CodeableConcept`,
		section: "datatypes-definitions.html#Coding.system",
	},
	{
		kind: "required-code-unknown", elements: mediaTypes, ours: "binding-required", java: valid,
		why: `the Java validator takes any text for a media type; "This value set includes all possible codes from BCP-13", of which each has ` +
			`a type and a subtype`,
		section: "valueset-mimetypes.html",
	},
}

// mediaTypes are the elements of code that are bound to the value set of media
// types, by their own binding; the languages of mappings are too.
var mediaTypes = []string{
	"Attachment.contentType", "Binary.contentType", "CapabilityStatement.format", "CapabilityStatement.patchFormat",
	"ElementDefinition.mapping.language", "Endpoint.payloadMimeType", "Signature.sigFormat", "Signature.targetFormat",
	"Subscription.channel.payload", "TestScript.setup.action.assert.contentType", "TestScript.setup.action.operation.accept",
	"TestScript.setup.action.operation.contentType",
}
