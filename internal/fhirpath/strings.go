package fhirpath

import (
	"fmt"
	"regexp"
	"strings"
	"unicode/utf8"

	"nailbridge/internal/fhirpath/pattern"
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
func stringTest(test func(s, arg string) bool) tester {
	return func(m *machine, f *frame, c *call) (Truth, error) {
		s, args, ok, err := m.stringArgs(f, c)
		if err != nil || !ok {
			return Unknown, err
		}
		return value.TruthOf(test(s, args[0])), nil
	}
}

// stringMap makes upper and lower (N1 5.6.6, 5.6.7).
func stringMap(change func(string) string) runner {
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

// regex compiles a regular expression, and takes what that and matching n bytes
// can cost off the budget.
func (m *machine) regex(expression string, n int) (*regexp.Regexp, error) {
	p, fresh, err := pattern.Compile(expression)
	if err == pattern.ErrTooLarge {
		return nil, ErrBudget
	}
	if err != nil {
		return nil, err
	}
	if fresh {
		m.steps -= 20 * (p.Size + len(expression))
	}
	return p.Regexp, m.step(1 + n/8 + n*p.Size/8)
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
