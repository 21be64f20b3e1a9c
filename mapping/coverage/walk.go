package coverage

import (
	"maps"
	"slices"
	"strings"
)

// Walk calls fn with the FHIR path of each element of a resource, the resource
// itself first and members in the order of their names. An element that holds
// others has a nil value; the members of a primitive's "_name" are below its name.
func Walk(tree map[string]any, fn func(path string, value any)) {
	typ, _ := tree["resourceType"].(string)
	walk(typ, tree, fn)
}

func walk(path string, v any, fn func(string, any)) {
	switch v := v.(type) {
	case map[string]any:
		fn(path, nil)
		for _, name := range slices.Sorted(maps.Keys(v)) {
			bare, beside := strings.CutPrefix(name, "_")
			if _, valued := v[bare]; beside && valued {
				inside(path+"."+bare, v[name], fn)
				continue
			}
			walk(path+"."+bare, v[name], fn)
		}
	case []any:
		for _, item := range v {
			walk(itemPath(path, item), item, fn)
		}
	case nil: // a place of a list whose value stands in the other
	default:
		fn(path, v)
	}
}

// inside walks what a primitive has beside its value, without another call for it.
func inside(path string, v any, fn func(string, any)) {
	walk(path, v, func(p string, value any) {
		if p != path {
			fn(p, value)
		}
	})
}

// itemPath names an extension by the end of its URL.
func itemPath(path string, item any) string {
	m, _ := item.(map[string]any)
	url, named := m["url"].(string)
	if !named || !strings.HasSuffix(path, ".extension") && !strings.HasSuffix(path, ".modifierExtension") {
		return path
	}
	return path + "[" + url[strings.LastIndexByte(url, '/')+1:] + "]"
}
