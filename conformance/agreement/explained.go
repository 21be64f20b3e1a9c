package main

import "strings"

// explanation says why verdicts on mutants are not those wanted, of one pattern
// and no other: of a kind, at a place, with one verdict each.
type explanation struct {
	kind       string
	place      string // beginning of the mutant's place; "" for anywhere
	ours, java string // the key of the first error that each finds, or "valid"
	why        string // quotes the standard
	section    string // where it says so
}

const valid = "valid"

func (e explanation) fits(m mutant, p pair) bool {
	return e.kind == m.kind && strings.HasPrefix(m.place, e.place) && p.ours.is(e.ours) && p.java.is(e.java)
}

// is compares a verdict with a key, or with "valid".
func (v verdict) is(key string) bool {
	if v.valid() {
		return key == valid
	}
	return v.key == key
}

// explanationOf is the one that fits, or nil.
func explanationOf(m mutant, p pair) *explanation {
	for i := range explanations {
		if explanations[i].fits(m, p) {
			return &explanations[i]
		}
	}
	return nil
}

var explanations = []explanation{}
