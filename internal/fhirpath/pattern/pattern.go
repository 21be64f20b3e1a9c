// Package pattern compiles the regular expressions of FHIRPath (N1 5.6.9): case
// counts, '.' matches line ends too, Unicode is allowed. It takes those that Go
// has, which match in time that grows with the text.
package pattern

import (
	"errors"
	"regexp"
	"regexp/syntax"
	"strings"
	"sync"
)

// Errors of Compile.
var (
	ErrUnreadable = errors.New("a regular expression that cannot be read")
	ErrTooLarge   = errors.New("a regular expression that is too large")
)

// maxSize bounds the program of a regular expression, in instructions.
const maxSize = 20_000

// maxKept bounds how many are kept.
const maxKept = 500

// Pattern is a compiled regular expression. Matching n bytes takes at most about
// n times Size instructions.
type Pattern struct {
	*regexp.Regexp
	Size int
}

// kept holds compiled patterns: expressions are few, and each is used for many
// strings.
var kept struct {
	sync.RWMutex
	byText map[string]Pattern
}

// Compile gives the pattern of an expression; fresh tells that it was compiled
// now and not before, at a cost that grows with Size.
func Compile(expression string) (p Pattern, fresh bool, err error) {
	kept.RLock()
	p, ok := kept.byText[expression]
	kept.RUnlock()
	if ok {
		return p, false, nil
	}
	tree, err := syntax.Parse(expression, syntax.Perl|syntax.DotNL)
	if err != nil {
		return Pattern{}, true, ErrUnreadable
	}
	// Repetitions make programs many times the size of their text.
	if p.Size = programSize(tree); p.Size > maxSize {
		return Pattern{}, true, ErrTooLarge
	}
	if p.Regexp, err = regexp.Compile("(?s)" + expression); err != nil {
		return Pattern{}, true, ErrUnreadable
	}
	kept.Lock()
	if kept.byText == nil || len(kept.byText) >= maxKept {
		kept.byText = map[string]Pattern{}
	}
	kept.byText[strings.Clone(expression)] = p
	kept.Unlock()
	return p, true, nil
}

// programSize estimates the instructions of a regular expression, up to a
// little more than maxSize.
func programSize(re *syntax.Regexp) int {
	size := 2 + len(re.Rune)
	for _, sub := range re.Sub {
		if size += programSize(sub); size > maxSize {
			return size
		}
	}
	if re.Op == syntax.OpRepeat {
		size *= max(re.Min, re.Max, 1) + 1
	}
	return size
}
