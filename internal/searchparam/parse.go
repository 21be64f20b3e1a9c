package searchparam

import (
	"cmp"
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
	// Noted: it took part, otherwise than it was sent; the answer says so.
	Noted
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
	MaxCriteria = 64
	MaxValues   = 256 // over all conditions; a bare id counts once for each type it may mean
)

// ControlNames are the parameters that shape an answer and are left to the
// caller.
var ControlNames = []string{"_count", "_elements", "_format", "_include", "_pretty", "_revinclude", "_sort", "_summary", "_total"}

// Parse reads the pairs of a search of one type, one of Types, or for "" of every
// type in a compartment. Conditions are only complete when no problem is Refused.
func (x Index) Parse(typ string, pairs []Pair) (Query, []Problem) {
	var q Query
	var problems []Problem
	conditions, alternatives := 0, 0
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
		if c.unversion(typ) {
			problems = append(problems, Problem{Noted, "informational",
				shown(p.Name) + " names a version: the resource that refers to it in any version was looked for"})
		}
		alternatives += c.size()
		conditions += c.cost()
		q.Match = append(q.Match, c)
		q.Used = append(q.Used, p)
	}
	if conditions > MaxCriteria || alternatives > MaxValues {
		problems = append(problems, Problem{Refused, "too-costly",
			fmt.Sprintf("a search may have at most %d criteria with %d values in all; an id without its type counts for each type it may mean, and a step of a chain as %d criteria", MaxCriteria, MaxValues, StepCost)})
	}
	return q, problems
}

// unversion makes references to a version such to the resource, and reports
// whether there were any: in a search they mean the current one
// (search.html#versions). Provenance alone refers to versions, which are found.
func (c *Condition) unversion(typ string) (found bool) {
	if c.Chain != nil {
		return c.Chain.Of.unversion(c.Chain.Type)
	}
	if c.Kind != Reference || typ == "Provenance" {
		return false
	}
	for i := range c.Any {
		if bare, _, ok := strings.Cut(c.Any[i].Code, "/_history/"); ok && relativePattern.MatchString(c.Any[i].Code) {
			c.Any[i].Code, found = bare, true
		}
	}
	return found
}

// StepCost is as how many criteria a step of a chain counts.
const StepCost = 8

// cost is as how many criteria a condition counts.
func (c Condition) cost() int {
	if c.Chain != nil {
		return StepCost + c.Chain.Of.cost()
	}
	return 1
}

// size is how many values a condition compares.
func (c Condition) size() int {
	n := len(c.Any)
	if c.Chain != nil {
		n += c.Chain.Of.size()
	}
	for _, all := range c.Either {
		for _, part := range all {
			n += part.size()
		}
	}
	return max(n, 1)
}

// criterion reads one pair.
func (x Index) criterion(typ string, p Pair) (Condition, *Problem) {
	return x.chained(typ, p.Name, p, 0)
}

// MaxChain is how many references a chain may follow.
const MaxChain = 2

// chained reads the criterion that a name, the rest of p's, and p's value make
// (search.html#chaining).
func (x Index) chained(typ, name string, p Pair, depth int) (Condition, *Problem) {
	head, rest, chains := strings.Cut(name, ".")
	d, modifier, problem := x.parameter(typ, head, p.Name)
	if problem != nil {
		return Condition{}, problem
	}
	if p.Value == "" {
		return Condition{}, &Problem{Ignored, "informational",
			fmt.Sprintf("%s has no value (R4 search.html#errors)", shown(p.Name))}
	}
	if !chains {
		return x.simple(d, modifier, p)
	}
	target, problem := chainTarget(d, modifier, p.Name)
	switch {
	case problem != nil:
		return Condition{}, problem
	case depth == MaxChain:
		return Condition{}, refusal("too-costly", "%s chains further than is offered", p.Name)
	}
	of, problem := x.chained(target, rest, p, depth+1)
	return Condition{Param: d.Name, Kind: Reference, Chain: &Chain{Type: target, Of: of}}, problem
}

// parameter finds the definition that the head of a name means.
func (x Index) parameter(typ, head, whole string) (d *Definition, modifier string, _ *Problem) {
	name, modifier, modified := strings.Cut(head, ":")
	if d = x.find(typ, name); d == nil {
		return nil, "", &Problem{Unknown, "not-supported",
			fmt.Sprintf("%s is not a search parameter of %s here", shown(whole), cmp.Or(typ, "several types at once"))}
	}
	if modified && modifier == "" {
		return nil, "", noModifier(whole)
	}
	return d, modifier, nil
}

// chainTarget is the type that a chain goes on with: the only one that the
// parameter may refer to here, or the one that its modifier names.
func chainTarget(d *Definition, modifier, whole string) (string, *Problem) {
	if d.Kind != Reference || d.Element == "canonical" {
		return "", refusal("not-supported", "%s does not chain: its parameter is no reference", whole)
	}
	var here []string
	for _, t := range d.targets() {
		if slices.Contains(CareTypes(), t) {
			here = append(here, t)
		}
	}
	switch {
	case modifier == "" && len(here) == 1:
		return here[0], nil
	case modifier == "":
		return "", refusal("not-supported", "%s may refer to several types: name one, as in subject:Patient.identifier", whole)
	case slices.Contains(here, modifier):
		return modifier, nil
	}
	return "", noModifier(whole)
}

func refusal(code, format, name string) *Problem {
	return &Problem{Refused, code, fmt.Sprintf(format, shown(name))}
}

func noModifier(name string) *Problem {
	return refusal("not-supported", "modifier of %s is not offered", name)
}

// simple reads the criterion of one parameter.
func (x Index) simple(d *Definition, modifier string, p Pair) (Condition, *Problem) {
	c := Condition{Param: d.Name, Kind: d.Kind}
	as, asType := d, ""
	switch {
	case modifier == "":
	case modifier == "missing" && d.mayMiss():
		if p.Value != "true" && p.Value != "false" {
			return Condition{}, refusal("value", "%s must be true or false", p.Name)
		}
		c.Present, c.Not = true, p.Value == "true"
		return c, nil
	case modifier == "not" && d.Kind == Token:
		c.Not = true
	case (modifier == "exact" || modifier == "contains") && d.Kind == String:
	case modifier == "identifier" && d.Kind == Reference && d.Element != "canonical":
		c.Param, c.Kind = d.Name+identifierRows, Token
		as = &Definition{Kind: Token, Element: "Identifier"}
	case d.Kind == Reference && d.Element != "canonical" && slices.Contains(d.targets(), modifier):
		asType = modifier
	default:
		return Condition{}, noModifier(p.Name)
	}
	for _, part := range splitEscaped(p.Value, ',') {
		if err := x.value(&c, as, asType, part); err != nil {
			return Condition{}, &Problem{Refused, "value", fmt.Sprintf("%s: %s", shown(p.Name), err)}
		}
	}
	if modifier == "exact" || modifier == "contains" {
		c.modifyText(modifier, p.Value)
	}
	if c.Kind == String && slices.ContainsFunc(c.Any, func(a Alternative) bool { return a.Text == "" }) {
		return Condition{}, refusal("value", "%s: nothing to compare in the value", p.Name)
	}
	return c, nil
}

// mayMiss reports whether :missing is offered: on all but composites, for which R4
// has none (search.html#modifiers), and what every resource has.
func (d *Definition) mayMiss() bool {
	return d.Kind != Composite && d.Name != "_id" && d.Name != LastUpdatedName
}

// modifyText makes a condition on a string one to the letter, or one on any part
// of it.
func (c *Condition) modifyText(modifier, value string) {
	for i, raw := range splitEscaped(value, ',') {
		a := &c.Any[i]
		if modifier == "contains" {
			a.Contains = true
			continue
		}
		a.Exact = true
		a.Text, _ = unescape(raw) // it could be read before
	}
	if modifier == "exact" {
		c.Param += exactRows
	}
}

// value adds what one value of a list asks for.
func (x Index) value(c *Condition, d *Definition, asType, raw string) error {
	if d.Kind != Composite {
		as, err := x.alternatives(d, asType, raw)
		c.Any = append(c.Any, as...)
		return err
	}
	names, values := strings.Fields(d.Parts), splitEscaped(raw, '$')
	if len(values) != len(names) {
		return fault(fmt.Sprintf("%d values with $ between them are wanted", len(names)))
	}
	var all []Condition
	for i, name := range names {
		part := registry[d.Type][name]
		as, err := x.alternatives(part, "", values[i])
		if err != nil {
			return err
		}
		all = append(all, Condition{Param: part.Name, Kind: part.Kind, Any: as})
	}
	c.Either = append(c.Either, all)
	return nil
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

// Error is the text.
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
		return nil, err
	}
	switch d.Kind {
	case Reference:
		return x.referenceAlternatives(d, asType, v)
	case URI:
		return []Alternative{{Code: v}}, nil
	case String:
		return []Alternative{{Text: Fold(v)}}, nil
	case Date:
		a, err := x.dateAlternative(v)
		return []Alternative{a}, err
	case Quantity:
		a, err := quantityAlternative(raw)
		return []Alternative{a}, err
	}
	return nil, fault("kind of parameter not offered")
}

func tokenAlternative(d *Definition, raw string) (Alternative, error) {
	parts, err := unescapedParts(raw, '|')
	if err != nil {
		return Alternative{}, err
	}
	switch len(parts) {
	case 1:
		if d.Element == "boolean" && parts[0] != "true" && parts[0] != "false" {
			return Alternative{}, fault("must be true or false")
		}
		return Alternative{AnySystem: true, Code: d.cased(parts[0])}, nil
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
	prefix, rest := cutPrefix(v)
	i, err := parseInterval(rest, x.zone())
	if err != nil {
		return Alternative{}, fault("not a date as yyyy, yyyy-mm, yyyy-mm-dd or yyyy-mm-ddThh:mm[:ss][Z or offset, its + sent as %2B]")
	}
	if prefix == Ap {
		i = i.nearby()
	}
	return Alternative{Prefix: prefix, Lo: i.lo, Hi: i.hi}, nil
}

// quantityAlternative reads [prefix]number, number|system|code and number||code
// (search.html#quantity).
func quantityAlternative(raw string) (Alternative, error) {
	parts, err := unescapedParts(raw, '|')
	if err != nil {
		return Alternative{}, err
	}
	if len(parts) != 1 && len(parts) != 3 {
		return Alternative{}, fault("neither a number, nor number|system|code, nor number||code")
	}
	prefix, number := cutPrefix(parts[0])
	d, ok := parseNumber(number)
	if !ok {
		return Alternative{}, fault("not a number")
	}
	a := Alternative{Prefix: prefix, Number: numberKey(d)}
	if a.NumberLo, a.NumberHi = numberRange(number, d); prefix == Ap {
		a.NumberLo, a.NumberHi = numberNearby(d)
	}
	if len(parts) == 3 {
		if parts[2] == "" {
			return Alternative{}, fault("a system without a code of it")
		}
		a.System, a.Code, a.AnySystem = parts[1], parts[2], parts[1] == ""
	}
	return a, nil
}
