package fhirpath

import (
	"fmt"
	"strconv"

	"nailbridge/internal/fhirpath/syntax"
	"nailbridge/internal/fhirpath/temporal"
	"nailbridge/internal/fhirpath/value"
	"nailbridge/internal/spec"
)

// compiler turns a syntax tree into expressions.
type compiler struct{ program *Program }

// compile gives the expression of a node; nil is the start of a path, $this.
func (c *compiler) compile(n syntax.Node) (expr, error) {
	switch n := n.(type) {
	case nil:
		return this{}, nil
	case *syntax.Literal:
		return c.literal(n)
	case *syntax.Special:
		return special(n.Name), nil
	case *syntax.Variable:
		return c.variable(n)
	case *syntax.Member:
		return c.member(n)
	case *syntax.Call:
		return c.call(n)
	case *syntax.Indexer:
		on, index, err := c.both(n.On, n.Index)
		return &indexer{n, on, index}, err
	case *syntax.Unary:
		x, err := c.compile(n.X)
		return &negation{n, x}, err
	case *syntax.Binary:
		return c.binary(n)
	case *syntax.TypeOp:
		return c.typeOp(n, n.Op, n.X, n.Type)
	}
	return nil, fmt.Errorf("fhirpath: unknown node %T", n)
}

func (c *compiler) both(a, b syntax.Node) (x, y expr, err error) {
	if x, err = c.compile(a); err != nil {
		return nil, nil, err
	}
	y, err = c.compile(b)
	return x, y, err
}

func reject(n syntax.Node, format string, args ...any) error {
	return fmt.Errorf("fhirpath: %w", &syntax.Error{Offset: n.Offset(), Reason: fmt.Sprintf(format, args...)})
}

func (c *compiler) binary(n *syntax.Binary) (expr, error) {
	l, r, err := c.both(n.L, n.R)
	if err != nil {
		return nil, err
	}
	switch n.Op {
	case "and", "or", "xor", "implies":
		return &logic{n, l, r}, nil
	case "=", "!=", "~", "!~":
		return &equality{n, l, r}, nil
	case "<", "<=", ">", ">=":
		return &comparison{n, l, r}, nil
	case "in":
		return &membership{n, l, r}, nil
	case "contains":
		return &membership{n, r, l}, nil
	case "|":
		return &union{n, l, r}, nil
	}
	return &arithmetic{n, l, r}, nil
}

func (c *compiler) typeOp(at syntax.Node, op string, x syntax.Node, names []string) (expr, error) {
	on, err := c.compile(x)
	if err != nil {
		return nil, err
	}
	t, err := c.program.typeSpec(names)
	if err != nil {
		return nil, reject(at, "%v", err)
	}
	if op == "is" {
		return &isOp{at, on, t}, nil
	}
	return &asOp{at, on, t, op == "ofType" || c.program.filter}, nil
}

// constant is a literal, or the empty collection.
type constant []Item

func (e constant) eval(m *machine, _ *frame, out []Item) ([]Item, error) {
	if err := m.step(1); err != nil || len(e) == 0 {
		return out, err
	}
	return m.emit(out, e[0]), nil
}

func (c *compiler) literal(n *syntax.Literal) (expr, error) {
	it, ok := literal(n)
	if !ok {
		return nil, reject(n, "a constant that does not exist or is out of range")
	}
	if it.Kind == none {
		return constant{}, nil
	}
	return constant{it}, nil
}

// literal reads constants (N1 4.1).
func literal(n *syntax.Literal) (Item, bool) {
	var v temporal.Value
	var ok bool
	switch n.Kind {
	case syntax.Empty:
		return Item{}, true
	case syntax.Boolean:
		return value.Boolean(n.Text == "true"), true
	case syntax.String:
		return value.String(n.Text), true
	case syntax.Integer:
		i, err := strconv.ParseInt(n.Text, 10, 32)
		return Item{Kind: integer, Int: i}, err == nil
	case syntax.Decimal:
		d, ok := value.ParseDecimal(n.Text)
		return value.Decimal(d), ok
	case syntax.Quantity:
		d, ok := value.ParseDecimal(n.Text)
		return value.NewQuantity(d, n.Unit, n.Calendar), ok
	case syntax.Date:
		v, ok = temporal.ParseDate(n.Text)
	case syntax.DateTime:
		v, ok = temporal.ParseDateTime(n.Text)
	case syntax.Time:
		v, ok = temporal.ParseTime(n.Text)
	}
	return value.Temporal(v), ok
}

// this is $this and the start of every path.
type this struct{}

func (this) eval(m *machine, f *frame, out []Item) ([]Item, error) {
	if f.this.Kind == none {
		return out, nil
	}
	return m.emit(out, f.this), nil
}

// special is $this, $index or $total.
type special string

func (e special) eval(m *machine, f *frame, out []Item) ([]Item, error) {
	switch e {
	case "this":
		return this{}.eval(m, f, out)
	case "index":
		return m.emit(out, Item{Kind: integer, Int: int64(f.index)}), nil
	}
	for _, it := range f.total {
		out = m.emit(out, it)
	}
	return out, nil
}

// memberOf is a step of a path (N1 3).
type memberStep struct {
	on   expr // nil at the start
	name string
}

func (e *memberStep) eval(m *machine, f *frame, out []Item) ([]Item, error) {
	if err := m.step(1); err != nil {
		return out, err
	}
	if e.on == nil {
		return m.child(&f.this, e.name, out), nil
	}
	list, err := m.collect(e.on, f)
	if err != nil {
		return out, err
	}
	for i := range list {
		out = m.child(&list[i], e.name, out)
	}
	m.release(list)
	return out, nil
}

// rootStep is a type name at the start of a path: the context if it is of that
// type (N1 3), else what an element of that name holds.
type rootStep struct {
	typ  spec.TypeID
	name string
}

func (e *rootStep) eval(m *machine, f *frame, out []Item) ([]Item, error) {
	if f.this.Kind == node && m.tree.Model.Is(f.this.Type, e.typ) {
		return m.emit(out, f.this), m.step(1)
	}
	return m.child(&f.this, e.name, out), m.step(1)
}

func (c *compiler) member(n *syntax.Member) (expr, error) {
	if n.On != nil {
		on, err := c.compile(n.On)
		return &memberStep{on, n.Name}, err
	}
	// The names of primitive types are names of elements too: code, date.
	if t := c.program.tree.Model.Type(c.program.tree.Model.Named(n.Name)); t != nil && t.Kind != spec.Primitive {
		return &rootStep{t.ID, n.Name}, nil
	}
	return &memberStep{nil, n.Name}, nil
}

// variable is an environment variable (N1 7, R4 fhirpath.html).
type variable struct {
	node *syntax.Variable
	name string
}

// urls are the variables that stand for a URL.
var urls = map[string]string{
	"sct": "http://snomed.info/sct", "loinc": "http://loinc.org", "ucum": "http://unitsofmeasure.org",
}

const (
	valueSetBase  = "http://hl7.org/fhir/ValueSet/"
	extensionBase = "http://hl7.org/fhir/StructureDefinition/"
)

func (c *compiler) variable(n *syntax.Variable) (expr, error) {
	if url, ok := urls[n.Name]; ok {
		return constant{value.String(url)}, nil
	}
	if len(n.Name) > 3 && n.Name[:3] == "vs-" {
		return constant{value.String(valueSetBase + n.Name[3:])}, nil
	}
	if len(n.Name) > 4 && n.Name[:4] == "ext-" {
		return constant{value.String(extensionBase + n.Name[4:])}, nil
	}
	return &variable{n, n.Name}, nil
}

func (e *variable) eval(m *machine, _ *frame, out []Item) ([]Item, error) {
	if err := m.step(1); err != nil {
		return out, err
	}
	var it Item
	switch e.name {
	case "context":
		it = m.context
	case "resource":
		it = m.resource
	case "rootResource":
		it = m.container
	default:
		items, ok := m.env.Vars[e.name]
		if !ok {
			return out, fault(e.node, "variable", fmt.Errorf("it is not defined"))
		}
		for _, it := range items {
			out = m.emit(out, it)
		}
		return out, nil
	}
	if it.Kind == none {
		return out, nil
	}
	return m.emit(out, it), nil
}
