package record

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"slices"

	"nailbridge/mapping/internal/rawjson"
)

// The ways in which bytes have no canonical form.
var (
	// ErrNotJSON says that the bytes are not one JSON value in UTF-8 within
	// MaxBytes and MaxDepth.
	ErrNotJSON = errors.New("not one JSON value")
	// ErrDuplicateMember says that an object has a member twice.
	ErrDuplicateMember = errors.New("a member occurs more than once in one object")
	// ErrNoCanonicalForm says that a number is beyond an IEEE 754 double, or
	// that a string has an unpaired surrogate (RFC 8785 sections 3.2.2.2 and
	// 3.2.2.3).
	ErrNoCanonicalForm = errors.New("a number or string that RFC 8785 cannot carry")
)

// Canonical is the canonical JSON of RFC 8785 of the value in b. The error is
// ErrNotJSON, ErrDuplicateMember or ErrNoCanonicalForm.
func Canonical(b []byte) ([]byte, error) {
	tree, err := parseUnique(b)
	if err != nil {
		return nil, err
	}
	out, exact := tree.Canonical()
	if !exact {
		return nil, ErrNoCanonicalForm
	}
	return out, nil
}

// ContentHash is the content hash of D1.1: SHA-256, in lower-case hex, of the
// canonical JSON of the record without its savedAt, and without what a conversion
// says of the row that it made the record of. It has an answer for all
// JSON that Decode does not refuse: where RFC 8785 has no form for a number or
// a string, its literal stands, which no canonical form can equal. The error is
// ErrNotJSON or ErrDuplicateMember; Decoded.Hash has an answer then too.
func ContentHash(b []byte) (string, error) {
	tree, err := parseUnique(b)
	if err != nil {
		return "", err
	}
	return hashOf(tree), nil
}

// hashOf is the content hash of a tree without duplicate members.
func hashOf(tree *rawjson.Node) string {
	content := *tree
	content.Members = slices.DeleteFunc(slices.Clone(tree.Members), func(m rawjson.Member) bool { return m.Name == "savedAt" || m.Name == "converted" })
	out, _ := content.Canonical()
	return hexSum(out)
}

func hexSum(b []byte) string {
	sum := sha256.Sum256(b)
	return hex.EncodeToString(sum[:])
}

// Encode writes r as JSON that Decode reads back to an equal record: members in
// the order and strings in the form of RFC 8785, while each number keeps its
// text, since 2.50 mL recorded is not 2.5. Canonical of it is RFC 8785 in full.
func Encode(r *Record) ([]byte, error) {
	var buf bytes.Buffer
	enc := json.NewEncoder(&buf)
	enc.SetEscapeHTML(false)
	if err := enc.Encode(r); err != nil {
		return nil, err
	}
	tree, err := parseUnique(buf.Bytes())
	if err != nil {
		return nil, err
	}
	return tree.Sorted(), nil
}

func parseUnique(b []byte) (*rawjson.Node, error) {
	tree, f := rawjson.Parse(b)
	if f != nil {
		return nil, ErrNotJSON
	}
	if len(tree.Duplicates()) > 0 {
		return nil, ErrDuplicateMember
	}
	return tree, nil
}
