package validate

import (
	"nailbridge/internal/validate/engine"
	"nailbridge/mapping/resource"
)

// Checked is a resource that Check passed. Nothing else can make one, and the
// store takes nothing else, so that no unchecked byte is ever committed.
type Checked struct{ r resource.Resource }

// Resource is the resource that was checked.
func (c Checked) Resource() resource.Resource { return c.r }

// Issue is one reason why a resource did not pass: an R4 invariant key or a
// rule of ours, the place in the resource and a text without patient data.
type Issue struct {
	Ref  resource.Ref `json:"-"`
	Key  string       `json:"key"`  // "con-3", "ref", "D7.4", "cardinality-min"
	Path string       `json:"path"` // FHIRPath: Procedure.code.coding[0]
	Text string       `json:"text"`
}

// of is an issue of the engine about a resource. Its detail, which holds data, is
// left behind.
func of(ref resource.Ref, i engine.Issue) Issue {
	return Issue{Ref: ref, Key: i.Key, Path: i.Location, Text: i.Text}
}
