package syntax

// Bounds on an expression, so that reading it takes a stated space.
const (
	// MaxLength is the longest source that is read, in bytes.
	MaxLength = 64 << 10
	// MaxDepth is how deep parentheses, arguments and signs may be nested.
	MaxDepth = 250
)

// Binding powers, from N1 6.8 (operator precedence); higher binds tighter.
var power = map[string]int{
	"implies": 1,
	"or":      2, "xor": 2,
	"and": 3,
	"in":  4, "contains": 4,
	"=": 5, "~": 5, "!=": 5, "!~": 5,
	"<": 6, "<=": 6, ">": 6, ">=": 6,
	"|":  7,
	"is": 8, "as": 8,
	"+": 9, "-": 9, "&": 9,
	"*": 10, "/": 10, "div": 10, "mod": 10,
}

const (
	polarity = 11
	postfix  = 12
)

// calendar lists the words for durations (N1 4.1.8).
var calendar = map[string]bool{
	"year": true, "month": true, "week": true, "day": true,
	"hour": true, "minute": true, "second": true, "millisecond": true,
	"years": true, "months": true, "weeks": true, "days": true,
	"hours": true, "minutes": true, "seconds": true, "milliseconds": true,
}

// reserved words are no identifiers unless in backticks (N1 10.5). The words
// is, as, in and contains may be identifiers where no operator can stand.
var reserved = map[string]bool{
	"and": true, "or": true, "xor": true, "implies": true,
	"div": true, "mod": true, "true": true, "false": true,
}

// Parse reads a whole expression. Its errors are of type *Error.
func Parse(src string) (Node, error) {
	if len(src) > MaxLength {
		return nil, &Error{Offset: MaxLength, Reason: "longer than 64 kB"}
	}
	p := &parser{lex: lexer{src: src}}
	if err := p.advance(); err != nil {
		return nil, err
	}
	n, err := p.expression(0)
	if err != nil {
		return nil, err
	}
	if p.tok.kind != end {
		return nil, p.fail("unexpected " + quote(p.tok))
	}
	return n, nil
}

type parser struct {
	lex   lexer
	tok   token
	depth int
}

func (p *parser) advance() (err error) {
	p.tok, err = p.lex.next()
	return err
}

func (p *parser) fail(reason string) error { return &Error{Offset: p.tok.offset, Reason: reason} }

func quote(t token) string {
	if t.kind == end {
		return "end"
	}
	if t.kind == text {
		return "a string"
	}
	return t.text
}

func (p *parser) is(s string) bool { return p.tok.kind == symbol && p.tok.text == s }

func (p *parser) expect(s string) error {
	if !p.is(s) {
		return p.fail("expected " + s + ", not " + quote(p.tok))
	}
	return p.advance()
}

// expression reads operators that bind tighter than min.
func (p *parser) expression(min int) (Node, error) {
	if p.depth++; p.depth > MaxDepth {
		return nil, p.fail("nested too deeply")
	}
	defer func() { p.depth-- }()
	left, err := p.prefix()
	for err == nil {
		op := p.tok
		if op.kind != symbol && op.kind != word {
			return left, nil
		}
		if op.kind == symbol && (op.text == "." || op.text == "[") {
			if postfix <= min {
				return left, nil
			}
			left, err = p.postfix(left)
			continue
		}
		bp := power[op.text]
		if bp <= min {
			return left, nil
		}
		left, err = p.infix(left, op, bp)
	}
	return nil, err
}

func (p *parser) infix(left Node, op token, bp int) (Node, error) {
	if err := p.advance(); err != nil {
		return nil, err
	}
	if op.text == "is" || op.text == "as" {
		typ, err := p.qualified()
		return &TypeOp{at(op.offset), op.text, left, typ}, err
	}
	right, err := p.expression(bp)
	return &Binary{at(op.offset), op.text, left, right}, err
}

func (p *parser) prefix() (Node, error) {
	if p.is("+") || p.is("-") {
		op := p.tok
		if err := p.advance(); err != nil {
			return nil, err
		}
		x, err := p.expression(polarity - 1)
		return &Unary{at(op.offset), op.text, x}, err
	}
	return p.term()
}

// postfix reads .member, .function() or [index].
func (p *parser) postfix(left Node) (Node, error) {
	open := p.tok
	if err := p.advance(); err != nil {
		return nil, err
	}
	if open.text == "." {
		return p.invocation(left)
	}
	index, err := p.expression(0)
	if err != nil {
		return nil, err
	}
	return &Indexer{at(open.offset), left, index}, p.expect("]")
}

// invocation reads what may follow a point (N1 grammar, rule invocation).
func (p *parser) invocation(on Node) (Node, error) {
	tok := p.tok
	switch {
	case tok.kind == special:
		return p.special(on)
	case tok.kind == delimited, tok.kind == word && !reserved[tok.text]:
	default:
		return nil, p.fail("expected a name, not " + quote(tok))
	}
	if err := p.advance(); err != nil {
		return nil, err
	}
	if !p.is("(") {
		return &Member{at(tok.offset), on, tok.text}, nil
	}
	args, err := p.arguments()
	return &Call{at(tok.offset), on, tok.text, args}, err
}

// special reads $this, $index or $total. After a point it stands for the same
// as without one.
func (p *parser) special(on Node) (Node, error) {
	tok := p.tok
	if on != nil || tok.text != "this" && tok.text != "index" && tok.text != "total" {
		return nil, p.fail("unexpected $" + tok.text)
	}
	return &Special{at(tok.offset), tok.text}, p.advance()
}

func (p *parser) arguments() ([]Node, error) {
	if err := p.advance(); err != nil {
		return nil, err
	}
	var args []Node
	if p.is(")") {
		return nil, p.advance()
	}
	for {
		arg, err := p.expression(0)
		if err != nil {
			return nil, err
		}
		args = append(args, arg)
		if !p.is(",") {
			return args, p.expect(")")
		}
		if err := p.advance(); err != nil {
			return nil, err
		}
	}
}

func (p *parser) term() (Node, error) {
	tok := p.tok
	switch {
	case p.is("("):
		if err := p.advance(); err != nil {
			return nil, err
		}
		n, err := p.expression(0)
		if err != nil {
			return nil, err
		}
		return n, p.expect(")")
	case p.is("{"):
		if err := p.advance(); err != nil {
			return nil, err
		}
		return &Literal{at: at(tok.offset), Kind: Empty}, p.expect("}")
	case p.is("%"):
		return p.variable()
	case tok.kind == word && (tok.text == "true" || tok.text == "false"):
		return &Literal{at: at(tok.offset), Kind: Boolean, Text: tok.text}, p.advance()
	case tok.kind == number:
		return p.number()
	}
	if lit, ok := tok.literal(); ok {
		return &Literal{at: at(tok.offset), Kind: lit, Text: tok.text}, p.advance()
	}
	return p.invocation(nil)
}

// literal is the kind of literal that a token makes by itself.
func (t token) literal() (LiteralKind, bool) {
	switch t.kind {
	case text:
		return String, true
	case date:
		return Date, true
	case dateTime:
		return DateTime, true
	case timeOfDay:
		return Time, true
	}
	return 0, false
}

// variable reads %name, %`name` or %'name'; the name stands right after the
// sign or after white space.
func (p *parser) variable() (Node, error) {
	at := at(p.tok.offset)
	if err := p.advance(); err != nil {
		return nil, err
	}
	if p.tok.kind != word && p.tok.kind != delimited && p.tok.kind != text {
		return nil, p.fail("expected the name of a variable")
	}
	return &Variable{at, p.tok.text}, p.advance()
}

// number reads a number, and a quantity if a unit follows.
func (p *parser) number() (Node, error) {
	lit := &Literal{at: at(p.tok.offset), Kind: Integer, Text: p.tok.text}
	for i := range len(lit.Text) {
		if lit.Text[i] == '.' {
			lit.Kind = Decimal
		}
	}
	if err := p.advance(); err != nil {
		return nil, err
	}
	if p.tok.kind == text {
		lit.Kind, lit.Unit = Quantity, p.tok.text
		return lit, p.advance()
	}
	if p.tok.kind == word && calendar[p.tok.text] {
		lit.Kind, lit.Unit, lit.Calendar = Quantity, p.tok.text, true
		return lit, p.advance()
	}
	return lit, nil
}

// qualified reads the name of a type: FHIR.Patient.
func (p *parser) qualified() ([]string, error) {
	var names []string
	for {
		if p.tok.kind != delimited && (p.tok.kind != word || reserved[p.tok.text]) {
			return nil, p.fail("expected the name of a type")
		}
		names = append(names, p.tok.text)
		if err := p.advance(); err != nil {
			return nil, err
		}
		if !p.is(".") {
			return names, nil
		}
		if err := p.advance(); err != nil {
			return nil, err
		}
	}
}
