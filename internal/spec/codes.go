package spec

import (
	_ "embed"
	"strings"
	"sync"
)

//go:embed codes.tsv
var codesTSV string

//go:embed profiles.tsv
var profilesTSV string

// CodeSystem is a code system of R4's core package.
type CodeSystem struct {
	URL     string
	Content string // complete, fragment, example or not-present
	text    string
	once    sync.Once
	codes   map[string]string
}

// ValueSet is a value set of R4's core package.
type ValueSet struct {
	URL  string
	text string
	once sync.Once
	Holds
}

// Holds is what a value set holds, as far as it is known.
type Holds struct {
	Whole []string                   // systems of which it holds every code
	Codes map[string]map[string]bool // codes by system
	Open  bool                       // it holds more, which is not known
}

// Codes is the table of code systems and value sets. What one of them holds is
// read when it is first asked for.
type Codes struct {
	systems map[string]*CodeSystem
	sets    map[string]*ValueSet
}

// R4Codes is the embedded table of R4's core package.
var R4Codes = sync.OnceValue(func() *Codes { return readCodes(codesTSV) })

// System finds a code system by its canonical without version, or is nil.
func (c *Codes) System(url string) *CodeSystem { return c.systems[url] }

// Set finds a value set by its canonical without version, or is nil.
func (c *Codes) Set(url string) *ValueSet {
	v := c.sets[url]
	if v != nil {
		v.once.Do(v.read)
	}
	return v
}

// Display gives the display of a code, and whether the system has the code.
func (s *CodeSystem) Display(code string) (string, bool) {
	s.once.Do(s.read)
	d, ok := s.codes[code]
	return d, ok
}

// readCodes finds where each system and set stands in the text.
func readCodes(text string) *Codes {
	c := &Codes{systems: map[string]*CodeSystem{}, sets: map[string]*ValueSet{}}
	var end func(at int)
	at := 0
	for line := range strings.Lines(text) {
		kind, rest, _ := strings.Cut(strings.TrimSuffix(line, "\n"), "\t")
		if from := at + len(line); kind == "S" || kind == "V" {
			if end != nil {
				end(at)
			}
			end = c.begin(kind, rest, text, from)
		}
		at += len(line)
	}
	if end != nil {
		end(at)
	}
	return c
}

// begin notes a system or set whose lines start at from; the result is to be
// told where they end.
func (c *Codes) begin(kind, head, text string, from int) func(int) {
	if kind == "V" {
		v := &ValueSet{URL: head}
		c.sets[head] = v
		return func(to int) { v.text = text[from:to] }
	}
	url, content, _ := strings.Cut(head, "\t")
	s := &CodeSystem{URL: url, Content: content}
	c.systems[url] = s
	return func(to int) { s.text = text[from:to] }
}

func (s *CodeSystem) read() {
	s.codes = map[string]string{}
	for line := range strings.Lines(s.text) {
		code, display, _ := strings.Cut(strings.TrimPrefix(strings.TrimSuffix(line, "\n"), "c\t"), "\t")
		s.codes[code] = display
	}
}

func (v *ValueSet) read() {
	v.Codes = map[string]map[string]bool{}
	for line := range strings.Lines(v.text) {
		f := strings.Split(strings.TrimSuffix(line, "\n"), "\t")
		switch f[0] {
		case "*":
			v.Whole = append(v.Whole, f[1])
		case "=":
			codes := make(map[string]bool, len(f)-2)
			for _, c := range f[2:] {
				codes[c] = true
			}
			v.Codes[f[1]] = codes
		case "?":
			v.Open = true
		}
	}
}

var profiles = sync.OnceValue(func() map[string]string {
	out := map[string]string{}
	for line := range strings.Lines(profilesTSV) {
		url, text, _ := strings.Cut(strings.TrimSuffix(line, "\n"), "\t")
		out[url] = text
	}
	return out
})

// Profile is the StructureDefinition of a profile or extension of R4's core
// package in JSON, with its differential and only with members that are rules.
func Profile(url string) (string, bool) {
	text, ok := profiles()[url]
	return text, ok
}

// Profiles lists the canonicals of the profiles and extensions.
func Profiles() []string {
	var out []string
	for url := range profiles() {
		out = append(out, url)
	}
	return out
}
