package ucum

import (
	_ "embed"
	"fmt"
	"math/big"
	"strings"
	"sync"
)

//go:embed atoms.tsv
var atomsTSV string

// atom is one unit symbol of the table, resolved to base units.
type atom struct {
	metric bool
	size   *big.Rat
	dims   dims
	own    []factor // an arbitrary unit holds itself
	offset *big.Rat // of a temperature scale (UCUM 21)
	scaled bool     // on a scale of its own
}

type table struct {
	prefixes map[string]*big.Rat
	atoms    map[string]*atom
}

// load reads the table once. Definitions refer to each other in any order, so
// each is resolved when first asked for.
var load = sync.OnceValue(func() *table {
	t := &table{prefixes: map[string]*big.Rat{}, atoms: map[string]*atom{}}
	pending := map[string][]string{}
	bases := 0
	for line := range strings.Lines(atomsTSV) {
		if strings.HasPrefix(line, "#") {
			continue
		}
		f := strings.Split(strings.TrimRight(line, "\n"), "\t")
		switch f[0] {
		case "prefix":
			t.prefixes[f[1]] = number(f[2])
		case "base":
			a := &atom{metric: true, size: big.NewRat(1, 1)}
			a.dims[bases] = 1
			bases++
			t.atoms[f[1]] = a
		default:
			pending[f[1]] = f
		}
	}
	resolve(t, pending)
	return t
})

// resolve computes the atoms still pending, in as many rounds as their
// definitions are deep. A table that does not resolve is a fault of the
// program.
func resolve(t *table, pending map[string][]string) {
	for len(pending) > 0 {
		before := len(pending)
		for code, f := range pending {
			if a, ok := define(t, code, f); ok {
				t.atoms[code] = a
				delete(pending, code)
			}
		}
		if len(pending) == before {
			panic(fmt.Sprintf("ucum: %d definitions do not resolve", before))
		}
	}
}

// define makes one atom of its row, if the units it is defined by are there.
func define(t *table, code string, f []string) (*atom, bool) {
	a := &atom{metric: f[2] == "metric"}
	unit := f[len(f)-1]
	n := big.NewRat(1, 1)
	switch f[0] {
	case "unit":
		n = number(f[3])
	case "special":
		n, unit, a.scaled = number(f[3]), f[4], true
		if f[5] != "-" {
			a.offset = number(f[5])
		}
	}
	p := parser{rest: unit, table: t}
	u, err := p.mainTerm()
	if err != nil {
		return nil, false
	}
	a.size, a.dims, a.own = new(big.Rat).Mul(n, u.size), u.dims, u.own
	if f[0] == "arbitrary" && len(u.own) == 0 {
		a.own = []factor{{code, 1}}
	}
	return a, true
}

// find gives the prefix, if any, and the atom of a symbol. An atom of that
// whole name goes before a prefix with a shorter one: "cd" is the candela.
func (t *table) find(symbol string) (*big.Rat, *atom) {
	if a := t.atoms[symbol]; a != nil {
		return nil, a
	}
	for n := 1; n <= 2 && n < len(symbol); n++ {
		prefix := t.prefixes[symbol[:n]]
		if a := t.atoms[symbol[n:]]; prefix != nil && a != nil && a.metric {
			return prefix, a
		}
	}
	return nil, nil
}

func number(s string) *big.Rat {
	r, ok := new(big.Rat).SetString(s)
	if !ok {
		panic("ucum: not a number in the table: " + s)
	}
	return r
}
