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

func judge(ctx context.Context, core string, made []mutant) (judged, error) {
	texts := make([][]byte, len(made))
	for i, m := range made {
		texts[i] = m.text
	}
	pairs, err := verdicts(ctx, core, texts)
	return judged{made, pairs}, err
}

// tally counts the mutants of one kind.
type tally struct{ all, agree, ours, java, walker, medplum int } // the last four: how many each calls invalid

func (t tally) share() float64 { return float64(t.agree) / float64(t.all) }

func (j judged) tallies() (map[string]tally, tally) {
	by := map[string]tally{}
	var sum tally
	for i, m := range j.mutants {
		one := tally{all: 1}
		p := j.pairs[i]
		for n, is := range map[*int]bool{&one.agree: p.agree(), &one.ours: !p.ours.valid(), &one.java: !p.java.valid(),
			&one.walker: !p.walker.valid(), &one.medplum: !p.medplum.valid()} {
			if is {
				*n = 1
			}
		}
		by[m.kind], sum = by[m.kind].plus(one), sum.plus(one)
	}
	return by, sum
}

func (t tally) plus(u tally) tally {
	return tally{t.all + u.all, t.agree + u.agree, t.ours + u.ours, t.java + u.java, t.walker + u.walker, t.medplum + u.medplum}
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

// wrong reports a mutant whose verdicts are not those wanted: the two differ, or
// either finds an error in what is made to be legal of a base without one.
func (j judged) wrong(i int) bool {
	p := j.pairs[i]
	return !p.agree() || j.mutants[i].legal && !(p.ours.valid() && p.java.valid())
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
		if t.all < leastKind || t.all > mostKind {
			wrong = append(wrong, fmt.Sprintf("kind %s: %d mutants", kind, t.all))
		}
		if t.share() < leastOfKind {
			wrong = append(wrong, fmt.Sprintf("kind %s: agreement %.1f %%", kind, 100*t.share()))
		}
	}
	for i := range j.mutants {
		if j.wrong(i) && explanationOf(j.mutants[i], j.pairs[i]) < 0 {
			wrong = append(wrong, "nothing explains "+j.line(i))
		}
	}
	if len(wrong) > 0 {
		return errors.New(strings.Join(wrong, "\n"))
	}
	return nil
}

// line tells of one mutant.
func (j judged) line(i int) string {
	m, p := j.mutants[i], j.pairs[i]
	return fmt.Sprintf("%s, %s, %s\n    ours %v %.200s\n    Java %v %.200s", m.kind, m.base, m.place, p.ours, p.ours.text, p.java, p.java.text)
}

func (j judged) table(explain bool) string {
	var b strings.Builder
	by, sum := j.tallies()
	fmt.Fprintf(&b, "mutants: %d of %d kinds and %d types, %.0f %% made to be legal; agreement %.2f %% (invalid: ours %d, Java %d, fhirpath.js %d, @medplum/core %d)\n",
		sum.all, len(by), j.types(), 100*j.legal(), 100*sum.share(), sum.ours, sum.java, sum.walker, sum.medplum)
	for _, kind := range slices.Sorted(maps.Keys(by)) {
		t := by[kind]
		fmt.Fprintf(&b, "  %-36s %4d mutants, invalid: ours %4d, Java %4d, fhirpath.js %4d, @medplum/core %4d; %6.1f %% of ours and Java agree\n",
			kind, t.all, t.ours, t.java, t.walker, t.medplum, 100*t.share())
	}
	uses := make([]int, len(explanations))
	for i := range j.mutants {
		if !j.wrong(i) {
			continue
		}
		if x := explanationOf(j.mutants[i], j.pairs[i]); x >= 0 {
			uses[x]++
		}
		if explain {
			fmt.Fprintln(&b, j.line(i))
		}
	}
	for i, e := range explanations {
		fmt.Fprintf(&b, "explained: %d of %s, ours %s, Java %s: %s (%s)\n", uses[i], e.kind, e.ours, e.java, e.why, e.section)
	}
	return b.String()
}
