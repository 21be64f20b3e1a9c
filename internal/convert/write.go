package convert

import (
	"bufio"
	"encoding/json"
	"io"

	"nailbridge/mapping/resource"
)

// WriteNDJSON writes one resource a line.
func WriteNDJSON(w io.Writer, rs []resource.Resource) error {
	b := bufio.NewWriter(w)
	for _, r := range rs {
		b.Write(r.JSON())
		b.WriteByte('\n')
	}
	return b.Flush()
}

// bundle is a collection Bundle (https://hl7.org/fhir/R4/bundle.html).
type bundle struct {
	ResourceType string  `json:"resourceType"`
	Type         string  `json:"type"`
	Timestamp    string  `json:"timestamp"`
	Entry        []entry `json:"entry,omitempty"`
}

type entry struct {
	FullURL  string          `json:"fullUrl"`
	Resource json.RawMessage `json:"resource"`
}

// WriteBundle writes one collection Bundle with fullUrls under base, in which
// every relative reference resolves.
func WriteBundle(w io.Writer, rs []resource.Resource, base, timestamp string) error {
	b := bundle{ResourceType: "Bundle", Type: "collection", Timestamp: timestamp}
	for _, r := range rs {
		b.Entry = append(b.Entry, entry{FullURL: base + "/" + r.Ref().String(), Resource: r.JSON()})
	}
	enc := json.NewEncoder(w)
	enc.SetEscapeHTML(false)
	enc.SetIndent("", "  ")
	return enc.Encode(b)
}
