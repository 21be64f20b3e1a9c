package main

import (
	"context"
	"fmt"
	"maps"
	"slices"
	"strings"

	"nailbridge/conformance/oracles"
	"nailbridge/internal/spec"
	"nailbridge/internal/validate/defs"
	"nailbridge/internal/validate/jsontree"
)

// published are where the canonicals of R4's own definitions begin.
var published = []string{"http://hl7.org/fhir/", "http://terminology.hl7.org/"}

// registry is what our validator is to know: all definitions of R4 that the
// documents name, those that our table of R4 leaves out too. The Java validator
// holds them all, so what one of the two does not find is not there.
func registry(ctx context.Context, documents [][]byte) (*defs.Registry, error) {
	r, asked := defs.New(), map[string]bool{}
	for texts := documents; len(texts) > 0; {
		unknown := map[string]bool{}
		for _, t := range texts {
			tree, _, err := jsontree.Read(t)
			if err == nil { // what is no JSON names nothing
				canonicals(tree, func(url string) {
					unknown[url] = !asked[url] && !isKnown(r, url)
				})
			}
		}
		maps.DeleteFunc(unknown, func(_ string, is bool) bool { return !is })
		if len(unknown) == 0 {
			break
		}
		maps.Copy(asked, unknown)
		found, err := oracles.Lookup(ctx, slices.Sorted(maps.Keys(unknown)))
		if err != nil {
			return nil, err
		}
		for _, text := range found {
			if _, err := r.Add(text); err != nil {
				return nil, fmt.Errorf("a definition of R4: %w", err)
			}
		}
		texts = found
	}
	return r, nil
}

// isKnown reports a definition that our validator has without being given it.
func isKnown(r *defs.Registry, canonical string) bool {
	typ := strings.TrimPrefix(canonical, defs.Base)
	return r.Structure(canonical) != nil || r.IsSystem(canonical) || r.IsSet(canonical) || spec.R4().Named(typ) != 0
}

// canonicals gives every text of a document that may be a canonical of R4's.
func canonicals(tree any, give func(url string)) {
	switch v := tree.(type) {
	case map[string]any:
		for _, below := range v {
			canonicals(below, give)
		}
	case []any:
		for _, below := range v {
			canonicals(below, give)
		}
	case string:
		url, _, _ := strings.Cut(v, "|")
		if slices.ContainsFunc(published, func(base string) bool { return strings.HasPrefix(url, base) }) && !strings.ContainsAny(url, " \n") {
			give(url)
		}
	}
}
