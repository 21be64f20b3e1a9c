package engine

import (
	"strings"
)

// bundle is what the entries of a Bundle are found by.
type bundle struct {
	typ   string
	byURL map[string]map[string]any // resources by fullUrl
	byID  map[string]bool           // "Type/id" of all resources
	urls  map[uintptr]string        // fullUrl of a resource
}

// openBundle notes the entries before they are validated.
func (r *run) openBundle(m map[string]any) {
	b := &bundle{typ: str(m, "type"), byURL: map[string]map[string]any{}, byID: map[string]bool{}, urls: map[uintptr]string{}}
	for _, e := range listOf(m, "entry") {
		res, ok := e["resource"].(map[string]any)
		if !ok {
			continue
		}
		b.byID[str(res, "resourceType")+"/"+str(res, "id")] = true
		if url := str(e, "fullUrl"); url != "" {
			if b.byURL[url] == nil {
				b.byURL[url] = res
			}
			b.urls[address(res)] = url
		}
	}
	r.bundle = b
}

// urlOf is the fullUrl of the entry whose resource is m.
func (b *bundle) urlOf(m map[string]any) string { return b.urls[address(m)] }

// find resolves a reference in a resource with a fullUrl (R4
// bundle.html#references): a relative one against the base of the fullUrl.
func (b *bundle) find(reference, from string) map[string]any {
	reference, _, _ = strings.Cut(reference, "/_history/")
	if absolute(reference) {
		return b.byURL[reference]
	}
	l := parseLiteral(from, r4())
	if l.base == "" {
		return nil
	}
	return b.byURL[l.base+reference]
}

// within tells of a reference that does not resolve though it has to: a URN, any
// reference of a document or message's own resources, and one to a resource that
// is there under another fullUrl.
func (r *run) within(s string, l literal) {
	if r.bundle.find(s, r.bundle.urlOf(r.root)) != nil {
		return
	}
	switch {
	case strings.HasPrefix(s, "urn:uuid:"), strings.HasPrefix(s, "urn:oid:"):
		r.at("reference", ruleUnresolved, s)
	case r.closed(l):
		r.at("reference", ruleUnresolved, s)
	}
}

// closed reports a reference that the bundle itself has to resolve: one of the
// Composition of a document or the MessageHeader of a message, and in those any
// reference to a resource that is there under another fullUrl (R4
// documents.html#content, messaging.html, bundle.html#references).
func (r *run) closed(l literal) bool {
	head := str(r.root, "resourceType")
	switch r.bundle.typ {
	case "document":
		return head == "Composition" || l.relative && r.bundle.byID[l.typ+"/"+l.id]
	case "message":
		return head == "MessageHeader" || l.relative && r.bundle.byID[l.typ+"/"+l.id]
	}
	return false
}

// closeBundle holds the entries to the rules of bundle.html that are no
// invariants.
func (r *run) closeBundle(m map[string]any) {
	entries := listOf(m, "entry")
	for i, e := range entries {
		r.push("entry", i)
		r.entry(e)
		r.pop()
	}
	if first := map[string]string{"document": "Composition", "message": "MessageHeader"}[r.bundle.typ]; first != "" {
		if len(entries) == 0 {
			r.report(ruleBundleFirst, "")
		} else if res, _ := entries[0]["resource"].(map[string]any); str(res, "resourceType") != first {
			r.push("entry", 0)
			r.report(ruleBundleFirst, "")
			r.pop()
		}
	}
}

func (r *run) entry(e map[string]any) {
	res, ok := e["resource"].(map[string]any)
	url := str(e, "fullUrl")
	switch {
	case !ok:
		return
	case url == "":
		if !strings.HasPrefix(r.bundle.typ, "batch") && !strings.HasPrefix(r.bundle.typ, "transaction") {
			r.report(ruleFullURL, "")
		}
		return
	case !absolute(url):
		r.at("fullUrl", ruleFullURLForm, url)
		return
	}
	l := parseLiteral(url, r.core)
	if id := str(res, "id"); l.typ != "" && id != "" && (l.typ != str(res, "resourceType") || l.id != id) {
		r.at("fullUrl", ruleFullURLID, url)
	}
}
