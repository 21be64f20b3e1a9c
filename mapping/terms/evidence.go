package terms

// Evidence is why a code of another system may leave: how well it was checked,
// where, and under which licence (D7.1).
type Evidence struct {
	Confidence string // such as "verified-2+"; "" for a code that R4 itself defines
	Licence    string // of SNOMED CT "free", or "affiliate" for what needs a licence
	Sources    string // in words
}

// Evidence is that of a code of another system; ok is false where there is none,
// as of our own.
func (t *Terms) Evidence(system, code string) (e Evidence, ok bool) {
	found, ok := t.evidence[system][code]
	return Evidence{found.Confidence, found.Licence, found.Evidence}, ok
}
