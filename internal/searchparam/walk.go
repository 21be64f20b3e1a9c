package searchparam

import (
	"fmt"
	"strings"
	"unicode"
)

// path is one branch of an R4 search expression: the subset that our tables
// use, which is member access, choice of a type and two filters.
type path []step

type step struct {
	member string // "performed" also finds performedDateTime and performedPeriod
	as     string // only that type of a choice: "dateTime"
	isType string // where(resolve() is T)
	system string // where(system='email')
}

// mustPaths reads an expression of our tables. A table that cannot be read is
// a fault of the program, found by every test of the package.
func mustPaths(expression string) []path {
	var out []path
	for _, branch := range strings.Split(expression, " | ") {
		p, err := parsePath(branch)
		if err != nil {
			panic(fmt.Sprintf("searchparam: expression %q: %v", expression, err))
		}
		out = append(out, p)
	}
	return out
}

// parsePath reads one branch, such as "(Goal.target.due as date)" or
// "Patient.telecom.where(system='email')".
func parsePath(branch string) (path, error) {
	s := branch
	as := ""
	if inner, ok := strings.CutPrefix(s, "("); ok && strings.HasSuffix(s, ")") {
		s, as, _ = strings.Cut(strings.TrimSuffix(inner, ")"), " as ")
	}
	var filter step
	if head, arg, ok := strings.Cut(s, ".where("); ok {
		s = head
		arg = strings.TrimSuffix(arg, ")")
		if t, ok := strings.CutPrefix(arg, "resolve() is "); ok {
			filter.isType = t
		} else if v, ok := strings.CutPrefix(arg, "system='"); ok {
			filter.system = strings.TrimSuffix(v, "'")
		} else {
			return nil, fmt.Errorf("filter %q", arg)
		}
	}
	if head, arg, ok := strings.Cut(s, ".as("); ok {
		s, as = head, strings.TrimSuffix(arg, ")")
	}
	names := strings.Split(s, ".")
	if len(names) < 2 {
		return nil, fmt.Errorf("no member in %q", branch)
	}
	var p path
	for _, n := range names[1:] {
		if n == "" || strings.ContainsAny(n, "() '=") {
			return nil, fmt.Errorf("member %q", n)
		}
		p = append(p, step{member: n})
	}
	last := &p[len(p)-1]
	last.as, last.isType, last.system = as, filter.isType, filter.system
	return p, nil
}

// values walks the tree of one resource; lists are opened on the way.
func (p path) values(tree map[string]any) []any {
	nodes := []any{tree}
	for _, s := range p {
		var next []any
		for _, n := range nodes {
			if m, ok := n.(map[string]any); ok {
				next = appendOpened(next, s.pick(m))
			}
		}
		nodes = s.filter(next)
	}
	return nodes
}

func appendOpened(out []any, v any) []any {
	switch v := v.(type) {
	case nil:
		return out
	case []any:
		for _, e := range v {
			out = appendOpened(out, e)
		}
		return out
	}
	return append(out, v)
}

// choiceTypes are the endings of choice elements that our parameters reach
// (formats.html#choice), the way they are spelt in a member name.
var choiceTypes = []string{"DateTime", "Period", "Timing", "Instant", "Date", "Age", "Range", "CodeableConcept", "Reference", "String", "Uri", "Canonical"}

func (s step) pick(m map[string]any) any {
	if s.as != "" {
		return m[s.member+upperFirst(s.as)]
	}
	if v, ok := m[s.member]; ok {
		return v
	}
	for _, t := range choiceTypes {
		if v, ok := m[s.member+t]; ok {
			return v
		}
	}
	return nil
}

func (s step) filter(nodes []any) []any {
	if s.isType == "" && s.system == "" {
		return nodes
	}
	var out []any
	for _, n := range nodes {
		m, ok := n.(map[string]any)
		if !ok {
			continue
		}
		if s.system != "" && m["system"] == s.system {
			out = append(out, n)
		}
		if ref, ok := m["reference"].(string); ok && s.isType != "" && referenceType(ref) == s.isType {
			out = append(out, n)
		}
	}
	return out
}

// referenceType gives the type that a literal reference names, "" when it
// names none (references.html#literal): [base/]Type/id[/_history/version].
func referenceType(ref string) string {
	ref, _, _ = strings.Cut(ref, "/_history/")
	parts := strings.Split(ref, "/")
	if len(parts) < 2 {
		return ""
	}
	t := parts[len(parts)-2]
	if t == "" || !unicode.IsUpper(rune(t[0])) {
		return ""
	}
	return t
}

func upperFirst(s string) string {
	if s == "" {
		return s
	}
	return strings.ToUpper(s[:1]) + s[1:]
}
