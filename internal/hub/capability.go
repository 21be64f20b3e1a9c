package hub

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"sync/atomic"
	"time"

	"nailbridge/internal/searchparam"
	"nailbridge/mapping/profiles"
	"nailbridge/mapping/terms"
)

// capabilityStatement is R4's CapabilityStatement as far as we fill it
// (capabilitystatement.html).
type capabilityStatement struct {
	ResourceType   string          `json:"resourceType"`
	ID             string          `json:"id,omitempty"`
	Text           narrative       `json:"text"`
	URL            string          `json:"url"`
	Version        string          `json:"version,omitempty"`
	Name           string          `json:"name"`
	Title          string          `json:"title"`
	Status         string          `json:"status"`
	Experimental   bool            `json:"experimental"`
	Date           string          `json:"date"`
	Description    string          `json:"description"`
	Kind           string          `json:"kind"`
	Software       software        `json:"software"`
	Implementation *implementation `json:"implementation,omitempty"`
	FHIRVersion    string          `json:"fhirVersion"`
	Format         []string        `json:"format"`
	Rest           []rest          `json:"rest"`
}

type software struct {
	Name        string `json:"name"`
	Version     string `json:"version,omitempty"`
	ReleaseDate string `json:"releaseDate,omitempty"`
}

type implementation struct {
	Description string `json:"description"`
	URL         string `json:"url"`
}

type rest struct {
	Mode          string         `json:"mode"`
	Documentation string         `json:"documentation"`
	Security      security       `json:"security"`
	Resource      []restResource `json:"resource"`
	Interaction   []interaction  `json:"interaction"`
	Compartment   []string       `json:"compartment"`
}

type security struct {
	CORS        bool   `json:"cors"`
	Description string `json:"description"`
}

type interaction struct {
	Code string `json:"code"`
}

type restResource struct {
	Type              string        `json:"type"`
	Profile           string        `json:"profile"`
	SupportedProfile  []string      `json:"supportedProfile,omitempty"`
	Interaction       []interaction `json:"interaction"`
	Versioning        string        `json:"versioning"`
	ReadHistory       bool          `json:"readHistory"`
	UpdateCreate      bool          `json:"updateCreate"`
	ConditionalCreate bool          `json:"conditionalCreate"`
	ConditionalRead   string        `json:"conditionalRead"`
	ConditionalUpdate bool          `json:"conditionalUpdate"`
	ConditionalDelete string        `json:"conditionalDelete"`
	SearchInclude     []string      `json:"searchInclude,omitempty"`
	SearchRevInclude  []string      `json:"searchRevInclude,omitempty"`
	SearchParam       []searchParam `json:"searchParam"`
	Operation         []operation   `json:"operation,omitempty"`
}

type operation struct {
	Name       string `json:"name"`
	Definition string `json:"definition"`
}

type searchParam struct {
	Name       string `json:"name"`
	Definition string `json:"definition"`
	Type       string `json:"type"`
}

const (
	capabilityTitle = "Nailbridge, the read side for hubs"
	capabilityText  = "Records of toenail surgery and its follow-up, carried from foot clinics: read, search and history, nothing is written here."
)

// capabilityRules says how a request is read and answered, with the limits that
// are in force.
func capabilityRules(zone string) string {
	return "A parameter that is not listed, or a value that cannot be read, is 400 and nothing is searched; with Prefer: handling=lenient an unknown parameter " +
		"is left out, self does not list it and an outcome entry says so. A parameter of a search without a value is ignored, as R4 says, and an outcome entry says so; one of a history is ignored. " +
		"Several values are joined by commas, any of which may match; repeated parameters must all match, each by any value of a resource, so that two dates are no window to a plan with many; \\, \\| \\$ and \\\\ escape. Modifiers are :missing (but on _id and _lastUpdated, which nothing lacks), " +
		":not on tokens, :exact and :contains on strings, :identifier and the type (subject:Patient) on references. " +
		fmt.Sprintf("A reference may be followed (patient.identifier, subject:Patient.birthdate), over %d references at most. A search may have %d criteria, of which each reference followed counts as %d, with %d values in all. ",
			searchparam.MaxChain, searchparam.MaxCriteria, searchparam.StepCost, searchparam.MaxValues) +
		fmt.Sprintf("_include and _revinclude take what is listed, one step, %d of each in a search, and at most %d resources each beside a page, else an outcome entry says so. _sort takes up to %d parameters; what has no value comes last. ",
			maxIncludes, maxIncluded, maxSort) +
		"_summary and _elements answer a part, marked SUBSETTED, of a read too. Patient/[id]/[type] and Patient/[id]/* search the compartment, with the records of those who are linked to the patient; * takes _id and _lastUpdated alone. " +
		"A reference to a version means the resource, but in a search of Provenance; _include brings what is current; the url of a definition may have | and its version after it. " +
		fmt.Sprintf("Dates and quantities take eq, ne, gt, lt, ge, le, sa, eb and ap, which of a date means as much before and after it as it covers, of a number a tenth either way; dates without an offset stand in the zone %s. ", zone) +
		fmt.Sprintf("Results are ordered by _lastUpdated, newest first, unless _sort says otherwise; _count is at most %d. The parameters of a request have at most %d bytes, and its headers %d. ", maxCount, maxParameters, maxHeader) +
		"The total is told where _total asks for it, or where the first page is the whole answer. Links to further pages hold an opaque token and keep " +
		"to the state of the first page; after a restored backup they are 410, and the hub starts over. History lists the newest first; a resource whose sharing " +
		"was declined is there once as DELETE and is 410 to read, in every version."
}

// statement gives the CapabilityStatement of what is offered when it is asked
// for, made anew when that has changed. While something is withheld it has no
// date: it is not the one of this release.
func (h *hub) statement(o Options) func() document {
	var made atomic.Pointer[statement]
	return func() document {
		changes := o.Offer.Changes()
		if s := made.Load(); s != nil && s.changes == changes {
			return s.document
		}
		s := &statement{changes, h.newCapability(o)}
		if o.Offer.Withholds() {
			s.document.lastModified = ""
		}
		made.Store(s)
		return s.document
	}
}

// statement is a CapabilityStatement, with how often the offer had changed.
type statement struct {
	changes  int64
	document document
}

// newCapability makes the CapabilityStatement of this server. It is made from
// the same tables that the search reads, and its version id is a hash of it.
func (h *hub) newCapability(o Options) document {
	zone := time.UTC
	if o.Zone != nil {
		zone = o.Zone
	}
	s := newStatement(h.index, zone.String(), o.Version, o.Released, o.Validator != nil)
	s.URL, s.Kind = h.base+"/metadata", "instance"
	s.Implementation = &implementation{Description: capabilityTitle, URL: h.base}
	body := mustJSON(s)
	sum := sha256.Sum256(body)
	return document{body: body, version: hex.EncodeToString(sum[:])[:hashDigits], lastModified: httpDate(o.Released), public: true}
}

// SoftwareStatement is the CapabilityStatement of the read side as any bridge
// offers it, with all its parameters indexed, under a canonical that ends in id.
// The version is that of the statement, not of the software.
func SoftwareStatement(id, version string, published time.Time) []byte {
	s := newStatement(searchparam.Index{}, "of the bridge's settings", version, published, true)
	s.ID, s.URL, s.Kind = id, terms.CanonicalBase+"/CapabilityStatement/"+id, "capability"
	s.Software = software{Name: s.Software.Name}
	return mustJSON(s)
}

// newStatement is what the statements of all servers have in common.
func newStatement(x searchparam.Index, zone, version string, released time.Time, validates bool) capabilityStatement {
	rules := capabilityRules(zone)
	date := released.UTC().Format(time.RFC3339)
	s := capabilityStatement{
		ResourceType: "CapabilityStatement",
		Text:         paragraphs(capabilityTitle+".", capabilityText, rules),
		Version:      version,
		Name:         "NailbridgeReadSide",
		Title:        capabilityTitle,
		Status:       "active",
		Date:         date,
		Description:  capabilityText,
		Software:     software{Name: "Nailbridge", Version: version, ReleaseDate: date},
		FHIRVersion:  "4.0.1",
		Format:       []string{fhirJSON, "json"},
		Rest: []rest{{
			Mode:          "server",
			Documentation: rules,
			Security:      security{Description: "With keys, each request carries one as a bearer token (RFC 6750); without keys nobody is asked, on loopback alone."},
			Interaction:   []interaction{{Code: "history-system"}},
			Compartment:   []string{"http://hl7.org/fhir/CompartmentDefinition/patient"},
		}},
	}
	for _, typ := range searchparam.Types() {
		r := capabilityOf(x, typ)
		if validates {
			r.Operation = []operation{{"validate", "http://hl7.org/fhir/OperationDefinition/Resource-validate"}}
		}
		s.Rest[0].Resource = append(s.Rest[0].Resource, r)
	}
	return s
}

func capabilityOf(x searchparam.Index, typ string) restResource {
	r := restResource{
		Type:              typ,
		Profile:           "http://hl7.org/fhir/StructureDefinition/" + typ,
		SupportedProfile:  supported(typ),
		Interaction:       []interaction{{Code: "read"}, {Code: "vread"}, {Code: "search-type"}, {Code: "history-instance"}},
		Versioning:        "versioned",
		ReadHistory:       true,
		ConditionalRead:   "not-match", // an artifact's date may stay while it changes
		ConditionalDelete: "not-supported",
	}
	if !isArtifact(typ) {
		r.ConditionalRead = "full-support"
		r.SearchInclude, r.SearchRevInclude = x.Includes(typ), x.RevIncludes(typ)
		r.Interaction = append(r.Interaction, interaction{Code: "history-type"})
	}
	for _, d := range x.Definitions(typ) {
		r.SearchParam = append(r.SearchParam, searchParam{Name: d.Name, Definition: d.URL(), Type: string(d.Kind)})
	}
	return r
}

// supported are the profiles that resources of a type claim (R-CAP-05): our own,
// and R4's of a weight.
func supported(typ string) (out []string) {
	if url := profiles.Of(typ); url != "" {
		out = append(out, url)
	}
	if typ == "Observation" {
		out = append(out, terms.ProfileBodyWeight)
	}
	return out
}
