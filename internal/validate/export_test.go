package validate

// Invariants gives key and path of every invariant of the two tables.
func Invariants() [][2]string {
	var out [][2]string
	for _, i := range invariants {
		out = append(out, [2]string{i.key, i.path})
	}
	for _, e := range elements {
		out = append(out, [2]string{e.key, e.of})
	}
	return out
}
