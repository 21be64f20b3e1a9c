package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"

	"nailbridge/internal/official"
)

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
	mostKind  = 150
)

// base is a document with its sites, worked out once.
type base struct {
	official.Document
	typ   string
	sites []site
}

func prepare(documents []official.Document) ([]base, error) {
	out := make([]base, len(documents))
	for i, d := range documents {
		root, err := parse(d.Text)
		if err != nil {
			return nil, err
		}
		out[i] = base{d, name(root), everywhere(root)}
	}
	return out, nil
}

// everywhere lists the root, under an empty key, and all sites.
func everywhere(root map[string]any) []site {
	return append([]site{{root: root, object: root}}, sites(root)...)
}

// mutants makes mutants of every kind, the same for the same bases and seed.
func mutants(documents []official.Document, seed uint64) ([]mutant, error) {
	bases, err := prepare(documents)
	if err != nil {
		return nil, err
	}
	var out []mutant
	var few []string
	for i, k := range kinds() {
		made, err := k.of(bases, rand.New(rand.NewPCG(seed, uint64(i))))
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

// rounds is how often a base is tried for one kind, each time at another place.
const rounds = 16

// of makes mutants of one kind: one of each base in turn, of types in turn, and
// further ones of the same bases at other places where that is not enough.
func (k kind) of(bases []base, rng *rand.Rand) ([]mutant, error) {
	var out []mutant
	seen := map[string]bool{}
	for round := 0; round < rounds && len(out) < perKind; round++ {
		for _, at := range inTurn(bases, rng) {
			if len(out) == perKind {
				break
			}
			m, ok, err := k.one(bases[at], rng)
			if err != nil {
				return nil, err
			}
			if ok && !seen[string(m.text)] && !bytes.Equal(m.text, bases[at].Text) {
				seen[string(m.text)] = true
				out = append(out, m)
			}
		}
	}
	return out, nil
}

// inTurn orders bases by chance, one of each type before a second of any.
func inTurn(bases []base, rng *rand.Rand) []int {
	order := rng.Perm(len(bases))
	nth := map[string]int{}
	rank := make([]int, len(bases))
	for _, at := range order {
		rank[at] = nth[bases[at].typ]
		nth[bases[at].typ]++
	}
	slices.SortStableFunc(order, func(a, b int) int { return rank[a] - rank[b] })
	return order
}

// one changes a base at a place by chance; false says that it has none.
func (k kind) one(b base, rng *rand.Rand) (mutant, bool, error) {
	var fitting []int
	for i, s := range b.sites {
		if k.fits(s) {
			fitting = append(fitting, i)
		}
	}
	if len(fitting) == 0 {
		return mutant{}, false, nil
	}
	root, err := parse(b.Text)
	if err != nil {
		return mutant{}, false, err
	}
	s := everywhere(root)[fitting[rng.IntN(len(fitting))]]
	m := mutant{kind: k.name, legal: k.legal, typ: b.typ, base: b.Name, place: s.place()}
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
