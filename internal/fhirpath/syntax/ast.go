// Package syntax reads FHIRPath 2.0 (the Normative Release,
// http://hl7.org/fhirpath/N1) into a tree. It knows the grammar and nothing of
// types, functions or data.
package syntax

import (
	"errors"
	"fmt"
)

// ErrSyntax is met by every error of Parse.
var ErrSyntax = errors.New("not a FHIRPath expression")

// Error is a fault of an expression at a place in it.
type Error struct {
	Offset int // in bytes from the start
	Reason string
}

// Error names the place and the reason.
func (e *Error) Error() string { return fmt.Sprintf("at offset %d: %s", e.Offset, e.Reason) }

// Is lets errors.Is(err, ErrSyntax) hold.
func (e *Error) Is(target error) bool { return target == ErrSyntax }

// Node is one node of the tree.
type Node interface {
	// Offset is the place of the node's own token, in bytes from the start.
	Offset() int
}

type at int

// Offset is the place in the source.
func (a at) Offset() int { return int(a) }

// LiteralKind says how the text of a literal is to be read.
type LiteralKind uint8

// The kinds of literals (N1 4.1).
const (
	Empty LiteralKind = iota // {}
	Boolean
	String
	Integer
	Decimal
	Date
	DateTime
	Time
	Quantity
)

// Literal is a constant. Text is the unescaped string, or the digits, or the
// date without its @, or true or false.
type Literal struct {
	at
	Kind LiteralKind
	Text string
	// Unit of a quantity: a UCUM code, or a word such as "days" if Calendar.
	Unit     string
	Calendar bool
}

// Variable is an environment variable %name (N1 7).
type Variable struct {
	at
	Name string
}

// Special is $this, $index or $total.
type Special struct {
	at
	Name string // without the dollar
}

// Member is the child of On with a name. On is nil at the start of a path.
type Member struct {
	at
	On   Node
	Name string
}

// Call is a function invocation. On is nil at the start of a path.
type Call struct {
	at
	On   Node
	Name string
	Args []Node
}

// Indexer is On[Index].
type Indexer struct {
	at
	On, Index Node
}

// Unary is the polarity operator + or -.
type Unary struct {
	at
	Op string
	X  Node
}

// Binary is an operator between two expressions: one of
// * / div mod + - & | <= < > >= = ~ != !~ in contains and or xor implies.
type Binary struct {
	at
	Op   string
	L, R Node
}

// TypeOp is "X is Type" or "X as Type".
type TypeOp struct {
	at
	Op   string
	X    Node
	Type []string // a qualified identifier
}
