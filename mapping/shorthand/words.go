package shorthand

import (
	_ "embed"
	"fmt"
	"slices"
	"strings"
	"sync"
)

// words.tsv is the vocabulary: phrase, class, value, rule. A phrase may have
// several classes ("m" is medial and a unit of time); the text decides.
//
//go:embed words.tsv
var wordsTSV string

// class is what a phrase is to the grammar.
type class string

// The classes that the grammar names. Those of kinds bear the kind's name.
const (
	side        class = "side"
	bothSides   class = "both-sides"
	digit       class = "digit"   // stands for a toe by itself
	digits      class = "digits"  // more than one foot's
	ordinal     class = "ordinal" // a toe beside a side or the word toe
	sideDigit   class = "side-digit"
	border      class = "border"
	letter      class = "letter-border"
	vagueBorder class = "vague-border"
	vagueBoth   class = "vague-both"
	toeWord     class = "toe-word"
	footWord    class = "foot"
	borderWord  class = "border-word"
	filler      class = "filler"
	conj        class = "conj"
	vague       class = "vague"
	procedure   class = "procedure"
	chemical    class = "chemical"
	phenolAlc   class = "phenol-alcohol"
	anaesthetic class = "anaesthetic"
	vaso        class = "vaso"
	tourniquet  class = "tourniquet"
	noTourni    class = "tourniquet-none"
	onWord      class = "on"
	offWord     class = "off"
	unitML      class = "unit-ml"
	unitMG      class = "unit-mg"
	unitSec     class = "unit-sec"
	unitMin     class = "unit-min"
	unitApp     class = "unit-app"
	unitCart    class = "unit-cart"
	timesSign   class = "times-sign"
	percent     class = "percent"
	totalWord   class = "total"
	notWord     class = "not"
	pastWord    class = "past"
	planWord    class = "plan"
	doubtWord   class = "doubt"
	breakWord   class = "break"
	injectWord  class = "inject"
)

// entry is one row of the vocabulary.
type entry struct {
	class class
	value string
	rule  string
}

// phrase is a phrase as tokens, with all that it may be.
type phrase struct {
	tokens  []string
	entries []entry
}

// vocabulary finds phrases by their first token, the longest first.
var vocabulary = sync.OnceValue(func() map[string][]phrase {
	by := map[string]*phrase{}
	for n, line := range strings.Split(strings.TrimSuffix(wordsTSV, "\n"), "\n")[1:] {
		f := strings.Split(line, "\t")
		if len(f) != 4 {
			panic(fmt.Sprintf("words.tsv, row %d: %d columns", n+2, len(f)))
		}
		var ts []string
		for _, t := range lex(f[0]) {
			if t.text != "-" || len(f[0]) == 1 {
				ts = append(ts, t.text)
			}
		}
		key := strings.Join(ts, " ")
		if by[key] == nil {
			by[key] = &phrase{tokens: ts}
		}
		e := entry{class(f[1]), f[2], f[3]}
		if !slices.Contains(by[key].entries, e) {
			by[key].entries = append(by[key].entries, e)
		}
	}
	out := map[string][]phrase{}
	for _, p := range by {
		out[p.tokens[0]] = append(out[p.tokens[0]], *p)
	}
	for _, ps := range out {
		slices.SortFunc(ps, func(a, b phrase) int { return len(b.tokens) - len(a.tokens) })
	}
	return out
})

// match is the longest phrase that begins at ts[i], and how many tokens it takes; a
// hyphen in the text between two words of a phrase does not part them.
func match(ts []token, i int) ([]entry, int) {
	for _, p := range vocabulary()[ts[i].text] {
		if n := p.at(ts, i); n > 0 {
			return p.entries, n
		}
	}
	return nil, 1
}

func (p phrase) at(ts []token, i int) int {
	start := i
	for k, want := range p.tokens {
		if k > 0 && i < len(ts) && ts[i].text == "-" && want != "-" {
			i++
		}
		if i >= len(ts) || ts[i].text != want {
			return 0
		}
		i++
	}
	return i - start
}
