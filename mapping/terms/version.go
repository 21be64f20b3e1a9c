package terms

import (
	"slices"
	"strings"
)

// Version is the version of the code maps, as Provenance names it: that of the
// ConceptMaps, or all of theirs, sorted, while they differ.
func (t *Terms) Version() string {
	var out []string
	for _, m := range t.maps {
		out = append(out, m.Version)
	}
	slices.Sort(out)
	return strings.Join(slices.Compact(out), ", ")
}
