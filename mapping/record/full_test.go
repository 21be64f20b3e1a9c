package record

import (
	"bytes"
	"encoding/json"
	"strings"
)

// fullRecord is a record of one kind with a good value at every place of the
// format, lists having one item.
func fullRecord(kind string) object { return filledRecord(kind, func(*shape) bool { return true }) }

// spareRecord is a record of one kind with a good value at the path, and beyond
// it with no more than a record needs.
func spareRecord(kind, path string) object {
	return filledRecord(kind, func(s *shape) bool {
		return s.class == identity || s.path == "/revision" || s.path == "/author/staffKey" || s.path == "/"+kind ||
			s.path == path || strings.HasPrefix(path, s.path+"/")
	})
}

func filledRecord(kind string, wanted func(*shape) bool) object {
	o := fullValue(root(), kind, wanted).(object)
	o["kind"] = kind
	return o
}

func fullValue(s *shape, kind string, wanted func(*shape) bool) any {
	switch s.pathType() {
	case ObjectPath:
		o := object{}
		for _, m := range s.members {
			if belongs(m.path, kind) && wanted(m) {
				o[m.name] = fullValue(m, kind, wanted)
			}
		}
		return o
	case ListPath:
		return []any{fullValue(s.item, kind, wanted)}
	case CodePath:
		if s.set == &VasoconstrictorSet {
			return "adrenaline" // as a ratio is given
		}
		return string(s.set.Values[0].Code)
	case WhenPath:
		return "2024-06-03T10:00:00+01:00"
	case DecimalPath:
		return json.Number("1.50")
	case IntegerPath:
		return json.Number("7")
	case BooleanPath:
		return s.path != "/surgery/events/none" // as events are listed
	case IDPath:
		if strings.HasPrefix(s.path, "/merge/") {
			return "id-2" // as nobody replaces himself
		}
		return "id-1"
	case URIPath:
		return "urn:oid:1.2.3"
	default:
		if s.path == "/schemaVersion" {
			return SchemaVersion
		}
		return "some text"
	}
}

// belongs reports whether a record of the kind has the place.
func belongs(path, kind string) bool {
	for _, k := range KindSet.Values {
		other := "/" + string(k.Code)
		if string(k.Code) != kind && (path == other || strings.HasPrefix(path, other+"/")) {
			return false
		}
	}
	return true
}

// with is a deep copy of doc with value at the path, whose "*" mean the first item.
func with(doc object, path string, value any) object {
	return edit(doc, path, func(parent any, token string) {
		switch p := parent.(type) {
		case object:
			p[token] = value
		case []any:
			p[0] = value
		}
	})
}

// without is a deep copy of doc without the member at the path; a path that
// ends in an item takes all items away.
func without(doc object, path string) object {
	path = strings.TrimSuffix(path, "/*")
	return edit(doc, path, func(parent any, token string) { delete(parent.(object), token) })
}

func edit(doc object, path string, f func(parent any, token string)) object {
	copied := parseJSON(mustJSON(doc)).(object)
	tokens := strings.Split(strings.TrimPrefix(path, "/"), "/")
	var at any = copied
	for _, token := range tokens[:len(tokens)-1] {
		switch p := at.(type) {
		case object:
			at = p[token]
		case []any:
			at = p[0]
		}
	}
	f(at, tokens[len(tokens)-1])
	return copied
}

func mustJSON(v any) []byte {
	b, err := json.Marshal(v)
	if err != nil {
		panic(err)
	}
	return b
}

func parseJSON(b []byte) any {
	dec := json.NewDecoder(bytes.NewReader(b))
	dec.UseNumber()
	var v any
	if err := dec.Decode(&v); err != nil {
		panic(err)
	}
	return v
}
