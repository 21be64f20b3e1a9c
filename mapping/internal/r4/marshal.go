package r4

import (
	"bytes"
	"encoding/json"
	"fmt"
	"reflect"
	"regexp"
	"strings"
	"sync"

	"github.com/google/fhir/go/fhirversion"
	"github.com/google/fhir/go/jsonformat"
	dpb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/datatypes_go_proto"
	"google.golang.org/protobuf/proto"

	"nailbridge/mapping/resource"
)

// Error says that a resource could not be written as R4. Its text is safe for
// logs: type, place and rule, never a value. The cause, if any, may hold
// values and is for debuggers only.
type Error struct {
	Type   string // resource type
	Path   string // "Procedure.subject"; "" for the resource
	Detail string
	cause  error
}

// Error gives type, place and rule.
func (e *Error) Error() string {
	if e.Path == "" {
		return fmt.Sprintf("r4: %s: %s", e.Type, e.Detail)
	}
	return fmt.Sprintf("r4: %s at %s: %s", e.Type, e.Path, e.Detail)
}

// Unwrap gives the cause, whose text may hold values of the resource.
func (e *Error) Unwrap() error { return e.cause }

// Issue is one reason why bytes are not R4 to google/fhir; both texts are safe
// for logs.
type Issue struct{ Path, Text string }

// codec makes google/fhir's writer and reader once; both are safe for
// concurrent use as used here.
var codec = sync.OnceValues(func() (*jsonformat.Marshaller, *jsonformat.Unmarshaller) {
	m, err := jsonformat.NewMarshaller(false, "", "", fhirversion.R4)
	if err != nil {
		panic("r4: no marshaller: " + err.Error())
	}
	u, err := jsonformat.NewUnmarshaller("UTC", fhirversion.R4)
	if err != nil {
		panic("r4: no unmarshaller: " + err.Error())
	}
	return m, u
})

// Marshal writes a resource proto, such as *procedure_go_proto.Procedure, once
// and keeps the bytes (D5.10). msg must not be used afterwards. Members stand in
// the order resourceType, id, meta, then sorted; decimals keep their zeros. The
// error is an *Error.
//
// Primitives, required elements and reference targets are checked only in
// reading. The check before commit reads every resource again with Check, so
// Marshal does not: it would take longer than all the rest of a fold.
func Marshal(msg proto.Message) (resource.Resource, error) {
	v := reflect.ValueOf(msg)
	shape := shapeOf(v.Type())
	if !shape.resource {
		return resource.Resource{}, &Error{Type: shape.name, Detail: "is no resource"}
	}
	w := writers.Get().(*writer)
	defer writers.Put(w)
	w.buf, w.err = w.buf[:0], nil
	w.resource(v)
	if w.err != nil {
		return resource.Resource{}, &Error{Type: shape.name, Detail: "cannot be written", cause: w.err}
	}
	id := msg.(interface{ GetId() *dpb.Id }).GetId() // as every resource has
	r, err := resource.Written(shape.name, id.GetValue(), bytes.Clone(w.buf))
	if err != nil {
		return resource.Resource{}, &Error{Type: shape.name, Detail: "has no id", cause: err}
	}
	return r, nil
}

// writers are kept, since each has grown to the size of a resource.
var writers = sync.Pool{New: func() any { return &writer{} }}

// Unmarshal reads one resource into its proto without the wrapper of
// ContainedResource.
func Unmarshal(b []byte) (proto.Message, error) {
	_, u := codec()
	msg, err := u.Unmarshal(b)
	if err != nil {
		issues := parseIssues(err)
		return nil, &Error{Type: resourceType(b), Path: issues[0].Path, Detail: issues[0].Text, cause: err}
	}
	return contained(msg), nil
}

// contained takes the resource out of a ContainedResource.
func contained(msg proto.Message) proto.Message {
	m := msg.ProtoReflect()
	field := m.WhichOneof(m.Descriptor().Oneofs().Get(0))
	return m.Get(field).Message().Interface()
}

// Check reads b as google/fhir does and lists what it finds: unknown members,
// malformed primitives, missing required elements, references to types that R4
// does not allow there. It knows no invariants, and takes nulls, empty arrays,
// repeated members and wrong case silently.
func Check(b []byte) []Issue {
	_, u := codec()
	rep := &reporter{}
	if _, err := u.UnmarshalWithErrorReporter(b, rep); err != nil {
		return append(rep.issues, parseIssues(err)...)
	}
	return rep.issues
}

// reporter gathers what validation finds.
type reporter struct{ issues []Issue }

// ReportValidationError gathers an error and lets the reading go on.
func (r *reporter) ReportValidationError(path string, err error) error {
	for _, i := range parseIssues(err) {
		if i.Path == "" {
			i.Path = path
		}
		r.issues = append(r.issues, i)
	}
	return nil
}

// ReportValidationWarning passes a warning over.
func (r *reporter) ReportValidationWarning(string, error) error { return nil }

// issueLine is the text of google/fhir's errors, which by its own rule holds no
// value of the resource; its separate diagnostics do and are not printed.
var issueLine = regexp.MustCompile(`^error at "([^"]*)": (.*)$`)

func parseIssues(err error) []Issue {
	var out []Issue
	for _, line := range strings.Split(err.Error(), "\n") {
		if m := issueLine.FindStringSubmatch(line); m != nil {
			out = append(out, Issue{Path: m[1], Text: m[2]})
			continue
		}
		out = append(out, Issue{Text: line})
	}
	return out
}

func resourceType(b []byte) string {
	var head struct {
		ResourceType string `json:"resourceType"`
	}
	_ = json.Unmarshal(b, &head) // an unreadable type is reported as ""
	return head.ResourceType
}
