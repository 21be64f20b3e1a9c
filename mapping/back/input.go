package back

import (
	"bytes"
	"cmp"
	"errors"
	"slices"
	"strings"
	"time"

	"nailbridge/mapping/internal/rawjson"
)

// res is one resource of the input.
type res struct {
	*node
	typ, id, ref string // ref is "Type/id"
	from         string // where it stands in the input
	url          string // fullUrl in a Bundle
	updated      time.Time
}

// Input is FHIR as it came: a resource, a Bundle, or NDJSON of either.
type Input struct {
	Name string
	Data []byte
}

// input gathers the resources of all files.
type input struct {
	all      []*res // as they came; of those read, sorted and one a ref
	byRef    map[string]*res
	byURL    map[string]*res
	wrapping int // leaves of Bundles around the resources
}

func newInput() *input { return &input{byRef: map[string]*res{}, byURL: map[string]*res{}} }

// maxBytes is the greatest length of a file, or of a line of NDJSON, in bytes.
const maxBytes = 1 << 30

// errNoFHIR says that a file holds no FHIR in JSON; it never holds the text.
var errNoFHIR = errors.New("holds no FHIR resource in JSON")

// read takes in a file.
func (in *input) read(f Input) error {
	root, fault := rawjson.ParseWithin(bytes.TrimSpace(f.Data), maxBytes)
	if fault == nil {
		return in.root(root, f.Name)
	}
	lines := bytes.Split(f.Data, []byte("\n"))
	for i, l := range lines {
		if l = bytes.TrimSpace(l); len(l) == 0 {
			continue
		}
		root, fault := rawjson.ParseWithin(l, maxBytes)
		name := f.Name + ":" + number(i+1)
		if fault != nil {
			return errors.New(name + ": " + fault.Text)
		}
		if err := in.root(root, name); err != nil {
			return err
		}
	}
	return nil
}

// root takes in one JSON value. A member that stands twice leaves open which of
// the two counts, and FHIR has none (R4 json.html).
func (in *input) root(value *rawjson.Node, from string) error {
	if len(value.Duplicates()) > 0 {
		return errors.New(from + ": a member of an object stands twice")
	}
	n := newNode(value)
	switch typ := n.peek("resourceType"); typ {
	case "":
		return errors.New(from + ": " + errNoFHIR.Error())
	case "Bundle":
		in.bundle(n, from)
	default:
		in.add(n, "", from)
	}
	return nil
}

// bundle takes the resources out of a Bundle; what stands around them is
// counted and is of no record.
func (in *input) bundle(b *node, from string) {
	all, _ := b.leaves()
	for i, e := range b.list("entry") {
		r := e.get("resource")
		if r == nil {
			continue
		}
		n, _ := r.leaves()
		all -= n
		if r.peek("resourceType") == "Bundle" {
			in.bundle(r, from+" entry "+number(i))
			continue
		}
		in.add(r, e.peek("fullUrl"), from+" entry "+number(i))
	}
	in.wrapping += all
}

func (in *input) add(n *node, url, from string) {
	r := &res{node: n, typ: n.str("resourceType"), id: n.str("id"), from: from}
	r.ref, r.url = r.typ+"/"+r.id, url
	if text := cmp.Or(n.peek("meta", "lastUpdated"), n.peek("recorded")); text != "" {
		r.updated, _ = time.Parse(time.RFC3339Nano, text)
	}
	in.all = append(in.all, r)
}

// at is the input as it was at an instant, the latest where that is zero: one
// version of each resource, in an order of their own whatever that of the files.
func (in *input) at(t time.Time) *input {
	out := newInput()
	for _, r := range in.all {
		if !t.IsZero() && r.updated.After(t) {
			continue
		}
		ref := cmp.Or(r.id, r.from)
		if have := out.byRef[r.typ+"/"+ref]; have == nil || !r.updated.Before(have.updated) {
			out.byRef[r.typ+"/"+ref] = r
		}
	}
	for _, r := range out.byRef {
		out.all = append(out.all, r)
		if r.url != "" {
			out.byURL[r.url] = r
		}
	}
	slices.SortFunc(out.all, func(a, b *res) int {
		return cmp.Or(strings.Compare(a.typ, b.typ), strings.Compare(a.id, b.id), strings.Compare(a.from, b.from))
	})
	return out
}

// follow finds the resource that a Reference names: by its address, or by type
// and id at its end. The reference counts as read where it is found.
func (in *input) follow(ref *node) *res {
	text := ref.peek("reference")
	if text == "" {
		return nil
	}
	r := in.byURL[text]
	if r == nil {
		parts := strings.Split(strings.SplitN(text, "/_history/", 2)[0], "/")
		if len(parts) >= 2 {
			r = in.byRef[strings.Join(parts[len(parts)-2:], "/")]
		}
	}
	if r != nil {
		ref.take()
	}
	return r
}
