package main

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
)

// Limits of the mutation run.
const (
	leastKinds     = 40
	leastTypes     = 25
	leastLegal     = 0.2  // share of mutants made to be legal
	leastAgreement = 0.99 // over all mutants
	leastOfKind    = 0.95
)

// judged is what both say of the mutants.
type judged struct {
	mutants []mutant
	pairs   []pair
}

func judge(ctx context.Context, made []mutant) (judged, error) {
	texts := make([][]byte, len(made))
	for i, m := range made {
		texts[i] = m.text
	}
	pairs, err := verdicts(ctx, texts)
	return judged{made, pairs}, err
}

// tally counts the mutants of one kind.
type tally struct{ all, agree, invalid int }

func (t tally) share() float64 { return float64(t.agree) / float64(t.all) }

func (j judged) tallies() (map[string]tally, tally) {
	by := map[string]tally{}
	var sum tally
	for i, m := range j.mutants {
		for _, t := range []tally{by[m.kind]} {
			t.all++
			if j.pairs[i].agree() {
				t.agree++
				sum.agree++
			}
			if !j.pairs[i].java.valid() {
				t.invalid++
				sum.invalid++
			}
			by[m.kind] = t
		}
		sum.all++
	}
	return by, sum
}

func (j judged) types() int {
	types := map[string]bool{}
	for _, m := range j.mutants {
		types[m.typ] = true
	}
	return len(types)
}

func (j judged) legal() float64 {
	n := 0
	for _, m := range j.mutants {
		if m.legal {
			n++
		}
	}
	return float64(n) / float64(len(j.mutants))
}

func (j judged) hold() error {
	by, sum := j.tallies()
	var wrong []string
	if len(by) < leastKinds || j.types() < leastTypes || j.legal() < leastLegal {
		wrong = append(wrong, fmt.Sprintf("%d kinds, %d types, %.0f %% legal: fewer than wanted", len(by), j.types(), 100*j.legal()))
	}
	if sum.share() < leastAgreement {
		wrong = append(wrong, fmt.Sprintf("agreement %.2f %% over all mutants", 100*sum.share()))
	}
	for _, kind := range slices.Sorted(maps.Keys(by)) {
		t := by[kind]
		if t.share() < leastOfKind {
			wrong = append(wrong, fmt.Sprintf("kind %s: agreement %.1f %%", kind, 100*t.share()))
		}
		if t.agree < t.all && explained[kind] == "" {
			wrong = append(wrong, fmt.Sprintf("kind %s: %d differences that explained does not explain", kind, t.all-t.agree))
		}
	}
	if len(wrong) > 0 {
		return errors.New(strings.Join(wrong, "\n"))
	}
	return nil
}

func (j judged) table(explain bool) string {
	var b strings.Builder
	by, sum := j.tallies()
	fmt.Fprintf(&b, "mutants: %d of %d kinds and %d types, %.0f %% made to be legal; agreement %.2f %% (Java calls %d invalid)\n",
		sum.all, len(by), j.types(), 100*j.legal(), 100*sum.share(), sum.invalid)
	for _, kind := range slices.Sorted(maps.Keys(by)) {
		t := by[kind]
		fmt.Fprintf(&b, "  %-36s %4d mutants %4d invalid %6.1f %% agree", kind, t.all, t.invalid, 100*t.share())
		if t.agree < t.all {
			b.WriteString("; " + explained[kind])
		}
		b.WriteByte('\n')
	}
	for i, p := range j.pairs {
		if explain && !p.agree() {
			m := j.mutants[i]
			fmt.Fprintf(&b, "%s, %s, %s\n    ours %v %s\n    Java %v %.200s\n", m.kind, m.base, m.place, p.ours, p.ours.text, p.java, p.java.text)
		}
	}
	return b.String()
}

// explained says of each kind with differences why the two differ, with the
// section of the standard.
var explained = map[string]string{
	"legal-data-absent":     "the Java validator fails on a range whose ends have different units (datatypes.html#Range, rng-2)",
	"required-code-unknown": "the Java validator takes any text for a media type, which has two parts (terminologies-systems.html, BCP 13)",
}
