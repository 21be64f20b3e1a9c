package fhirpath

import (
	"fmt"
	"regexp"
	"regexp/syntax"
	"strings"
	"sync"
	"unicode/utf8"

	"nailbridge/internal/fhirpath/value"
)

// The functions of N1 5.6 (string manipulation). Characters are Unicode code
// points.

// inputString is the String that a function is called on.
func (m *machine) inputString(f *frame, c *call) (string, bool, error) {
	it, ok, err := m.one(c.on, f)
	if err != nil || !ok || valueless(it) {
		return "", false, err
	}
	v, ok := m.tree.Native(it)
	if !ok || v.Kind != text {
		return "", false, fmt.Errorf("it is called on what is no String (N1 5.6)")
	}
	s := v.Text()
	return s, true, m.step(len(s) / 64)
}

// stringArgs evaluates the input and the String arguments; not ok if any is
// empty.
func (m *machine) stringArgs(f *frame, c *call) (s string, args [2]string, ok bool, err error) {
	s, ok, err = m.inputString(f, c)
	if err != nil {
		return
	}
	for i := range c.args {
		a, given, e := m.stringOf(c.args[i], f)
		if e != nil {
			return s, args, false, e
		}
		ok = ok && given
		args[i] = a
	}
	return s, args, ok, nil
}

// stringTest makes startsWith, endsWith and contains (N1 5.6.3 to 5.6.5).
func stringTest(test func(s, arg string) bool) func(m *machine, f *frame, c *call) (Truth, error) {
	return func(m *machine, f *frame, c *call) (Truth, error) {
		s, args, ok, err := m.stringArgs(f, c)
		if err != nil || !ok {
			return Unknown, err
		}
		return value.TruthOf(test(s, args[0])), nil
	}
}

// stringMap makes upper and lower (N1 5.6.6, 5.6.7).
func stringMap(change func(string) string) func(*machine, *frame, *call, []Item) ([]Item, error) {
	return func(m *machine, f *frame, c *call, out []Item) ([]Item, error) {
		s, ok, err := m.inputString(f, c)
		if err != nil || !ok {
			return out, err
		}
		return m.emit(out, m.newString(change(s))), nil
	}
}

// runIndexOf is indexOf(substring) (N1 5.6.1).
func runIndexOf(m *machine, f *frame, c *call, out []Item) ([]Item, error) {
	s, args, ok, err := m.stringArgs(f, c)
	if err != nil || !ok {
		return out, err
	}
	at := strings.Index(s, args[0])
	if at > 0 {
		at = utf8.RuneCountInString(s[:at])
	}
	return m.emit(out, Item{Kind: integer, Int: int64(at)}), nil
}

// runSubstring is substring(start [, length]) (N1 5.6.2).
func runSubstring(m *machine, f *frame, c *call, out []Item) ([]Item, error) {
	s, ok, err := m.inputString(f, c)
	if err != nil {
		return out, err
	}
	start, okStart, err := m.integerOf(c.args[0], f)
	if err != nil || !ok || !okStart {
		return out, err
	}
	length := int64(len(s))
	if len(c.args) > 1 {
		n, given, err := m.integerOf(c.args[1], f)
		if err != nil {
			return out, err
		}
		if given {
			length = max(n, 0)
		}
	}
	runes := []rune(s)
	if start < 0 || start >= int64(len(runes)) {
		return out, m.step(len(s))
	}
	end := min(start+length, int64(len(runes)))
	return m.emit(out, m.newString(string(runes[start:end]))), m.step(len(s))
}

// runReplace is replace(pattern, substitution) (N1 5.6.8).
func runReplace(m *machine, f *frame, c *call, out []Item) ([]Item, error) {
	s, args, ok, err := m.stringArgs(f, c)
	if err != nil || !ok {
		return out, err
	}
	n := strings.Count(s, args[0])
	if err := m.room(len(s) + n*len(args[1])); err != nil {
		return out, err
	}
	return m.emit(out, m.newString(strings.ReplaceAll(s, args[0], args[1]))), nil
}

// room asks for n bytes before they are made.
func (m *machine) room(n int) error {
	if n > m.memory {
		return ErrBudget
	}
	return nil
}

// runMatches is matches(regex): some part of the string does (N1 5.6.9).
func runMatches(m *machine, f *frame, c *call) (Truth, error) {
	s, args, ok, err := m.stringArgs(f, c)
	if err != nil || !ok {
		return Unknown, err
	}
	re, err := m.regex(args[0], len(s))
	if err != nil {
		return Unknown, err
	}
	return value.TruthOf(re.MatchString(s)), nil
}

// runReplaceMatches is replaceMatches(regex, substitution) (N1 5.6.10). An
// empty regex replaces nothing.
func runReplaceMatches(m *machine, f *frame, c *call, out []Item) ([]Item, error) {
	s, args, ok, err := m.stringArgs(f, c)
	if err != nil || !ok {
		return out, err
	}
	if args[0] == "" {
		return m.emit(out, m.newString(s)), nil
	}
	re, err := m.regex(args[0], len(s))
	if err != nil {
		return out, err
	}
	// A substitution may repeat what was matched; it holds a sign for each.
	groups := strings.Count(args[1], "$")
	if err := m.room((len(s)+1)*(len(args[1])+1) + groups*len(s)); err != nil {
		return out, err
	}
	return m.emit(out, m.newString(re.ReplaceAllString(s, args[1]))), nil
}

// pattern is a compiled regular expression and the size of its program.
type pattern struct {
	re   *regexp.Regexp
	size int
}

// patterns holds compiled regular expressions: expressions are few, and each
// is used for many strings.
var patterns struct {
	sync.RWMutex
	byText map[string]pattern
}

// regex compiles a regular expression, '.' matching line ends too ("single
// line mode"), and takes the worst cost of matching n bytes off the budget.
func (m *machine) regex(expression string, n int) (*regexp.Regexp, error) {
	patterns.RLock()
	p, ok := patterns.byText[expression]
	patterns.RUnlock()
	if !ok {
		var err error
		if p, err = m.compilePattern(expression); err != nil {
			return nil, err
		}
		patterns.Lock()
		if patterns.byText == nil || len(patterns.byText) > 500 {
			patterns.byText = map[string]pattern{}
		}
		patterns.byText[strings.Clone(expression)] = p
		patterns.Unlock()
	}
	return p.re, m.step(1 + n/8 + n*p.size/8)
}

// maxPattern bounds the program of a regular expression, in instructions.
const maxPattern = 20_000

// compilePattern takes the cost of compiling off the budget before it is
// spent: repetitions make programs many times the size of their text.
func (m *machine) compilePattern(expression string) (pattern, error) {
	unreadable := fmt.Errorf("a regular expression that cannot be read")
	tree, err := syntax.Parse(expression, syntax.Perl|syntax.DotNL)
	if err != nil {
		return pattern{}, unreadable
	}
	size := programSize(tree)
	if size > maxPattern {
		return pattern{}, ErrBudget
	}
	if err := m.step(20 * (size + len(expression))); err != nil {
		return pattern{}, err
	}
	re, err := regexp.Compile("(?s)" + expression)
	if err != nil {
		return pattern{}, unreadable
	}
	return pattern{re, size}, nil
}

// programSize estimates the instructions of a regular expression, up to a
// little more than maxPattern.
func programSize(re *syntax.Regexp) int {
	size := 2 + len(re.Rune)
	for _, sub := range re.Sub {
		if size += programSize(sub); size > maxPattern {
			return size
		}
	}
	if re.Op == syntax.OpRepeat {
		size *= max(re.Min, re.Max, 1) + 1
	}
	return size
}

func runLength(m *machine, f *frame, c *call, out []Item) ([]Item, error) {
	s, ok, err := m.inputString(f, c)
	if err != nil || !ok {
		return out, err
	}
	return m.emit(out, Item{Kind: integer, Int: int64(utf8.RuneCountInString(s))}), nil
}

// runToChars is toChars() (N1 5.6.12).
func runToChars(m *machine, f *frame, c *call, out []Item) ([]Item, error) {
	s, ok, err := m.inputString(f, c)
	if err != nil || !ok {
		return out, err
	}
	if err := m.room(len(s) * itemSize); err != nil {
		return out, err
	}
	for i, r := range s {
		out = m.emit(out, value.String(s[i:i+utf8.RuneLen(r)]))
	}
	return out, nil
}
