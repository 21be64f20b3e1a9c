package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
)

// document is one JSON document with a name.
type document struct {
	name string
	text []byte
}

// mutant is a document changed in one place.
type mutant struct {
	kind  string
	legal bool
	typ   string // of the resource
	base  string
	place string
	text  []byte
}

const (
	perKind   = 36 // mutants of a kind
	leastKind = 30
)

// mutants makes mutants of every kind, the same for the same bases and seed.
func mutants(bases []document, seed uint64) ([]mutant, error) {
	var out []mutant
	var few []string
	for i, k := range kinds() {
		rng := rand.New(rand.NewPCG(seed, uint64(i)))
		made, err := k.of(bases, rng)
		if err != nil {
			return nil, err
		}
		if len(made) < leastKind {
			few = append(few, fmt.Sprintf("kind %s: %d mutants, at least %d are wanted", k.name, len(made), leastKind))
		}
		out = append(out, made...)
	}
	if len(few) > 0 {
		return nil, errors.New(strings.Join(few, "\n"))
	}
	return out, nil
}

// of makes mutants of one kind: one of each base in turn, of types in turn, and
// further ones of the same bases at other places where that is not enough.
func (k kind) of(bases []document, rng *rand.Rand) ([]mutant, error) {
	var out []mutant
	seen := map[string]bool{}
	for round := 0; round < 8 && len(out) < perKind; round++ {
		for _, at := range inTurn(bases, rng) {
			if len(out) == perKind {
				break
			}
			m, ok, err := k.one(bases[at], rng)
			if err != nil {
				return nil, err
			}
			if ok && !seen[string(m.text)] && !bytes.Equal(m.text, bases[at].text) {
				seen[string(m.text)] = true
				out = append(out, m)
			}
		}
	}
	return out, nil
}

// inTurn orders bases by chance, one of each type before a second of any.
func inTurn(bases []document, rng *rand.Rand) []int {
	order := rng.Perm(len(bases))
	nth := map[string]int{}
	rank := make([]int, len(bases))
	for _, at := range order {
		typ := typeOf(bases[at].text)
		rank[at] = nth[typ]
		nth[typ]++
	}
	slices.SortStableFunc(order, func(a, b int) int { return rank[a] - rank[b] })
	return order
}

func typeOf(text []byte) string {
	var head struct{ ResourceType string }
	_ = json.Unmarshal(text, &head)
	return head.ResourceType
}

// one changes a base at a place by chance; false says that it has none.
func (k kind) one(base document, rng *rand.Rand) (mutant, bool, error) {
	root, err := parse(base.text)
	if err != nil {
		return mutant{}, false, err
	}
	fitting := slices.DeleteFunc(append([]site{{root: root, object: root}}, sites(root)...), func(s site) bool { return !k.fits(s) })
	if len(fitting) == 0 {
		return mutant{}, false, nil
	}
	s := fitting[rng.IntN(len(fitting))]
	m := mutant{kind: k.name, legal: k.legal, typ: name(root), base: base.name, place: s.place()}
	k.apply(rng, s)
	text, err := json.Marshal(root)
	if err != nil {
		return mutant{}, false, err
	}
	if m.text = text; k.text != nil {
		m.text = []byte(k.text(string(text)))
	}
	return m, true, nil
}

func (s site) place() string {
	if s.key == "" {
		return name(s.root)
	}
	return s.element.Path + " (" + s.key + ")"
}

func parse(text []byte) (map[string]any, error) {
	var m map[string]any
	d := json.NewDecoder(bytes.NewReader(text))
	d.UseNumber()
	err := d.Decode(&m)
	return m, err
}

func clone(m map[string]any) map[string]any {
	text, _ := json.Marshal(m) // made by the kinds, so it marshals
	out, _ := parse(text)
	return out
}
