package shorthand

import (
	"cmp"
	"fmt"
	"maps"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
)

// corpora are the files of the corpora.
var corpora = func() (out []string) {
	for n := 1; n <= 43; n++ {
		out = append(out, fmt.Sprintf("corpus-%d.tsv", n))
	}
	return out
}()

// occurring are the phrases of the vocabulary that occur in a text and have a letter: the
// signs of writing are a closed list.
func (l *lexicon) occurring(text string) (out []phrase) {
	ts := lex(text)
	for i := range ts {
		if isLetter(ts[i].text) {
			ts[i].text = l.unslipped(ts[i].text)
		}
	}
	for i := range ts {
		for _, p := range l.phrases[ts[i].text] {
			if p.at(ts, i) > 0 && slices.ContainsFunc(p.tokens, isLetter) && !slices.ContainsFunc(out, p.same) {
				out = append(out, p)
			}
		}
	}
	return out
}

func (p phrase) same(o phrase) bool { return slices.Equal(o.tokens, p.tokens) }

// without is the lexicon that lacks some phrases and some words that say nothing.
func (l *lexicon) without(gone []phrase, silent []string) *lexicon {
	out := &lexicon{phrases: maps.Clone(l.phrases), harmless: maps.Clone(l.harmless), idle: maps.Clone(l.idle), remarks: maps.Clone(l.remarks)}
	for _, p := range gone {
		out.phrases[p.tokens[0]] = slices.DeleteFunc(slices.Clone(out.phrases[p.tokens[0]]), p.same)
	}
	for _, w := range silent {
		delete(out.harmless, w)
		delete(out.idle, w)
		delete(out.remarks, w)
	}
	out.slips = slipsOf(out.phrases)
	return out
}

// ablated calls f while the lexicon lacks a phrase. A word that is no phrase any more may
// be read as a slip of another, as one that was never known would be; a side may not.
func (l *lexicon) ablated(p phrase, f func()) {
	first := p.tokens[0]
	ps := l.phrases[first]
	defer func() { l.phrases[first] = ps }()
	l.phrases[first] = slices.DeleteFunc(slices.Clone(ps), p.same)
	if len(p.tokens) == 1 && l.alone(first) == nil && !slices.ContainsFunc(p.entries, func(e entry) bool { return e.class == side }) {
		delete(l.slips.known, first)
		defer func() { l.slips.known[first] = true }()
	}
	f()
}

// wrongs are the readings of a text that are certain and neither labelled nor read as it
// was before: of toes that no label names, of borders that are not those of the toe, of a
// toe whose border is lost, and of other kinds.
type wrongs struct{ toes, borders, lost, rest []string }

func wrongOf(want, before, got []string) (w wrongs) {
	toes := map[string]bool{}
	for _, f := range slices.Concat(want, before) {
		toes[toe(f)] = true
	}
	for _, f := range got {
		switch {
		case isDoubt(f) || slices.Contains(want, f) || slices.Contains(before, f):
		case toe(f) != "" && !toes[toe(f)]:
			w.toes = append(w.toes, f)
		case toe(f) != "" && strings.HasSuffix(f, " -"):
			w.lost = append(w.lost, f)
		case toe(f) != "" || strings.HasPrefix(f, "border "):
			w.borders = append(w.borders, f)
		default:
			w.rest = append(w.rest, f)
		}
	}
	return w
}

// A word that the grammar does not know makes a question of what it stands beside, or
// nothing, and no other toe, side or border. Each phrase of the corpora is read without
// each of the rows of the vocabulary that occur in it.
func TestAWordUnknown(t *testing.T) {
	l := vocabulary().without(nil, nil) // other tests read by the one there is
	n, lost, rest := 0, 0, 0
	for _, file := range corpora {
		for _, row := range rows(t, file, 3) {
			kinds := contexts[row[0]]
			want, before := labels(row[2]), facts(l.read(row[1], kinds...))
			for _, p := range l.occurring(row[1]) {
				l.ablated(p, func() {
					w := wrongOf(want, before, facts(l.read(row[1], kinds...)))
					assert.Empty(t, w.toes, "%s without %v", row[1], p.tokens)
					assert.Empty(t, w.borders, "%s without %v", row[1], p.tokens)
					n, lost, rest = n+1, lost+min(1, len(w.lost)), rest+min(1, len(w.rest))
				})
			}
		}
	}
	t.Logf("%d times a row of the vocabulary away: no other toe, side or border; %d times a toe without its border; %d times another kind wrong (%.2f %%)",
		n, lost, rest, 100*float64(rest)/float64(n))
	assert.Less(t, float64(rest), 0.01*float64(n))
	assert.Less(t, float64(lost), 0.005*float64(n))
}

// slipsOfPen are a word with a letter dropped, doubled and exchanged for the next.
func slipsOfPen(word string, rng *rand.Rand) []string {
	r := []rune(word)
	i, k := rng.IntN(len(r)), rng.IntN(len(r)-1)
	exchanged := slices.Clone(r)
	exchanged[k], exchanged[k+1] = exchanged[k+1], exchanged[k]
	return []string{string(slices.Delete(slices.Clone(r), i, i+1)), string(slices.Insert(slices.Clone(r), i, r[i])), string(exchanged)}
}

// A slip of the pen in a word of a column of sites is read as the word, or makes a question,
// and is no other toe. What becomes another word of the vocabulary is no slip.
func TestASlipOfThePen(t *testing.T) {
	l := vocabulary()
	rng := rand.New(rand.NewPCG(3, 4))
	n, same := 0, 0
	for _, file := range corpora {
		for _, row := range rows(t, file, 3) {
			if row[0] != "site" {
				continue
			}
			want, before := labels(row[2]), facts(Read(row[1], contexts["site"]...))
			for from := 0; from < len(row[1]); {
				to := wordEnd(row[1], from)
				if len([]rune(row[1][from:max(to, from)])) < 2 {
					from = max(to, from+1)
					continue
				}
				for _, word := range slipsOfPen(row[1][from:to], rng) {
					if len(l.phrases[lower(word)]) > 0 {
						continue
					}
					text := row[1][:from] + word + row[1][to:]
					got := facts(Read(text, contexts["site"]...))
					w := wrongOf(want, before, got)
					assert.Empty(t, w.toes, text)
					assert.Empty(t, w.borders, text)
					if n++; slices.Equal(got, before) {
						same++
					}
				}
				from = to
			}
		}
	}
	t.Logf("%d slips: %d read as without them, the others asked or not read", n, same)
}

// Each corpus is read without the words that it alone taught, those that occur in no other
// corpus: by what is left, the words of a corpus that nobody has seen. What its author
// took from no corpus is lost with them, so that recall and worksheet look worse than
// they are for a new one; precision is what this foretells.
func TestForecast(t *testing.T) {
	l := vocabulary()
	in := map[string]map[string]bool{} // the words of each corpus
	for _, file := range corpora {
		in[file] = map[string]bool{}
		for _, row := range rows(t, file, 3) {
			for _, word := range phraseTokens(row[1]) {
				in[file][word] = true
			}
		}
	}
	floors := map[string]float64{"corpus-2.tsv": 0.95, "corpus-16.tsv": 0.98, "corpus-19.tsv": 0.98, "corpus-27.tsv": 0.98, "corpus-42.tsv": 0.98}
	for _, name := range corpora {
		alone := func(word string) bool {
			return in[name][word] && !slices.ContainsFunc(corpora, func(o string) bool { return o != name && in[o][word] })
		}
		var gone []phrase
		for _, ps := range l.phrases {
			gone = append(gone, slices.DeleteFunc(slices.Clone(ps), func(p phrase) bool { return !slices.ContainsFunc(p.tokens, alone) })...)
		}
		less := l.without(gone, slices.DeleteFunc(slices.Concat(harmless, idle, slices.Collect(maps.Keys(l.remarks))), func(w string) bool { return !alone(w) }))
		var m measured
		for _, row := range rows(t, name, 3) {
			m.add(row[1], labels(row[2]), facts(less.read(row[1], contexts[row[0]]...)))
		}
		m.log(t, name)
		assert.Empty(t, m.wrongToes, name)
		assert.GreaterOrEqual(t, m.sites.precision(), 0.99, name)
		assert.GreaterOrEqual(t, m.rest.precision(), cmp.Or(floors[name], 0.99), name)
	}
}
