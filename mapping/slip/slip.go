// Package slip knows slips of the pen.
package slip

// One reports whether two different words are one slip apart: a letter too many, too few or
// another, or two beside each other exchanged.
func One(a, b string) bool {
	if len(a) > len(b) {
		a, b = b, a
	}
	i := 0
	for i < len(a) && a[i] == b[i] {
		i++
	}
	switch len(b) - len(a) {
	case 1:
		return a[i:] == b[i+1:]
	case 0:
		exchanged := i+1 < len(a) && a[i] == b[i+1] && a[i+1] == b[i] && a[i+2:] == b[i+2:]
		return i < len(a) && (a[i+1:] == b[i+1:] || exchanged)
	}
	return false
}
