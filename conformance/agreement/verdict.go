package main

import (
	"bytes"
	"cmp"
	"context"
	_ "embed"
	"errors"
	"fmt"
	"slices"
	"strings"

	"nailbridge/conformance/oracles"
	"nailbridge/internal/official"
	"nailbridge/internal/validate"
	"nailbridge/internal/validate/defs"
	"nailbridge/internal/validate/engine"
)

// verdict is what one of the two says of a document: the first error, or
// nothing.
type verdict struct{ place, key, text string }

func (v verdict) valid() bool { return v == verdict{} }

// String names the verdict, and where it falls.
func (v verdict) String() string {
	if v.valid() {
		return "valid"
	}
	return fmt.Sprintf("%s at %s", v.key, cmp.Or(v.place, "the whole"))
}

// pair is what both say of a document, and the references in JavaScript beside.
type pair struct {
	ours, java verdict
	walker     verdict  // of fhirpath.js, on the invariants of the official snapshots
	medplum    verdict  // of @medplum/core
	codings    verdict  // of the Java program's own look at every coding, beside the Java validator
	unchecked  bool     // it claims a profile of HL7's that we do not hold
	notes      []string // keys of what we say without calling it an error
}

func (p pair) agree() bool { return p.ours.valid() == p.java.valid() }

// all are the verdicts of ours, the Java validator, fhirpath.js and @medplum/core.
func (p pair) all() []verdict { return []verdict{p.ours, p.java, p.walker, p.medplum} }

// verdicts asks all about every document.
func verdicts(ctx context.Context, core string, texts [][]byte) ([]pair, error) {
	known, err := registry(ctx, texts)
	if err != nil {
		return nil, err
	}
	return verdictsWith(ctx, core, texts, known, nil)
}

// verdictsWith asks all, of which ours knows a registry, and the others some definitions beside those of R4.
func verdictsWith(ctx context.Context, core string, texts [][]byte, known *defs.Registry, definitions [][]byte) ([]pair, error) {
	out := make([]pair, len(texts))
	v := engine.New(known)
	lines := make([][]byte, len(texts))
	for i, t := range texts {
		issues := v.Validate(t, validate.Options(nil))
		out[i].ours = first(issues)
		out[i].notes = notes(issues)
		out[i].unchecked = slices.Contains(out[i].notes, "profile-unchecked")
		lines[i] = oneLine(t)
	}
	report, err := oracles.Validate(ctx, oracles.Options{Documents: lines, Definitions: definitions, Snapshots: true, Uncounted: true})
	if err != nil {
		return nil, err
	}
	if err := place(report, out, func(p *pair) *verdict { return &p.java }); err != nil {
		return nil, err
	}
	return out, others(ctx, core, lines, report.Snapshots, out)
}

// place puts the first error of each document into a verdict.
func place(report oracles.Report, pairs []pair, into func(*pair) *verdict) error {
	if report.Inputs != len(pairs) {
		return fmt.Errorf("%d of %d documents were read", report.Inputs, len(pairs))
	}
	for _, f := range report.Findings {
		if f.Level != oracles.Error && f.Level != oracles.Fatal {
			continue
		}
		var n int
		if _, err := fmt.Sscanf(f.Input, "documents.ndjson:%d", &n); err != nil {
			return fmt.Errorf("a finding about %q", f.Input)
		}
		v := into(&pairs[n-1])
		if f.ID == oracles.CodingID {
			v = &pairs[n-1].codings
		}
		if v.valid() {
			*v = verdict{cmp.Or(f.Place, "the whole"), cmp.Or(f.ID, f.Level), f.Text}
		}
	}
	return nil
}

// oneLine keeps a document on one line: outside strings JSON has line ends
// between tokens alone, and inside it has none.
func oneLine(text []byte) []byte {
	return bytes.Map(func(r rune) rune {
		if r == '\n' || r == '\r' {
			return ' '
		}
		return r
	}, text)
}

func first(issues []engine.Issue) verdict {
	for _, i := range issues {
		if i.Invalid() {
			return verdict{i.Location, i.Key, i.Text + " " + i.Detail}
		}
	}
	return verdict{}
}

func notes(issues []engine.Issue) (keys []string) {
	for _, i := range issues {
		if !i.Invalid() && !slices.Contains(keys, i.Key) {
			keys = append(keys, i.Key)
		}
	}
	return keys
}

// maxBase is the size of the largest base.
const maxBase = 16 << 10

// compared is what both say of the examples.
type compared struct {
	documents []official.Document
	pairs     []pair
}

func compare(ctx context.Context, core string, documents []official.Document) (compared, error) {
	texts := make([][]byte, len(documents))
	for i, d := range documents {
		texts[i] = d.Text
	}
	pairs, err := verdicts(ctx, core, texts)
	return compared{documents, pairs}, err
}

// bases are the examples that both call valid, but for those that we could check
// in part only, and those so large that their mutants would say little for their
// time.
func (c compared) bases() []official.Document {
	var out []official.Document
	for i, d := range c.documents {
		if p := c.pairs[i]; p.ours.valid() && p.java.valid() && !p.unchecked && len(d.Text) < maxBase {
			out = append(out, d)
		}
	}
	return out
}

//go:embed known.tsv
var knownText string

// How many examples may differ, and how many lines of the batteries.
const (
	maxKnown     = 15
	maxOfBattery = 25
)

// known is an example on which the two are known to differ, and why.
type known struct{ ours, java, why, sentence, section string }

// readKnown reads a list: file, our verdict, the Java validator's, why, and the
// sentence of the standard that decides, with its page.
func readKnown(text string, most int) (map[string]known, error) {
	out := map[string]known{}
	for line := range strings.Lines(text) {
		if strings.HasPrefix(line, "#") {
			continue
		}
		f := strings.Split(strings.TrimSuffix(line, "\n"), "\t")
		if len(f) != 6 || slices.Contains(f, "") {
			return nil, fmt.Errorf("six columns are wanted in %q", line)
		}
		out[f[0]] = known{f[1], f[2], f[3], f[4], f[5]}
	}
	if len(out) > most {
		return nil, fmt.Errorf("%d lines, at most %d are allowed", len(out), most)
	}
	return out, nil
}

// hold fails unless the examples that differ are those listed, with the verdicts
// listed.
func (c compared) hold(list map[string]known) error {
	var wrong []string
	left := map[string]bool{}
	for name := range list {
		left[name] = true
	}
	for i, p := range c.pairs {
		k, listed := list[c.documents[i].Name]
		delete(left, c.documents[i].Name)
		switch {
		case !p.agree() && !listed:
			wrong = append(wrong, fmt.Sprintf("%s: ours %v, Java %v %s", c.documents[i].Name, p.ours, p.java, p.java.text))
		case p.agree() && listed:
			wrong = append(wrong, c.documents[i].Name+": listed, but both agree")
		case listed && (p.ours.String() != k.ours || p.java.String() != k.java):
			wrong = append(wrong, fmt.Sprintf("%s: listed with other verdicts than ours %v, Java %v", c.documents[i].Name, p.ours, p.java))
		}
	}
	for name := range left {
		wrong = append(wrong, name+": listed, but there is none such")
	}
	if len(wrong) > 0 {
		slices.Sort(wrong)
		return errors.New(strings.Join(wrong, "\n"))
	}
	return nil
}

func (c compared) table(list map[string]known) string {
	var b strings.Builder
	valid, invalid, differ := 0, 0, 0
	for _, p := range c.pairs {
		switch {
		case !p.agree():
			differ++
		case p.ours.valid():
			valid++
		default:
			invalid++
		}
	}
	fmt.Fprintf(&b, "official examples: %d; both valid %d, both invalid %d, differ %d (%d listed)\n", len(c.pairs), valid, invalid, differ, len(list))
	for i, p := range c.pairs {
		if !p.agree() {
			k := list[c.documents[i].Name]
			fmt.Fprintf(&b, "  %s: ours %v; Java %v; %s: %q (%s)\n", c.documents[i].Name, p.ours, p.java, k.why, k.sentence, k.section)
		}
	}
	b.WriteString(found(c.pairs))
	return b.String()
}

// found tells how many each calls invalid.
func found(pairs []pair) string {
	var n [4]int
	for _, p := range pairs {
		for i, v := range p.all() {
			if !v.valid() {
				n[i]++
			}
		}
	}
	return fmt.Sprintf("  invalid of %d: ours %d, Java %d, fhirpath.js %d, @medplum/core %d\n", len(pairs), n[0], n[1], n[2], n[3])
}
