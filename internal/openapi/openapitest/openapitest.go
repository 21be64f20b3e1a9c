// Package openapitest is a test aid: it holds answers of handlers to the
// OpenAPI document.
package openapitest

import (
	"bytes"
	"compress/gzip"
	"errors"
	"fmt"
	"io"
	"mime"
	"net/http"
	"net/http/httptest"
	"regexp"
	"slices"
	"strings"
	"sync"

	"github.com/santhosh-tekuri/jsonschema/v6"

	"nailbridge/internal/openapi"
	"nailbridge/mapping/record"
)

// location is where the document stands for references within it.
const location = "https://nailbridge.example/openapi.json"

// otherMethods is the member of a path item with the answer to methods that
// the path does not take.
const otherMethods = "x-other-methods"

// Document is the document as read.
type Document struct {
	Tree map[string]any
	mu   sync.Mutex // the compiler is for one at a time
	c    *jsonschema.Compiler
}

// Read reads the document that the program serves.
func Read() (*Document, error) { return Parse(openapi.Document()) }

// Parse reads a document.
func Parse(text []byte) (*Document, error) {
	tree, err := jsonschema.UnmarshalJSON(bytes.NewReader(text))
	if err != nil {
		return nil, err
	}
	schema, err := jsonschema.UnmarshalJSON(bytes.NewReader(record.Schema()))
	if err != nil {
		return nil, err
	}
	d := &Document{c: jsonschema.NewCompiler()}
	d.Tree, _ = tree.(map[string]any)
	d.c.AssertFormat()
	return d, errors.Join(d.c.AddResource(location, tree), d.c.AddResource(record.SchemaID, schema))
}

// Operation names an operation by its method and the template of its path.
type Operation struct{ Method, Path string }

// Answer is an operation with a status that it may have.
type Answer struct {
	Operation
	Status string
}

// methods are the members of a path item that are operations (OpenAPI 3.1
// section 4.8.9.1).
var methods = []string{"get", "put", "post", "delete", "options", "head", "patch", "trace"}

// Operations are all operations of the document.
func (d *Document) Operations() (out []Operation) {
	for path, item := range members(d.Tree, "paths") {
		for name := range item.(map[string]any) {
			if slices.Contains(methods, name) {
				out = append(out, Operation{strings.ToUpper(name), path})
			}
		}
	}
	return out
}

// Answers are all answers that the document has.
func (d *Document) Answers() (out []Answer) {
	for _, o := range d.Operations() {
		for status := range members(d.operation(o), "responses") {
			out = append(out, Answer{o, status})
		}
	}
	return out
}

func (d *Document) operation(o Operation) map[string]any {
	return members(d.Tree, "paths", o.Path, strings.ToLower(o.Method))
}

// members gives the object at a place; nil where there is none.
func members(tree map[string]any, path ...string) map[string]any {
	for _, name := range path {
		tree, _ = tree[name].(map[string]any)
	}
	return tree
}

// Find gives the operation of a request. Of several templates the one that is
// literal for longer counts, as a template is taken only where no literal path
// is (OpenAPI 3.1 section 4.8.8.2). Taken is false where no path that matches
// takes the method: then the operation's path is the first of these, or "".
func (d *Document) Find(method, escapedPath string) (o Operation, taken bool) {
	var match []string
	for path := range members(d.Tree, "paths") {
		if fits(path, escapedPath) {
			match = append(match, path)
		}
	}
	slices.SortFunc(match, func(a, b string) int { return strings.Compare(rank(a), rank(b)) })
	for _, path := range match {
		if o := (Operation{method, path}); d.operation(o) != nil {
			return o, true
		}
	}
	if len(match) == 0 {
		return Operation{Method: method}, false
	}
	return Operation{method, match[0]}, false
}

var templated = regexp.MustCompile(`^\{[A-Za-z]+\}$`)

func fits(template, path string) bool {
	a, b := strings.Split(template, "/"), strings.Split(path, "/")
	return len(a) == len(b) && !slices.ContainsFunc(b[1:], func(s string) bool { return s == "" }) &&
		!slices.ContainsFunc(pairs(a, b), func(p [2]string) bool { return p[0] != p[1] && !templated.MatchString(p[0]) })
}

func pairs(a, b []string) (out [][2]string) {
	for i := range a {
		out = append(out, [2]string{a[i], b[i]})
	}
	return out
}

// rank orders literal parts before templated ones.
func rank(template string) string {
	parts := strings.Split(template, "/")
	for i, p := range parts {
		parts[i] = "0"
		if templated.MatchString(p) {
			parts[i] = "1"
		}
	}
	return strings.Join(parts, "")
}

// resolve follows a reference within the document, which is not to a schema.
func (d *Document) resolve(node map[string]any, at string) (map[string]any, string, error) {
	ref, is := node["$ref"].(string)
	if !is {
		return node, at, nil
	}
	path, local := strings.CutPrefix(ref, "#/")
	out := members(d.Tree, strings.Split(path, "/")...)
	if !local || out == nil {
		return nil, "", fmt.Errorf("%s: nothing stands at %s", at, ref)
	}
	return out, ref, nil
}

// pointer writes a place as a fragment.
func pointer(at string, names ...string) string {
	for _, n := range names {
		n = strings.NewReplacer("~", "~0", "/", "~1").Replace(n)
		at += "/" + n
	}
	return at
}

// Check holds an answer to the document: its status, headers, media type and
// body, and that a request that was understood has no parameter beside those
// that are listed. Of a path that the document does not have it says ErrNoPath.
func (d *Document) Check(r *http.Request, w *httptest.ResponseRecorder) (Answer, error) {
	o, taken := d.Find(r.Method, r.URL.EscapedPath())
	got := Answer{o, fmt.Sprint(w.Code)}
	if o.Path == "" || !taken && w.Code == http.StatusNotFound { // a template that fits by its form alone
		return got, ErrNoPath
	}
	var response map[string]any
	at := pointer("#", "paths", o.Path, strings.ToLower(o.Method), "responses", got.Status)
	if taken {
		response = members(d.operation(o), "responses", got.Status)
	} else if w.Code == http.StatusMethodNotAllowed {
		at = pointer("#", "paths", o.Path, otherMethods)
		response = members(d.Tree, "paths", o.Path, otherMethods)
	}
	if response == nil {
		return got, fmt.Errorf("%s %s: status %s is not in the document", o.Method, o.Path, got.Status)
	}
	response, at, err := d.resolve(response, at)
	if err == nil {
		err = errors.Join(d.headers(response, at, w.Header()), d.body(response, at, r.Method, w))
	}
	if err == nil && w.Code < http.StatusBadRequest {
		err = d.parameters(o, r)
	}
	if err != nil {
		err = fmt.Errorf("%s %s %s: %w", o.Method, o.Path, got.Status, err)
	}
	return got, err
}

// ErrNoPath: the document has no such path.
var ErrNoPath = errors.New("no such path in the document")

func (d *Document) headers(response map[string]any, at string, sent http.Header) error {
	for name, node := range members(response, "headers") {
		h, place, err := d.resolve(node.(map[string]any), pointer(at, "headers", name))
		if err != nil {
			return err
		}
		value := sent.Get(name)
		if value == "" {
			if h["required"] == true {
				return fmt.Errorf("header %s is missing", name)
			}
			continue
		}
		if err := d.Holds(pointer(place, "schema"), value); err != nil {
			return fmt.Errorf("header %s: %w", name, err)
		}
	}
	return nil
}

// body holds a body to the schema of its media type: of NDJSON each line, of
// text the whole.
func (d *Document) body(response map[string]any, at, method string, w *httptest.ResponseRecorder) error {
	content := members(response, "content")
	if len(content) == 0 || method == http.MethodHead {
		// A recorder keeps what a server would leave out after HEAD.
		if len(content) == 0 && method != http.MethodHead && w.Body.Len() > 0 {
			return errors.New("there is a body, which the document does not have")
		}
		return nil
	}
	media, _, err := mime.ParseMediaType(w.Header().Get("Content-Type"))
	if err != nil || content[media] == nil {
		return fmt.Errorf("media type %q is not in the document", w.Header().Get("Content-Type"))
	}
	text, err := decoded(w)
	if err != nil {
		return err
	}
	schema := pointer(at, "content", media, "schema")
	switch {
	case media == "application/x-ndjson":
		for line := range bytes.Lines(text) {
			if err := d.holdsJSON(schema, line); err != nil {
				return err
			}
		}
		return nil
	case strings.HasSuffix(media, "json"):
		return d.holdsJSON(schema, text)
	}
	return d.Holds(schema, string(text))
}

// decoded gives a body without its content coding, of which the document says
// nothing (RFC 9110 section 8.4).
func decoded(w *httptest.ResponseRecorder) ([]byte, error) {
	if w.Header().Get("Content-Encoding") != "gzip" {
		return w.Body.Bytes(), nil
	}
	r, err := gzip.NewReader(bytes.NewReader(w.Body.Bytes()))
	if err != nil {
		return nil, err
	}
	return io.ReadAll(r)
}

func (d *Document) holdsJSON(schema string, text []byte) error {
	v, err := jsonschema.UnmarshalJSON(bytes.NewReader(text))
	if err != nil {
		return fmt.Errorf("a body that is no JSON: %w", err)
	}
	return d.Holds(schema, v)
}

// Holds holds a value to the schema at a fragment of the document.
func (d *Document) Holds(fragment string, v any) error {
	s, err := d.compile(fragment)
	if err != nil {
		return err
	}
	return s.Validate(v)
}

// Compiles says what is wrong with the schema at a fragment, if anything.
func (d *Document) Compiles(fragment string) error {
	_, err := d.compile(fragment)
	return err
}

// compile reads the schema at a fragment, whose braces and dollar signs a URL
// writes as percent-encoded (RFC 3986 section 3.5).
func (d *Document) compile(fragment string) (*jsonschema.Schema, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.c.Compile(location + strings.NewReplacer("{", "%7B", "}", "%7D", "$", "%24").Replace(fragment))
}

// Parameter is one that an operation takes, of a query or a header.
type Parameter struct{ In, Name string }

// Parameters are those of queries and headers that an operation takes. One of
// style form that is an object takes any name, and has none here: open.
func (d *Document) Parameters(o Operation) (out []Parameter, open bool, err error) {
	list, _ := d.operation(o)["parameters"].([]any)
	for _, node := range list {
		p, _, err := d.resolve(node.(map[string]any), "#")
		if err != nil {
			return nil, false, err
		}
		switch {
		case p["in"] == "path":
		case members(p, "schema")["type"] == "object":
			open = true
		default:
			out = append(out, Parameter{p["in"].(string), p["name"].(string)})
		}
	}
	return out, open, nil
}

// parameters holds the parameters of a query to those of the operation.
func (d *Document) parameters(o Operation, r *http.Request) error {
	known, open, err := d.Parameters(o)
	if err != nil {
		return err
	}
	for name := range r.URL.Query() {
		if !open && !slices.Contains(known, Parameter{"query", name}) {
			return fmt.Errorf("parameter %s is not in the document", name)
		}
	}
	return nil
}

// CheckRequest holds the JSON body of a request to the document.
func (d *Document) CheckRequest(o Operation, media, body string) error {
	content := members(d.operation(o), "requestBody", "content")
	if content[media] == nil {
		return fmt.Errorf("%s %s: a body of %q is not in the document", o.Method, o.Path, media)
	}
	at := pointer("#", "paths", o.Path, strings.ToLower(o.Method), "requestBody", "content", media, "schema")
	if err := d.holdsJSON(at, []byte(body)); err != nil {
		return fmt.Errorf("%s %s: %w", o.Method, o.Path, err)
	}
	return nil
}
