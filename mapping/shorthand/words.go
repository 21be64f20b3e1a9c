package shorthand

import (
	"cmp"
	_ "embed"
	"fmt"
	"slices"
	"strings"
	"sync"

	"nailbridge/mapping/slip"
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
	side          class = "side"
	bothSides     class = "both-sides"
	digit         class = "digit"   // stands for a toe by itself
	digits        class = "digits"  // more than one foot's
	ordinal       class = "ordinal" // a toe beside a side or the word toe
	sideDigit     class = "side-digit"
	border        class = "border"
	letter        class = "letter-border"
	vagueBorder   class = "vague-border"
	vagueBoth     class = "vague-both"
	toeWord       class = "toe-word"
	footWord      class = "foot"
	borderWord    class = "border-word"
	filler        class = "filler"
	conj          class = "conj"
	vague         class = "vague"
	procedure     class = "procedure"
	chemical      class = "chemical"
	phenolAlc     class = "phenol-alcohol"
	anaesthetic   class = "anaesthetic"
	vaso          class = "vaso"
	tourniquet    class = "tourniquet"
	noTourni      class = "tourniquet-none"
	onWord        class = "on"
	offWord       class = "off"
	unitML        class = "unit-ml"
	unitMG        class = "unit-mg"
	unitSec       class = "unit-sec"
	unitMin       class = "unit-min"
	unitApp       class = "unit-app"
	unitCart      class = "unit-cart"
	timesSign     class = "times-sign"
	percent       class = "percent"
	totalWord     class = "total"
	notWord       class = "not"
	notAfter      class = "not-after" // of what stands before it
	painless      class = "painless"
	unknownWord   class = "unknown"      // not recorded
	fineAfter     class = "fine-after"   // of a border that stands before it, which was left
	pastAfter     class = "past-after"   // what stands before it is over
	numberWord    class = "number-word"  // of a number that is of no toe: stage 2, chair 3
	nthWord       class = "nth"          // of an ordinal that is of no toe: 2nd episode
	noToeWord     class = "no-toe"       // beside a code of no toe: T2 diabetic, L4 disc
	roman         class = "roman"        // a digit in a column of sites
	nearWord      class = "near"         // the border nearest to another toe
	otherBorder   class = "other-border" // the one that another is not
	anyBorder     class = "any-border"   // in a column of borders, one that it does not say
	vagueSite     class = "vague-site"   // in a column of sites, a toe that it does not say
	columnVague   class = "column-vague" // as vague, in a column of the kind
	columnWord    class = "column-word"  // "kind code", in a column of the kind alone
	pastWord      class = "past"
	planWord      class = "plan"
	doubtWord     class = "doubt"
	breakWord     class = "break"
	injectWord    class = "inject"
	naWord        class = "n/a"
	dressingWord  class = "dressing-word" // the noun of a dressing
	lessWord      class = "less"          // of a number: under, over
	flushWord     class = "flush-word"
	usedWord      class = "used"      // of a volume: given
	drawnWord     class = "drawn"     // of a volume: drawn up
	containerWord class = "container" // of a volume: what it was in
	mostWord      class = "most"      // of a volume: what may be given
	moreWord      class = "more"      // of a volume: on top of another
	placeWord     class = "place"     // where a volume went
	convertWord   class = "convert"   // what stands before it became what stands after it
	equalWord     class = "equal-parts"
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

// lexicon is a vocabulary: its phrases by their first token, the longest first; the words
// that are read with a slip; and those that say nothing beside a toe.
type lexicon struct {
	phrases  map[string][]phrase
	slips    slipIndex
	harmless map[string]bool   // beside a toe
	idle     map[string]bool   // beside all else
	remarks  map[string]string // in a remark on a toe, by their themes
}

// vocabulary is what words.tsv holds.
var vocabulary = sync.OnceValue(func() *lexicon {
	l := &lexicon{phrases: phrasesOf(strings.Split(strings.TrimSuffix(wordsTSV, "\n"), "\n")[1:]), harmless: setOf(harmless), idle: setOf(idle), remarks: themesOf(remarksTSV)}
	l.slips = slipsOf(l.phrases)
	return l
})

func setOf(words []string) map[string]bool {
	out := map[string]bool{}
	for _, w := range words {
		out[w] = true
	}
	return out
}

// phrasesOf are the phrases of some rows of a vocabulary.
func phrasesOf(rows []string) map[string][]phrase {
	by := map[string]*phrase{}
	for n, line := range rows {
		f := strings.Split(line, "\t")
		if len(f) != 4 {
			panic(fmt.Sprintf("words.tsv, row %d: %d columns", n+2, len(f)))
		}
		ts := phraseTokens(f[0])
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
}

// phraseTokens are the tokens of a phrase of the vocabulary, without its hyphens.
func phraseTokens(text string) []string {
	var ts []string
	for _, t := range lex(text) {
		if t.text != "-" || len(text) == 1 {
			ts = append(ts, t.text)
		}
	}
	return ts
}

// slips are the classes of long words that are read with one slip of the pen: a
// letter too many, too few, another, or two exchanged. Sides are none of them:
// tight is no right.
var slips = []class{digit, border, chemical, anaesthetic, flushWord, class(Flush), tourniquet, class(Dressing), procedure, class(Diagnosis), class(Method), unitMin, unitApp, vaso}

// slipsAlone are the classes of words that are read with one slip where they stand for
// something by themselves.
var slipsAlone = []class{class(Wound), class(Exudate), class(Finding), class(Attendance), class(Regrowth), class(Outcome), class(Discharge), vague, columnWord}

// noSlips are words of their own that are a slip away from one of the vocabulary.
var noSlips = strings.Fields(`
accesses acting address addressed afebrile angle arrives attends attic backed baseline beating beeping beeps bender blake blame
blaster bleating bloods blush borders bound brush burst caching callus canal cares ceased cerous changes cleaner
clone cloned closes closet cloud clover coder completes compresses contract cracking create created crossing cruft crush crying
curated cured dashed dealing decreased dedicated deduction deferral depth dessert diseased dozing dresser dresses dropped dying
eight emitted expires exposes farmer farther feeler fever fewer fibula finishes flash flashes flesh flight flushes folks formal
found freshen fresher fried gender glass globe grabs grace grade grained granular grasp grave gross hacked halved headed heading
healer heard hearing heated heeled hides hoist holds hover issue jolly keeping kneeling lacked laser later laterals latter lawyer
leading leaks lease leave leaving ledge lender linger literal literally logger longer media median medical metal middle midlde
modified modifies money mound movie order orders otter outer packed pedal peeled peeling peeping phenyl picky plane plastic plate
plush porous posted poster posters postpones pound power preserves press pressed presses pressing prevent prevented raised reached
reclined recurse redress reeling reels refer regal regress regressed rejected rejection relay relayed relocates removes render
replaces replayed requires reserved resolves respected reused rising router sample scaled scans sealed secure seeded seeking
seeping sender serial serious sheen sheep sided simple simpler simplex simply sizes slash slate sledge sleeping slider slides
sliver smells sound spaced spine spite spoke spool stabbed stack stall staple stapled stash steal stealing steed steeling stepped
sterile steroid stock stolen stomped storm stray streaming streams stressing stuck swaps swearing sweating sweeping sweeps sweet
takes tends terminates throw throwing throws tibia token tonal touches tracing trade training treat treats tried trips trust
trusted trusty trying tuning turns tutor vocal wailing waiting warms wasted water watery wearing wedges weeks wetter whale
wheeling wheels whose wipes wired worms write
`)

// slipIndex holds the long words of the phrases of those classes by their first and
// last letters, one of which a slip leaves as they are; and all words of the vocabulary,
// which are no slips.
type slipIndex struct {
	first, last map[string][]string
	known       map[string]bool
}

// slipsOf is the index of some phrases.
func slipsOf(phrases map[string][]phrase) slipIndex {
	ix := slipIndex{map[string][]string{}, map[string][]string{}, map[string]bool{}}
	for _, w := range noSlips {
		ix.known[w] = true
	}
	seen := map[string]bool{}
	for _, ps := range phrases {
		for _, p := range ps {
			for _, t := range p.tokens {
				ix.known[t] = true
				if !seen[t] && p.maySlip(t) && !ofSides(phrases[t]) {
					seen[t] = true
					ix.first[t[:2]] = append(ix.first[t[:2]], t)
					ix.last[t[len(t)-2:]] = append(ix.last[t[len(t)-2:]], t)
				}
			}
		}
	}
	return ix
}

// ofSides reports whether one of some phrases is a side in one word, which is read with no slip: bright is no
// right.
func ofSides(ps []phrase) bool {
	return slices.ContainsFunc(ps, func(p phrase) bool {
		return len(p.tokens) == 1 && slices.ContainsFunc(p.entries, func(e entry) bool { return e.class == side })
	})
}

// maySlip reports whether a word of a phrase is read with a slip.
func (p phrase) maySlip(word string) bool {
	return len(word) >= 5 && isLetter(word) && slices.ContainsFunc(p.entries, func(e entry) bool {
		switch e.class {
		case digit, digits: // "treat" is no great toe
			return strings.HasPrefix(word, "hal")
		}
		return slices.Contains(slips, e.class) || len(p.tokens) == 1 && len(word) >= 6 && slices.Contains(slipsAlone, e.class)
	})
}

// unslipped gives the one word of the vocabulary that a word is one slip away from;
// the word itself where there is none, or several.
func (l *lexicon) unslipped(word string) string {
	ws := l.slips
	if len(word) < 5 || ws.known[word] {
		return word
	}
	found := ""
	for _, w := range slices.Concat(ws.first[word[:2]], ws.last[word[len(word)-2:]]) {
		if w == found || !slip.One(word, w) || losesSide(word, w) || inflected(word, w) || inflected(w, word) {
			continue
		}
		switch {
		case found == "":
			found = w
		case !slices.Equal(l.alone(found), l.alone(w)):
			return word
		default: // two spellings of one thing
			found = min(found, w)
		}
	}
	return cmp.Or(found, word)
}

// alone is what a word stands for by itself; nil where it is only part of phrases.
func (l *lexicon) alone(word string) []entry {
	for _, p := range l.phrases[word] {
		if len(p.tokens) == 1 {
			return p.entries
		}
	}
	return nil
}

// inflected reports whether a word is another with an ending: remove and removed are
// no slips of each other.
func inflected(word, of string) bool {
	rest, ok := strings.CutPrefix(word, of)
	return ok && (rest == "s" || rest == "d")
}

// losesSide reports whether a slip would drop, or change, an L or an R at an end of a word, which may be
// a side: Lhalux is no hallux.
func losesSide(word, of string) bool {
	end := len(word) - 1
	first := (word[0] == 'l' || word[0] == 'r') && word[0] != of[0] && word[:1] != of[1:2]
	last := (word[end] == 'l' || word[end] == 'r') && word[end] != of[len(of)-1] && word[end] != word[end-1]
	return first || last
}

// match is the longest phrase that begins at ts[i], and how many tokens it takes; a
// hyphen in the text between two words of a phrase does not part them.
func (l *lexicon) match(ts []token, i int) ([]entry, int) {
	for _, p := range l.phrases[ts[i].text] {
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
