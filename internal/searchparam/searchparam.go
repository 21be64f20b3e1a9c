// Package searchparam knows the search parameters offered on /fhir: per
// resource type the name, the kind and where its values stand. It makes index
// rows from a resource and conditions from a query (R4 search.html).
//
// The tables hold R4's own names, kinds and expressions; the walk that finds
// the values reads those same expressions. Nothing is offered that is not
// searched: a modifier, prefix or chain outside this package is a problem of
// the query, never silently dropped (D8.1). Values of a query are never
// repeated in the text of a problem.
package searchparam

import "time"

// Kind is the search parameter type of R4 search.html.
type Kind string

// The kinds offered.
const (
	Token     Kind = "token"
	Reference Kind = "reference"
	Date      Kind = "date"
	String    Kind = "string"
	URI       Kind = "uri"
	Quantity  Kind = "quantity"
	Composite Kind = "composite"
)

// Row is one index row of one parameter of one resource. Only the members of
// its kind are set. A parameter may have rows beside those of its own name, for
// its modifiers (name:exact, name:identifier and name:present) and to sort by
// (name:sorted).
type Row struct {
	Param  string
	Kind   Kind
	System string    // token: system; quantity: unit system
	Code   string    // token: code; reference: "Type/id" or absolute URL; uri; quantity: unit code
	Text   string    // string: folded for comparison
	Lo, Hi time.Time // date: the interval covered, Hi exclusive; zero: open
	Number string    // quantity: the value's key (NumberKey)
	Unit   string    // quantity: the unit in words
}

// Prefix is a comparison prefix of R4 search.html.
type Prefix string

// The prefixes offered for dates and quantities.
const (
	Eq Prefix = "eq"
	Ne Prefix = "ne"
	Gt Prefix = "gt"
	Lt Prefix = "lt"
	Ge Prefix = "ge"
	Le Prefix = "le"
	Sa Prefix = "sa"
	Eb Prefix = "eb"
	Ap Prefix = "ap"
)

// Prefixes are all of them.
var Prefixes = []Prefix{Eq, Ne, Gt, Lt, Ge, Le, Sa, Eb, Ap}

// Condition is one criterion: it holds when any of its alternatives does.
// Exactly one of Any, Present, Chain and Either is set.
type Condition struct {
	Param string
	Kind  Kind
	Any   []Alternative
	// Present: there is a value at all, whatever it is.
	Present bool
	// Chain: the parameter refers to a resource that meets a condition.
	Chain *Chain
	// Either: one of these holds whole, each condition of it.
	Either [][]Condition
	// Not: it does not hold, as without a value (:not, :missing=true).
	Not bool
}

// Chain is a condition on the resource of one type that is referred to.
type Chain struct {
	Type string
	Of   Condition
}

// Alternative is one comma-separated value of a criterion. Condition.Holds
// says exactly which rows each kind matches.
type Alternative struct {
	// AnySystem: a token without "|"; NoSystem: "|code"; else System, where
	// an empty Code ("system|") means any code of that system.
	AnySystem, NoSystem bool
	System, Code        string
	Text                string
	// Contains: the text stands anywhere in the value; Exact: it is the value,
	// to the letter.
	Contains, Exact bool
	Prefix          Prefix
	Lo, Hi          time.Time // of ap: what is approximately the date
	// Of a quantity: the number as its key, the range that its digits stand for
	// (from NumberLo up to and without NumberHi), and the unit, by system and
	// code, or with AnySystem by a code or a name.
	Number, NumberLo, NumberHi string
}
