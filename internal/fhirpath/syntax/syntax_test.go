package syntax

import (
	"fmt"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// show writes a tree with every grouping in parentheses.
func show(n Node) string {
	switch n := n.(type) {
	case nil:
		return ""
	case *Literal:
		if n.Kind == Empty {
			return "{}"
		}
		if n.Kind == Quantity {
			return fmt.Sprintf("<%s %s>", n.Text, n.Unit)
		}
		return n.Text
	case *Variable:
		return "%" + n.Name
	case *Special:
		return "$" + n.Name
	case *Member:
		return strings.TrimPrefix(show(n.On)+"."+n.Name, ".")
	case *Call:
		var args []string
		for _, a := range n.Args {
			args = append(args, show(a))
		}
		return strings.TrimPrefix(show(n.On)+"."+n.Name, ".") + "(" + strings.Join(args, ", ") + ")"
	case *Indexer:
		return show(n.On) + "[" + show(n.Index) + "]"
	case *Unary:
		return "(" + n.Op + show(n.X) + ")"
	case *Binary:
		return "(" + show(n.L) + " " + n.Op + " " + show(n.R) + ")"
	case *TypeOp:
		return "(" + show(n.X) + " " + n.Op + " " + strings.Join(n.Type, ".") + ")"
	}
	return "?"
}

// N1 6.8: operator precedence; operators of one level group from the left.
func TestPrecedence(t *testing.T) {
	for src, want := range map[string]string{
		"1+2*3+4":                        "((1 + (2 * 3)) + 4)",
		"-a.b()":                         "(-a.b())",
		"-1 + 2":                         "((-1) + 2)",
		"1 > 2 is Boolean":               "(1 > (2 is Boolean))",
		"1 | 1 is Integer":               "(1 | (1 is Integer))",
		"a and b in c | d":               "(a and (b in (c | d)))",
		"a or b and c implies d":         "((a or (b and c)) implies d)",
		"a implies b implies c":          "((a implies b) implies c)",
		"a = b != c":                     "((a = b) != c)",
		"a & b + c":                      "((a & b) + c)",
		"x[1+1].y":                       "x[(1 + 1)].y",
		"a as FHIR.Quantity":             "(a as FHIR.Quantity)",
		"(a as Quantity).value":          "(a as Quantity).value",
		"4 days.x()":                     "<4 days>.x()",
		"1.x()":                          "1.x()",
		"1.5.x()":                        "1.5.x()",
		"2.0 'cm' * 2":                   "(<2.0 cm> * 2)",
		"contains.as.is.in":              "contains.as.is.in",
		"a.where($this in %`vs-x` | {})": "a.where(($this in (%vs-x | {})))",
		"@2015T - 1 year":                "(2015T - <1 year>)",
		"@2015-01-01T10:00Z.a":           "2015-01-01T10:00Z.a",
		"a /* c */ + // d\n b":           "(a + b)",
		"`div`.`a\\`b`":                  "div.a`b",
		"iif(a, b)":                      "iif(a, b)",
		"today()":                        "today()",
	} {
		n, err := Parse(src)
		if assert.NoError(t, err, src) {
			assert.Equal(t, want, show(n), src)
		}
	}
}

// N1 4.1.2: escapes, and backslashes that are none.
func TestStrings(t *testing.T) {
	for src, want := range map[string]string{
		`'a\'b'`:                             "a'b",
		`'\\\/\f\r\n\t\"\` + "`" + `\u002a'`: "\\/\f\r\n\t\"`*",
		`'\p'`:                               "p",
		`'\\p'`:                              `\p`,
		`'\3'`:                               "3",
		`'\u005'`:                            "u005",
		`'\uD83D\uDD25'`:                     "🔥",
		`'\uD83D'`:                           "\uFFFD",
		`'ünï'`:                              "ünï",
	} {
		n, err := Parse(src)
		if assert.NoError(t, err, src) {
			assert.Equal(t, want, n.(*Literal).Text, src)
		}
	}
}

func TestErrors(t *testing.T) {
	for src, offset := range map[string]int{
		"":                               0,
		"2 + 2 /":                        7,
		"2 /* x":                         2,
		"a.":                             2,
		"a b":                            2,
		"'a":                             0,
		"a..b":                           2,
		"(a":                             2,
		"a)":                             1,
		"a[1":                            3,
		"f(a,)":                          4,
		"$other":                         0,
		"a.$this":                        2,
		"#":                              0,
		"div":                            0,
		"a.and":                          2,
		"1 is":                           4,
		"@20":                            0,
		"@T":                             0,
		"@T14:34:28Z.a":                  10,
		"%":                              1,
		"'\xff'":                         0,
		strings.Repeat("(", MaxDepth+1):  MaxDepth,
		strings.Repeat("-", MaxDepth+1):  MaxDepth,
		strings.Repeat("a", MaxLength+1): MaxLength,
	} {
		_, err := Parse(src)
		require.ErrorIs(t, err, ErrSyntax, "%.20q", src)
		assert.Equal(t, offset, err.(*Error).Offset, "%.20q: %v", src, err)
	}
}

func FuzzParse(f *testing.F) {
	for _, s := range []string{"a.b(c, 1 'mg')[0] | {} is X.`y`", "@2015-01-01T10:00:00.1Z", "-1 & '\\u00e9'", "%`a` implies $this"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, src string) {
		if n, err := Parse(src); err == nil {
			show(n)
		}
	})
}
