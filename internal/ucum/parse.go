package ucum

import (
	"fmt"
	"math/big"
	"strconv"
	"strings"
	"sync"
)

// Bounds on what is read, far above any unit in use, so that no code can make
// numbers that take long to multiply.
const (
	maxLength = 200
	maxPower  = 40
	maxDigits = 30
	maxBits   = 4096 // of the numerator and denominator of a unit's size
)

// parsed holds units already read, by code; codes in use are few.
var parsed struct {
	sync.RWMutex
	units map[string]Unit
}

// maxParsed bounds the units that are held.
const maxParsed = 2000

// Parse reads a UCUM code such as "mg/dL", "10*9/L" or "m[H2O]{gauge}", by
// the grammar of UCUM 14. Annotations (UCUM 6) are read and dropped.
func Parse(code string) (Unit, error) {
	parsed.RLock()
	u, ok := parsed.units[code]
	parsed.RUnlock()
	if ok {
		return u, nil
	}
	u, err := parse(code)
	if err != nil {
		return Unit{}, err
	}
	parsed.Lock()
	if parsed.units == nil || len(parsed.units) >= maxParsed {
		parsed.units = map[string]Unit{}
	}
	parsed.units[strings.Clone(code)] = u
	parsed.Unlock()
	return u, nil
}

func parse(code string) (Unit, error) {
	if code == "" || len(code) > maxLength {
		return Unit{}, fmt.Errorf("%w: empty or longer than %d characters", ErrSyntax, maxLength)
	}
	p := parser{rest: code, table: load()}
	u, err := p.mainTerm()
	if err == nil && p.rest != "" {
		err = fmt.Errorf("%w: unexpected %q", ErrSyntax, p.rest[:1])
	}
	return u, err
}

type parser struct {
	rest  string
	table *table
	depth int
}

// mainTerm reads '/' term | term.
func (p *parser) mainTerm() (Unit, error) {
	if p.take('/') {
		return p.term(One(), -1)
	}
	return p.term(One(), 1)
}

// term reads the components of a term; each is multiplied to, or by sign
// divides, what stands before it.
func (p *parser) term(before Unit, sign int) (Unit, error) {
	for {
		c, err := p.component()
		if err != nil {
			return Unit{}, err
		}
		if before, err = before.join(c, sign); err != nil {
			return Unit{}, err
		}
		switch {
		case p.take('.'):
			sign = 1
		case p.take('/'):
			sign = -1
		default:
			return before, nil
		}
	}
}

// join combines c with u as Mul and Div do, but lets a unit on a scale of its
// own stand alone or after a number.
func (u Unit) join(c Unit, sign int) (Unit, error) {
	if c.scale == nil && u.scale == nil {
		return u.combine(c, sign)
	}
	if c.scale != nil && sign > 0 && len(u.whole) == 0 && len(u.own) == 0 && u.scale == nil {
		c.times = new(big.Rat).Mul(u.plain, c.times)
		c.size = new(big.Rat).Mul(u.plain, c.size)
		c.plain = u.plain
		return c, nil
	}
	return Unit{}, fmt.Errorf("%w: it stands with others", ErrScale)
}

// component reads a simple unit with its power, a number, an annotation or a
// term in parentheses.
func (p *parser) component() (Unit, error) {
	if p.take('(') {
		if p.depth++; p.depth > 20 {
			return Unit{}, fmt.Errorf("%w: nested too deeply", ErrSyntax)
		}
		u, err := p.mainTerm()
		if err != nil {
			return Unit{}, err
		}
		if !p.take(')') {
			return Unit{}, fmt.Errorf("%w: missing )", ErrSyntax)
		}
		p.depth--
		_, err = p.annotation()
		return u, err
	}
	word, err := p.word()
	if err != nil {
		return Unit{}, err
	}
	noted, err := p.annotation()
	if err != nil {
		return Unit{}, err
	}
	if word == "" {
		if !noted {
			return Unit{}, fmt.Errorf("%w: a unit is missing", ErrSyntax)
		}
		return One(), nil
	}
	return p.table.simple(word)
}

// word takes everything up to the next operator, parenthesis or annotation;
// what stands in brackets belongs to the word.
func (p *parser) word() (string, error) {
	inside := false
	for i := 0; i < len(p.rest); i++ {
		switch c := p.rest[i]; {
		case c < 33 || c > 126:
			return "", fmt.Errorf("%w: a character that is no visible ASCII", ErrSyntax)
		case c == '[':
			inside = true
		case c == ']':
			inside = false
		case !inside && strings.IndexByte("./(){}", c) >= 0:
			word := p.rest[:i]
			p.rest = p.rest[i:]
			return word, nil
		}
	}
	word := p.rest
	p.rest = ""
	return word, nil
}

func (p *parser) annotation() (bool, error) {
	if !p.take('{') {
		return false, nil
	}
	end := strings.IndexByte(p.rest, '}')
	if end < 0 {
		return false, fmt.Errorf("%w: missing }", ErrSyntax)
	}
	for i := range end {
		if c := p.rest[i]; c < 32 || c > 126 || c == '{' {
			return false, fmt.Errorf("%w: a character not allowed in an annotation", ErrSyntax)
		}
	}
	p.rest = p.rest[end+1:]
	return true, nil
}

func (p *parser) take(c byte) bool {
	if p.rest == "" || p.rest[0] != c {
		return false
	}
	p.rest = p.rest[1:]
	return true
}

// simple reads a number, or an atom with perhaps a prefix and a power.
func (t *table) simple(word string) (Unit, error) {
	if isDigits(word) {
		if len(word) > maxDigits {
			return Unit{}, fmt.Errorf("%w: a number longer than %d digits", ErrSyntax, maxDigits)
		}
		n, _ := new(big.Rat).SetString(word)
		if n.Sign() == 0 {
			return Unit{}, fmt.Errorf("%w: a factor of zero", ErrSyntax)
		}
		return Unit{size: n, plain: n}, nil
	}
	symbol, power, err := splitPower(word)
	if err != nil {
		return Unit{}, err
	}
	prefix, a := t.find(symbol)
	if a == nil {
		return Unit{}, fmt.Errorf("%w: %q", ErrUnknown, word)
	}
	if a.scaled {
		if power != 1 {
			return Unit{}, fmt.Errorf("%w: it has a power", ErrScale)
		}
		one := big.NewRat(1, 1)
		u := Unit{size: a.size, dims: a.dims, scale: a, times: one, plain: one, whole: []factor{{symbol, 1}}}
		if prefix != nil {
			u.times, u.size = prefix, new(big.Rat).Mul(prefix, a.size)
		}
		return u, nil
	}
	u := Unit{plain: big.NewRat(1, 1), size: raise(a.size, power), whole: []factor{{symbol, power}}}
	if prefix != nil {
		u.size = new(big.Rat).Mul(u.size, raise(prefix, power))
	}
	for i := range u.dims {
		u.dims[i] = a.dims[i] * power
	}
	for _, f := range a.own {
		u.own = append(u.own, factor{f.symbol, f.power * power})
	}
	if power == 0 {
		return One(), nil
	}
	return u, nil
}

// splitPower takes the trailing power of a word: "s-1" is "s" and -1, while
// "10*" and "cal_[15]" have the power 1.
func splitPower(word string) (string, int, error) {
	i := len(word)
	for i > 0 && word[i-1] >= '0' && word[i-1] <= '9' {
		i--
	}
	if i == len(word) || i == 0 {
		return word, 1, nil
	}
	digits := i
	if word[i-1] == '-' || word[i-1] == '+' {
		i--
	}
	if len(word)-digits > 3 {
		return "", 0, fmt.Errorf("%w: a power beyond %d", ErrSyntax, maxPower)
	}
	n, err := strconv.Atoi(word[i:])
	if err != nil || n > maxPower || n < -maxPower || i == 0 {
		return "", 0, fmt.Errorf("%w: a power beyond %d", ErrSyntax, maxPower)
	}
	return word[:i], n, nil
}

func isDigits(s string) bool {
	for i := range len(s) {
		if s[i] < '0' || s[i] > '9' {
			return false
		}
	}
	return s != ""
}

// raise is r to the power n.
func raise(r *big.Rat, n int) *big.Rat {
	if n == 1 {
		return r
	}
	abs := n
	if abs < 0 {
		abs = -abs
	}
	e := big.NewInt(int64(abs))
	num := new(big.Int).Exp(r.Num(), e, nil)
	den := new(big.Int).Exp(r.Denom(), e, nil)
	if n < 0 {
		num, den = den, num
	}
	return new(big.Rat).SetFrac(num, den)
}
