package terms

import (
	"slices"
	"strings"

	"nailbridge/mapping/record"
)

// Reverse finds the code of a list from which Translate made a concept: by the
// local coding, else by the one listed code that a standard coding stands for,
// else by the one whose meaning is the text. A standard code that several listed
// codes share says nothing by itself, nor does one beside a local coding of
// another list. ok is false where nothing tells. name is as for Translate.
func (t *Terms) Reverse(name string, c Concept) (code record.Code, ok bool) {
	index, u := t.index[name], t.uses[name]
	if index == nil {
		return "", false
	}
	for _, x := range c.Codings {
		if x.System == localSystem+u.Source {
			_, listed := index[x.Code]
			return record.Code(x.Code), listed
		}
	}
	if slices.ContainsFunc(c.Codings, func(x Coding) bool { return strings.HasPrefix(x.System, localSystem) }) {
		return "", false // of another list of ours
	}
	var found []string
	for _, code := range sortedKeys(index) {
		tg := index[code]
		for _, list := range tg.standard {
			if slices.ContainsFunc(list, func(s Coding) bool {
				return slices.ContainsFunc(c.Codings, func(x Coding) bool { return x.System == s.System && x.Code == s.Code })
			}) && !slices.Contains(found, code) {
				found = append(found, code)
			}
		}
	}
	if len(found) == 1 {
		return record.Code(found[0]), true
	}
	for _, code := range sortedKeys(index) {
		if index[code].local.Display == c.Text && c.Text != "" && (found == nil || slices.Contains(found, code)) {
			return record.Code(code), true
		}
	}
	return "", false
}

func sortedKeys(m map[string]target) []string {
	out := make([]string, 0, len(m))
	for k := range m {
		out = append(out, k)
	}
	slices.Sort(out)
	return out
}
