package validate

import "crypto/sha256"

// Remember remembers the digest of a text.
func (c *Checker) Remember(text string) { c.passed(sha256.Sum256([]byte(text))) }

// Remembers reports whether the digest of a text is remembered.
func (c *Checker) Remembers(text string) bool { return c.knows(sha256.Sum256([]byte(text))) }

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
