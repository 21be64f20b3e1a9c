package old

import (
	"strconv"
	"strings"
)

// set puts a value at a pointer of the record, making what stands above it.
func (b *builder) set(pointer string, v any) {
	parts := strings.Split(strings.TrimPrefix(pointer, "/"), "/")
	b.doc = put(b.doc, parts, v).(map[string]any)
}

func put(at any, parts []string, v any) any {
	if len(parts) == 0 {
		return v
	}
	if i, err := strconv.Atoi(parts[0]); err == nil {
		list, _ := at.([]any)
		for len(list) <= i {
			list = append(list, map[string]any{})
		}
		list[i] = put(list[i], parts[1:], v)
		return list
	}
	object, ok := at.(map[string]any)
	if !ok {
		object = map[string]any{}
	}
	object[parts[0]] = put(object[parts[0]], parts[1:], v)
	return object
}

// unset takes the value at a pointer away, and what is empty above it then.
func (b *builder) unset(pointer string) {
	if doc, ok := without(b.doc, strings.Split(strings.TrimPrefix(pointer, "/"), "/")).(map[string]any); ok {
		b.doc = doc
	}
}

// without is a tree without the value at some parts of a pointer; nil where nothing is left.
func without(at any, parts []string) any {
	if len(parts) == 0 {
		return nil
	}
	switch v := at.(type) {
	case map[string]any:
		if v[parts[0]] = without(v[parts[0]], parts[1:]); v[parts[0]] == nil {
			delete(v, parts[0])
		}
		if len(v) > 0 {
			return v
		}
	case []any:
		i, err := strconv.Atoi(parts[0])
		if err != nil || i >= len(v) {
			return v
		}
		if v[i] = without(v[i], parts[1:]); v[i] == nil {
			v[i] = map[string]any{} // the places of the others stay
		}
		for _, item := range v {
			if m, ok := item.(map[string]any); !ok || len(m) > 0 {
				return v
			}
		}
	}
	return nil
}

// get is the value at a pointer; nil where there is none.
func (b *builder) get(pointer string) any {
	var at any = b.doc
	for _, p := range strings.Split(strings.TrimPrefix(pointer, "/"), "/") {
		switch v := at.(type) {
		case map[string]any:
			at = v[p]
		case []any:
			i, err := strconv.Atoi(p)
			if err != nil || i >= len(v) {
				return nil
			}
			at = v[i]
		default:
			return nil
		}
	}
	return at
}
