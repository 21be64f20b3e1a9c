package terms

import (
	"slices"
	"strings"
)

// Version is the version of the code maps, as Provenance names it: that of the
// ConceptMaps, or all of theirs, sorted, while they differ. What a deployment confirmed beside
// them is named by its file (Confirmed).
func (t *Terms) Version() string {
	var out []string
	for _, m := range t.maps {
		product, _, _ := strings.Cut(m.Version, "+")
		out = append(out, product)
	}
	slices.Sort(out)
	return strings.Join(slices.Compact(out), ", ")
}
