package record

import "nailbridge/mapping/internal/rawjson"

// Limits of a record as sent. A record of two toes with every field takes a
// few kilobytes and nests ten deep.
const (
	// MaxBytes is the greatest length of one record, in bytes.
	MaxBytes = rawjson.MaxBytes
	// MaxDepth is the greatest depth of nested objects and lists.
	MaxDepth = rawjson.MaxDepth
)

// Severity orders findings.
type Severity string

// The severities of a finding of decoding and checking.
const (
	Refusal Severity = "refusal" // the record cannot be used (D2.1)
	Warning Severity = "warning" // kept as sent, flagged, the rest used
	Info    Severity = "info"
)

// Finding is one thing noticed in a record, with its place.
type Finding struct {
	Severity Severity `json:"severity"`
	Code     string   `json:"code"`    // stable, kebab-case
	Pointer  string   `json:"pointer"` // RFC 6901, into the record as sent
	Text     string   `json:"text"`    // safe for logs: no value from the record
	Rule     string   `json:"rule"`    // the decision point, such as "D2.1"
	// Sent is the SHA-256, in lower-case hex, of what was sent that the finding
	// rests on; "" where that is not there, and of a member that the format does
	// not know, of which nothing goes anywhere (D3.2).
	Sent string `json:"-"`
}

// Decoded is the outcome of Decode: the record as far as it could be read and
// every finding. Record is never nil; Refused says that it must not be used
// beyond its readable red flags.
type Decoded struct {
	Record   *Record
	Findings []Finding
	// NotJSON says that the bytes were not one JSON value (HTTP 400).
	NotJSON bool
	// Unreadable lists the pointers of members kept as sent and not used.
	Unreadable []string
	// Hash is ContentHash; of bytes that have none, being refused, it is the
	// SHA-256 of the bytes as sent.
	Hash string

	tree *rawjson.Node // as sent; nil of bytes that are not JSON

	// otherReading reads the first of each pair of duplicate members, where
	// Record has the last; nil without duplicates.
	otherReading *Record
}

// Refused reports whether a finding refuses the record.
func (d Decoded) Refused() bool {
	for _, f := range d.Findings {
		if f.Severity == Refusal {
			return true
		}
	}
	return false
}
