package old

import (
	"strings"
	"unicode"

	"nailbridge/internal/old/table"
)

// Words are the words of a text in small letters.
func Words(text string) map[string]bool {
	out := map[string]bool{}
	for _, w := range wordsOf(text) {
		out[w] = true
	}
	return out
}

func wordsOf(text string) []string {
	return strings.FieldsFunc(strings.ToLower(text), func(r rune) bool { return !unicode.IsLetter(r) && !unicode.IsDigit(r) })
}

// The shortest words that tell of a patient: a shorter name, or number, is in the name of
// many a file by chance.
const (
	shortestName   = 3
	shortestNumber = 5
)

// Names reports whether words, those of a file's name, hold the family name or the number
// of the patient of a row.
func (c *Converter) Names(r table.Row, words map[string]bool) bool {
	cells, _ := c.cells(r)
	for i, cell := range cells {
		if i >= len(c.columns) || c.columns[i] == nil {
			continue
		}
		switch c.columns[i].Note.Path {
		case "/patient/name/family":
			for _, w := range wordsOf(cell) {
				if len(w) >= shortestName && words[w] {
					return true
				}
			}
		case "/patient/identifier/value":
			if w := strings.ToLower(strings.TrimSpace(cell)); len(w) >= shortestNumber && words[w] {
				return true
			}
		}
	}
	return false
}
