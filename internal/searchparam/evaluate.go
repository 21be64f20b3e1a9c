package searchparam

import (
	"fmt"
	"strings"
	"unicode"

	"nailbridge/internal/fhirpath"
	"nailbridge/internal/fhirpath/value"
	"nailbridge/internal/spec"
)

// mustCompile compiles an expression of our tables. One that cannot be compiled
// is a fault of the program, found by every test of the package.
func mustCompile(expression string) *fhirpath.Program {
	p, err := fhirpath.Compile(expression, fhirpath.Options{AsFilters: true})
	if err != nil {
		panic(fmt.Sprintf("searchparam: expression %q: %v", expression, err))
	}
	return p
}

// byType resolves a reference to no more than the type that it names, which is
// all that the standard's expressions ask of what is referred to: an index must
// not depend on what else is stored.
type byType struct{}

// Resolve gives a resource of the type that the reference names, and nothing else of it.
func (byType) Resolve(reference string) (map[string]any, bool) {
	t := referenceType(reference)
	return map[string]any{"resourceType": t}, t != ""
}

// values gives the JSON values that an expression finds in a resource.
func (d *Definition) values(tree map[string]any) ([]any, error) {
	items, err := d.program.Eval(&fhirpath.Env{Resolver: byType{}}, fhirpath.Node(tree, spec.None))
	if err != nil {
		return nil, fmt.Errorf("search parameter %s of %s: %w", d.Name, d.Type, err)
	}
	var out []any
	for _, it := range items {
		switch {
		case it.Kind == value.Booleans: // computed, as by exists()
			out = append(out, it.Int == 1)
		case it.Val != nil: // else a primitive that has extensions alone
			out = append(out, it.Val)
		}
	}
	return out, nil
}

// referenceType gives the type that a literal reference names, "" when it
// names none (references.html#literal): [base/]Type/id[/_history/version].
func referenceType(ref string) string {
	ref, _, _ = strings.Cut(ref, "/_history/")
	parts := strings.Split(ref, "/")
	if len(parts) < 2 {
		return ""
	}
	t := parts[len(parts)-2]
	if t == "" || !unicode.IsUpper(rune(t[0])) {
		return ""
	}
	return t
}
