// Package resource is the handle on one FHIR R4 resource that the project
// holds outside the mapping: its type, id, references and content bytes. The
// bytes are made once by the mapping and kept; protos never leave it.
package resource

import (
	"bytes"
	"cmp"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"slices"
	"sort"
	"strings"
	"sync"
	"time"
)

// Ref names a resource by type and logical id; its String is the relative
// reference "Type/id" (R4 references.html, literal references).
type Ref struct{ Type, ID string }

// String gives "Type/id".
func (r Ref) String() string { return r.Type + "/" + r.ID }

// ParseRef reads a relative reference "Type/id", without a version.
func ParseRef(s string) (Ref, bool) {
	t, id, ok := strings.Cut(s, "/")
	if !ok || t == "" || id == "" || strings.ContainsAny(id, "/#?") || strings.Contains(t, ":") {
		return Ref{}, false
	}
	return Ref{Type: t, ID: id}, true
}

// Resource is one resource: immutable content without meta.versionId and
// meta.lastUpdated, which the store adds at commit (Splice).
type Resource struct {
	ref  Ref
	json []byte
	tree *lazyTree
}

type lazyTree struct {
	once sync.Once
	m    map[string]any
}

// Errors of FromJSON.
var (
	ErrNotResource = errors.New("not a JSON object with resourceType and id")
)

// FromJSON takes ownership of b, the JSON of one resource with resourceType
// and id. The bytes are kept as given.
func FromJSON(b []byte) (Resource, error) {
	var head struct {
		ResourceType string `json:"resourceType"`
		ID           string `json:"id"`
	}
	if err := json.Unmarshal(b, &head); err != nil {
		return Resource{}, fmt.Errorf("%w: %w", ErrNotResource, err)
	}
	if head.ResourceType == "" || head.ID == "" {
		return Resource{}, ErrNotResource
	}
	return Resource{ref: Ref{head.ResourceType, head.ID}, json: b, tree: &lazyTree{}}, nil
}

// Written is a resource of bytes that were just written in the order of Ordered, by whom
// knows its type and id: they are not read again. The error is ErrNotResource.
func Written(typ, id string, b []byte) (Resource, error) {
	if typ == "" || id == "" {
		return Resource{}, ErrNotResource
	}
	return Resource{ref: Ref{typ, id}, json: b, tree: &lazyTree{}}, nil
}

// Ref is the resource's type and id.
func (r Resource) Ref() Ref { return r.ref }

// Type is the resource type, such as "Procedure".
func (r Resource) Type() string { return r.ref.Type }

// ID is the logical id.
func (r Resource) ID() string { return r.ref.ID }

// JSON is the content. It must not be modified.
func (r Resource) JSON() []byte { return r.json }

// IsZero reports whether r holds nothing.
func (r Resource) IsZero() bool { return r.json == nil }

// Equal reports whether both have the same content bytes.
func (r Resource) Equal(o Resource) bool { return bytes.Equal(r.json, o.json) }

// Tree is the parsed content with numbers as json.Number, parsed on first use
// and shared: it must not be modified.
func (r Resource) Tree() map[string]any {
	r.tree.once.Do(func() {
		d := json.NewDecoder(bytes.NewReader(r.json))
		d.UseNumber()
		// FromJSON has read the bytes as an object already.
		_ = d.Decode(&r.tree.m)
	})
	return r.tree.m
}

// References lists every Reference.reference of the resource, in document
// order of sorted members, with repeats.
func (r Resource) References() []string {
	var out []string
	walkReferences(r.Tree(), &out)
	return out
}

func walkReferences(v any, out *[]string) {
	switch v := v.(type) {
	case map[string]any:
		keys := make([]string, 0, len(v))
		for k := range v {
			keys = append(keys, k)
		}
		sort.Strings(keys)
		for _, k := range keys {
			if s, ok := v[k].(string); ok && k == "reference" {
				*out = append(*out, s)
				continue
			}
			walkReferences(v[k], out)
		}
	case []any:
		for _, e := range v {
			walkReferences(e, out)
		}
	}
}

// Sort orders resources by type and id.
func Sort(rs []Resource) {
	slices.SortFunc(rs, func(a, b Resource) int {
		return cmp.Or(strings.Compare(a.ref.Type, b.ref.Type), strings.Compare(a.ref.ID, b.ref.ID))
	})
}

// LastUpdatedLayout is the form of meta.lastUpdated: an instant in UTC to the
// millisecond.
const LastUpdatedLayout = "2006-01-02T15:04:05.000Z"

// Splice gives the resource as stored: the content with meta.versionId and
// meta.lastUpdated set and other members of meta kept; resourceType, id and meta
// stand first, the rest sorted.
func (r Resource) Splice(versionID string, lastUpdated time.Time) ([]byte, error) {
	var members map[string]json.RawMessage
	if err := json.Unmarshal(r.json, &members); err != nil {
		return nil, fmt.Errorf("%w: %w", ErrNotResource, err)
	}
	meta := map[string]json.RawMessage{}
	if m, ok := members["meta"]; ok {
		if err := json.Unmarshal(m, &meta); err != nil {
			return nil, fmt.Errorf("%w: meta: %w", ErrNotResource, err)
		}
	}
	meta["versionId"] = quote(versionID)
	meta["lastUpdated"] = quote(lastUpdated.UTC().Format(LastUpdatedLayout))
	members["meta"] = writeOrdered(meta)
	return writeOrdered(members), nil
}

// Unsplice undoes Splice: it gives the content of a stored body, if the members
// of that content stood in order.
func Unsplice(body []byte) ([]byte, error) {
	var members, meta map[string]json.RawMessage
	if err := json.Unmarshal(body, &members); err != nil {
		return nil, fmt.Errorf("%w: %w", ErrNotResource, err)
	}
	if err := json.Unmarshal(members["meta"], &meta); err != nil {
		return nil, fmt.Errorf("%w: meta: %w", ErrNotResource, err)
	}
	delete(meta, "versionId")
	delete(meta, "lastUpdated")
	if delete(members, "meta"); len(meta) > 0 {
		members["meta"] = writeOrdered(meta)
	}
	return writeOrdered(members), nil
}

// Ordered gives the JSON of one resource with resourceType, id and meta first
// and its other members sorted. Values keep their bytes.
func Ordered(b []byte) ([]byte, error) {
	var members map[string]json.RawMessage
	if err := json.Unmarshal(b, &members); err != nil {
		return nil, fmt.Errorf("%w: %w", ErrNotResource, err)
	}
	return writeOrdered(members), nil
}

func quote(s string) json.RawMessage {
	b, _ := json.Marshal(s) // a string always marshals
	return b
}

// first are the members that stand first, where there are any.
var first = []string{"resourceType", "id", "meta"}

// writeOrdered writes an object: resourceType, id and meta first, then the rest
// sorted, with their bytes as they are.
func writeOrdered(members map[string]json.RawMessage) []byte {
	keys := slices.SortedFunc(maps.Keys(members), Order)
	var buf bytes.Buffer
	buf.WriteByte('{')
	for i, k := range keys {
		if i > 0 {
			buf.WriteByte(',')
		}
		buf.Write(quote(k))
		buf.WriteByte(':')
		buf.Write(members[k])
	}
	buf.WriteByte('}')
	return buf.Bytes()
}

// Order compares the members of a resource as Ordered has them.
func Order(a, b string) int {
	if c := cmp.Compare(rank(a), rank(b)); c != 0 {
		return c
	}
	return strings.Compare(a, b)
}

func rank(member string) int {
	if i := slices.Index(first, member); i >= 0 {
		return i
	}
	return len(first)
}
