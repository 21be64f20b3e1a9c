package searchparam

import (
	"fmt"
	"net/url"
	"regexp"
	"slices"
	"strings"
)

// Query is a query as understood.
type Query struct {
	Match   []Condition
	Used    []Pair // the criteria that took part, as sent
	Control []Pair // parameters that shape the answer, left to the caller
}

// Weight says what a problem does to a search.
type Weight int

// The weights of a problem.
const (
	// Refused: the search must not be answered.
	Refused Weight = iota
	// Unknown: refused, unless the client asked for handling=lenient; then
	// the parameter is ignored and the answer says so (D8.1).
	Unknown
	// Ignored: the standard itself ignores it; the answer says so.
	Ignored
)

// Problem is one fault of a query. Text names the parameter and never repeats
// a value, which may be patient data.
type Problem struct {
	Weight Weight
	Code   string // OperationOutcome issue code
	Text   string
}

// Limits of one query, so that its cost is bounded.
const (
	maxConditions   = 64
	maxAlternatives = 512 // over all conditions; a bare id counts once for each type it may mean
)

// ControlNames are the parameters that shape an answer and are left to the
// caller.
var ControlNames = []string{"_count", "_format", "_pretty", "_sort", "_summary", "_total"}

// Parse reads the pairs of a search of one type. Conditions are only complete
// when no problem is Refused. typ must be one of Types.
func (x Index) Parse(typ string, pairs []Pair) (Query, []Problem) {
	var q Query
	var problems []Problem
	alternatives := 0
	for _, p := range pairs {
		if slices.Contains(ControlNames, p.Name) {
			q.Control = append(q.Control, p)
			continue
		}
		c, problem := x.criterion(typ, p)
		if problem != nil {
			problems = append(problems, *problem)
			continue
		}
		alternatives += len(c.Any)
		q.Match = append(q.Match, c)
		q.Used = append(q.Used, p)
	}
	if len(q.Match) > maxConditions || alternatives > maxAlternatives {
		problems = append(problems, Problem{Refused, "too-costly",
			fmt.Sprintf("a search may have at most %d criteria with %d values in all; an id without its type counts for each type it may mean", maxConditions, maxAlternatives)})
	}
	return q, problems
}

// criterion reads one pair.
func (x Index) criterion(typ string, p Pair) (Condition, *Problem) {
	name, modifier, modified := strings.Cut(p.Name, ":")
	d := registry[typ][name]
	if d == nil {
		return Condition{}, &Problem{Unknown, "not-supported",
			fmt.Sprintf("%s is not a search parameter of %s here", shown(p.Name), typ)}
	}
	asType := ""
	if modified {
		if d.Kind != Reference || d.Element == "canonical" || !slices.Contains(d.targets(), modifier) {
			return Condition{}, &Problem{Refused, "not-supported",
				fmt.Sprintf("modifier of %s is not offered", shown(p.Name))}
		}
		asType = modifier
	}
	if p.Value == "" {
		return Condition{}, &Problem{Ignored, "informational",
			fmt.Sprintf("%s has no value (R4 search.html#errors)", name)}
	}
	c := Condition{Param: d.Name, Kind: d.Kind}
	for _, part := range splitEscaped(p.Value, ',') {
		as, err := x.alternatives(d, asType, part)
		if err != nil {
			return Condition{}, &Problem{Refused, "value", fmt.Sprintf("%s: %s", name, err)}
		}
		c.Any = append(c.Any, as...)
	}
	return c, nil
}

var shownName = regexp.MustCompile(`^[A-Za-z_][A-Za-z0-9_.:-]{0,63}$`)

// shown gives a parameter name fit to repeat; anything that does not look like
// one may be data in the wrong place.
func shown(name string) string {
	if shownName.MatchString(name) {
		return name
	}
	return "a name in the query"
}

// fault is a text for the client about one value, which it does not repeat.
type fault string

func (f fault) Error() string { return string(f) }

// alternatives reads one value of a list; a bare id of a reference may mean
// several types and gives one alternative for each.
func (x Index) alternatives(d *Definition, asType, raw string) ([]Alternative, error) {
	if raw == "" {
		return nil, fault("empty value in a list")
	}
	if d.Kind == Token {
		a, err := tokenAlternative(d, raw)
		return []Alternative{a}, err
	}
	v, err := unescape(raw)
	if err != nil {
		return nil, fault(`a backslash may only stand before one of , | $ \`)
	}
	switch d.Kind {
	case Reference:
		return x.referenceAlternatives(d, asType, v)
	case URI:
		return []Alternative{{Code: v}}, nil
	case String:
		text := Fold(v)
		if text == "" {
			return nil, fault("nothing to compare in the value")
		}
		return []Alternative{{Text: text}}, nil
	case Date:
		a, err := x.dateAlternative(v)
		return []Alternative{a}, err
	}
	return nil, fault("kind of parameter not offered")
}

func tokenAlternative(d *Definition, raw string) (Alternative, error) {
	parts := splitEscaped(raw, '|')
	for i, p := range parts {
		v, err := unescape(p)
		if err != nil {
			return Alternative{}, fault(`a backslash may only stand before one of , | $ \`)
		}
		parts[i] = v
	}
	switch len(parts) {
	case 1:
		if d.Element == "boolean" && parts[0] != "true" && parts[0] != "false" {
			return Alternative{}, fault("must be true or false")
		}
		return Alternative{AnySystem: true, Code: parts[0]}, nil
	case 2:
		switch d.Element {
		case "boolean", "ContactPoint", "string", "id":
			return Alternative{}, fault("this element has no system; leave out the |")
		}
		system, code := parts[0], parts[1]
		if system == "" && code == "" {
			return Alternative{}, fault("neither system nor code beside the |")
		}
		return Alternative{NoSystem: system == "", System: system, Code: code}, nil
	}
	return Alternative{}, fault(`more than one |; write \| inside a value`)
}

var (
	idPattern       = regexp.MustCompile(`^[A-Za-z0-9.-]{1,64}$`)
	relativePattern = regexp.MustCompile(`^([A-Z][A-Za-z]{1,63})/[A-Za-z0-9.-]{1,64}(/_history/[A-Za-z0-9.-]{1,64})?$`)
)

// referenceAlternatives reads the forms of search.html#reference: id, Type/id
// with or without a version, absolute URL; one under our own base means the
// same as the relative form.
func (x Index) referenceAlternatives(d *Definition, asType, v string) ([]Alternative, error) {
	if d.Element == "canonical" {
		return []Alternative{{Code: v}}, nil
	}
	v = x.local(v)
	if m := relativePattern.FindStringSubmatch(v); m != nil {
		if asType != "" && m[1] != asType {
			return nil, fault("the value names another type than the modifier")
		}
		return []Alternative{{Code: v}}, nil
	}
	if idPattern.MatchString(v) {
		if asType != "" {
			return []Alternative{{Code: asType + "/" + v}}, nil
		}
		var out []Alternative
		for _, t := range d.targets() {
			out = append(out, Alternative{Code: t + "/" + v})
		}
		return out, nil
	}
	if u, err := url.Parse(v); err == nil && u.IsAbs() && asType == "" {
		return []Alternative{{Code: v}}, nil
	}
	return nil, fault("neither an id, nor Type/id, nor an absolute URL")
}

func (x Index) dateAlternative(v string) (Alternative, error) {
	prefix, rest, ok := cutPrefix(v)
	if !ok {
		return Alternative{}, fault("prefix ap is not offered")
	}
	i, err := parseInterval(rest, x.zone())
	if err != nil {
		return Alternative{}, fault("not a date as yyyy, yyyy-mm, yyyy-mm-dd or yyyy-mm-ddThh:mm[:ss][Z or offset, its + sent as %2B]")
	}
	return Alternative{Prefix: prefix, Lo: i.lo, Hi: i.hi}, nil
}
