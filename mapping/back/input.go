package back

import (
	"bytes"
	"cmp"
	"slices"
	"strings"
	"time"
)

// res is one resource of the input.
type res struct {
	*node
	typ, id, ref string // ref is "Type/id"; without an id its address stands for it
	from         string // where it stands in the input
	url          string // fullUrl in a Bundle
	updated      time.Time
}

// Input is FHIR as it came (Scan).
type Input struct {
	Name string
	Data []byte
}

// input gathers the resources of all files, or of a part of them.
type input struct {
	shared   *input // what all parts share; nil: there are no parts
	all      []*res // as they came; of those read, sorted and one a ref
	byRef    map[string]*res
	byURL    map[string]*res
	wrapping int // leaves of Bundles around the resources
}

func newInput() *input { return &input{byRef: map[string]*res{}, byURL: map[string]*res{}} }

// read takes in a file.
func (in *input) read(f Input) error {
	around, err := Scan(f.Name, bytes.NewReader(f.Data), func(r Resource) error {
		in.add(newNode(r.value), r.url, r.from)
		return nil
	})
	in.wrapping += around
	return err
}

func (in *input) add(n *node, url, from string) *res {
	r := &res{node: n, typ: n.str("resourceType"), id: n.str("id"), from: from}
	r.ref, r.url = refOf(r.typ, r.id, url, from), url
	if text := cmp.Or(n.peek("meta", "lastUpdated"), n.peek("recorded")); text != "" {
		r.updated, _ = time.Parse(time.RFC3339Nano, text)
	}
	in.all = append(in.all, r)
	return r
}

// at is the input as it was at an instant, the latest where that is zero: one
// version of each resource, in an order of their own whatever that of the files.
func (in *input) at(t time.Time) *input {
	out := newInput()
	for _, r := range in.all {
		if !t.IsZero() && r.updated.After(t) {
			continue
		}
		if have := out.byRef[r.ref]; have == nil || r.counts(have) {
			out.byRef[r.ref] = r
		}
	}
	for _, r := range out.byRef {
		out.all = append(out.all, r)
	}
	sortResources(out.all)
	for _, r := range out.all {
		if r.url != "" {
			out.byURL[r.url] = r
		}
	}
	return out
}

// sortResources gives resources an order of their own.
func sortResources(all []*res) {
	slices.SortStableFunc(all, func(a, b *res) int {
		return cmp.Or(strings.Compare(a.typ, b.typ), strings.Compare(a.id, b.id), strings.Compare(a.url, b.url), a.updated.Compare(b.updated), a.compare(b.node))
	})
}

// counts reports that a version of a resource counts and not another: the later,
// and of two of one instant the one that stands behind by what it says, so that the
// order of the input's files and lines makes no difference.
func (r *res) counts(other *res) bool {
	return cmp.Or(r.updated.Compare(other.updated), r.compare(other.node)) > 0
}

// known is a resource by its address, or by type and id; here, or among those that
// all parts of an input share.
func (in *input) known(url, ref string) *res {
	for i := in; i != nil; i = i.shared {
		if r := i.byURL[url]; r != nil {
			return r
		}
	}
	for i := in; i != nil; i = i.shared {
		if r := i.byRef[ref]; r != nil {
			return r
		}
	}
	return nil
}

// follow finds the resource that a Reference names: by its address, or by type
// and id at its end. The reference counts as read where it is found.
func (in *input) follow(ref *node) *res {
	text := ref.peek("reference")
	if text == "" {
		return nil
	}
	r := in.known(text, typeAndID(text))
	if r != nil {
		ref.take()
	}
	return r
}

// target is follow without reading.
func (in *input) target(ref *node) *res {
	text := ref.peek("reference")
	return in.known(text, typeAndID(text))
}

// typeAndID is the end of a reference, without a version: "Type/id"; "" where there is
// none.
func typeAndID(reference string) string {
	head, _, _ := strings.Cut(reference, "/_history/")
	parts := strings.Split(head, "/")
	if len(parts) < 2 {
		return ""
	}
	return strings.Join(parts[len(parts)-2:], "/")
}
