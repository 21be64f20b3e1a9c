package spec

import (
	"cmp"
	"strconv"
	"strings"
)

// CompareVersions compares versions of a definition number by number, and what is
// no number as text. R4 leaves their order to who publishes them
// (references.html#canonical: without a version the latest is meant).
func CompareVersions(a, b string) int {
	number := func(s string) int { n, _ := strconv.Atoi(s); return n }
	x, y := strings.Split(a, "."), strings.Split(b, ".")
	for i := range min(len(x), len(y)) {
		if c := cmp.Or(number(x[i])-number(y[i]), strings.Compare(x[i], y[i])); c != 0 {
			return c
		}
	}
	return len(x) - len(y)
}
