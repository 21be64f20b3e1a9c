package mapping

import (
	"nailbridge/mapping/internal/r4"
	"nailbridge/mapping/resource"
)

// ProtoIssue is one reason why a resource is not R4 to google/fhir: its place
// and a text without patient data.
type ProtoIssue struct{ Path, Text string }

// CheckProto reads a resource as google/fhir does, which checks structure,
// primitives, required elements, required codes and reference targets, and no
// invariants (D5.10).
func CheckProto(r resource.Resource) []ProtoIssue {
	var out []ProtoIssue
	for _, i := range r4.Check(r.JSON()) {
		out = append(out, ProtoIssue(i))
	}
	return out
}
