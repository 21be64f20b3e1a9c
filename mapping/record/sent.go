package record

import (
	"slices"
	"strconv"
	"strings"

	"nailbridge/mapping/internal/rawjson"
)

// noteSent gives each finding from the ith on the hash of what it rests on: the
// value at its place or, where members contradict one another, the object that
// holds them. A flag made of the finding is then one that a change of anything
// else leaves as it is (D1.3).
func (d *Decoded) noteSent(i int) {
	for ; d.tree != nil && i < len(d.Findings); i++ {
		f := &d.Findings[i]
		at := f.Pointer
		switch f.Code {
		case "unknown-member":
			continue
		case "contradiction":
			at = at[:strings.LastIndexByte(at, '/')]
		}
		if n := valueAt(d.tree, at); n != nil {
			f.Sent = hexSum(n.Sorted())
		}
	}
}

// valueAt is the value at an RFC 6901 pointer, the last of members of one name;
// nil for none.
func valueAt(n *rawjson.Node, pointer string) *rawjson.Node {
	if pointer == "" {
		return n
	}
	for _, token := range strings.Split(pointer[1:], "/") {
		token = strings.NewReplacer("~1", "/", "~0", "~").Replace(token)
		var next *rawjson.Node
		if i, err := strconv.Atoi(token); n.Kind == rawjson.Array && err == nil && i >= 0 && i < len(n.Elems) {
			next = n.Elems[i]
		}
		for _, m := range slices.Backward(n.Members) {
			if next == nil && rawjson.Plain(m.Name) == token {
				next = m.Value
			}
		}
		if next == nil {
			return nil
		}
		n = next
	}
	return n
}
