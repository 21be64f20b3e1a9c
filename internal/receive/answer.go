package receive

import (
	"encoding/json"
	"errors"

	"nailbridge/internal/store"
	"nailbridge/mapping"
	"nailbridge/mapping/record"
	"nailbridge/mapping/resource"
)

// Kind is one of the closed list of answers (D2).
type Kind string

// The answers. Unavailable is no answer: it is store.ErrUnavailable.
const (
	Stored     Kind = "stored"
	Unchanged  Kind = "unchanged"
	Superseded Kind = "superseded"
	Waiting    Kind = "waiting"
	Conflict   Kind = "conflict"
	Held       Kind = "held"
	Refused    Kind = "refused"
)

// Answer is what a practice system is told about one delivery: what became of
// it, everything made of it and everything a clinician should see.
type Answer struct {
	Answer   Kind   `json:"answer"`
	Clinic   string `json:"clinic,omitempty"`
	Record   string `json:"record,omitempty"`
	Revision *int64 `json:"revision,omitempty"`
	DryRun   bool   `json:"dryRun,omitempty"`
	// Urgent marks a superseded content that was never received before and
	// ranks lower by saved-at alone: a slow clock may hide a correction (D1.1).
	Urgent bool `json:"urgent,omitempty"`
	// Counts says, in a conflict, whether the content sent is the one that
	// counts.
	Counts     *bool             `json:"counts,omitempty"`
	Shared     bool              `json:"shared"`
	Sharing    string            `json:"sharing,omitempty"`
	Reasons    []record.Finding  `json:"reasons,omitempty"`
	Flags      []mapping.Flag    `json:"flags,omitempty"`
	Figures    []mapping.Figure  `json:"figures,omitempty"`
	Activities []Activity        `json:"activities,omitempty"`
	Resources  []ResourceVersion `json:"resources,omitempty"`
	Caution    string            `json:"caution,omitempty"`

	First   bool `json:"-"` // the first delivery of its record id
	NotJSON bool `json:"-"` // refused because the bytes are no JSON value
}

// ResourceVersion names one resource made of the record's case.
type ResourceVersion struct {
	Reference string `json:"reference"`
	VersionID string `json:"versionId"`
	Change    Change `json:"change"`
	// Resource is, in a dry run alone, the resource as /fhir would serve it
	// after this delivery; absent where that would be 410. Its meta, and what a
	// Provenance repeats of it, are those of a commit at this instant and after
	// the last one: when the record is sent for good, lastUpdated is later, and
	// versionId is higher if the resource has changed in between.
	Resource json.RawMessage `json:"resource,omitempty"`
}

// show fills in the resources as the open transaction would have them served.
func (a *Answer) show(r store.Reader) error {
	for i := range a.Resources {
		x := &a.Resources[i]
		ref, _ := resource.ParseRef(x.Reference) // written from a Ref
		v, err := r.Read(ref)
		if err != nil && !errors.Is(err, store.ErrGone) {
			return err
		}
		x.Resource = v.Body
	}
	return nil
}

// Change is what a commit did to a resource.
type Change string

// The changes.
const (
	Created        Change = "created"
	Updated        Change = "updated"
	Same           Change = "unchanged"
	EnteredInError Change = "entered-in-error"
	Removed        Change = "removed" // sharing declined
)

// Activity is one review activity of the case with the key that a review
// names to answer it (D4.1).
type Activity struct {
	Activity string `json:"activity"`
	Status   string `json:"status"`
	Title    string `json:"title,omitempty"`
	Start    string `json:"start,omitempty"` // first day of the window, clinic's zone
	End      string `json:"end,omitempty"`   // last day of the window, clinic's zone
	Proposed bool   `json:"proposed,omitempty"`
}
