package back

import (
	"bufio"
	"bytes"
	"compress/gzip"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strings"

	"nailbridge/mapping/internal/rawjson"
)

// Resource is one resource of an input, as it came.
type Resource struct {
	value     *rawjson.Node
	line      []byte // the JSON, where it stood alone
	url, from string // fullUrl in a Bundle; where it stands in the input
}

// Body is the resource as JSON.
func (r Resource) Body() []byte {
	if r.line != nil {
		return r.line
	}
	return r.value.Sorted()
}

// maxBytes is the greatest length of a resource or of a line, in bytes.
const maxBytes = 1 << 30

// errNoFHIR says that a file holds no FHIR in JSON; it never holds the text.
var errNoFHIR = errors.New("holds no FHIR resource in JSON")

// looked is how much of an input is looked at to tell what it is: where its first line is
// JSON by itself, each line is read by itself.
const looked = 1 << 20

// Scan gives each resource of an input as it comes: of a resource, a Bundle, or NDJSON
// of either, plain or packed by gzip. Of a Bundle it holds one entry at a time. around
// counts the leaves that stand around the resources in Bundles, which are of no record.
func Scan(name string, r io.Reader, give func(Resource) error) (around int, err error) {
	in := bufio.NewReaderSize(r, looked)
	if head, _ := in.Peek(2); bytes.Equal(head, []byte{0x1f, 0x8b}) {
		z, err := gzip.NewReader(in)
		if err != nil {
			return 0, fmt.Errorf("%s: %w", name, err)
		}
		in = bufio.NewReaderSize(z, looked)
	}
	s := scanner{name: name, give: give}
	head, fault := in.Peek(looked)
	first, _, ended := bytes.Cut(bytes.TrimLeft(head, " \t\r\n"), []byte("\n"))
	if _, broken := rawjson.ParseWithin(first, maxBytes); broken == nil && (ended || fault != nil) {
		err = s.lines(in)
	} else {
		err = s.values(in)
	}
	return s.around, err
}

// scanner reads one input.
type scanner struct {
	name   string
	give   func(Resource) error
	around int
}

// lines reads NDJSON. One line alone is named as its file is.
func (s *scanner) lines(in *bufio.Reader) error {
	var first []byte
	found := 0
	for at := 1; ; at++ {
		line, err := in.ReadBytes('\n')
		if err != nil && !errors.Is(err, io.EOF) {
			return fmt.Errorf("%s: %w", s.name, err)
		}
		if trimmed := bytes.TrimSpace(line); len(trimmed) > 0 {
			found++
			switch found {
			case 1:
				first = trimmed
			case 2:
				if fault := s.value(first, s.name+":1"); fault != nil {
					return fault
				}
				fallthrough
			default:
				if fault := s.value(trimmed, s.name+":"+number(at)); fault != nil {
					return fault
				}
			}
		}
		if err != nil && found == 1 {
			return s.value(first, s.name)
		}
		if err != nil {
			return nil
		}
	}
}

// value gives the resources of one JSON value.
func (s *scanner) value(text []byte, from string) error {
	value, fault := rawjson.ParseWithin(text, maxBytes)
	if fault != nil {
		return errors.New(from + ": " + fault.Text)
	}
	return s.root(value, text, from)
}

// root gives the resources of one JSON value. A member that stands twice leaves open
// which of the two counts, and FHIR has none (R4 json.html).
func (s *scanner) root(value *rawjson.Node, text []byte, from string) error {
	if len(value.Duplicates()) > 0 {
		return errors.New(from + ": a member of an object stands twice")
	}
	switch textOf(value, "resourceType") {
	case "":
		return errors.New(from + ": " + errNoFHIR.Error())
	case "Bundle":
		return s.bundle(value, from)
	}
	return s.give(Resource{value: value, line: text, from: from})
}

// bundle takes the resources out of a Bundle.
func (s *scanner) bundle(b *rawjson.Node, from string) error {
	s.around += leavesOf(b)
	entries := member(b, "entry")
	if entries == nil {
		return nil
	}
	list := entries.Elems
	if entries.Kind == rawjson.Object {
		list = []*rawjson.Node{entries}
	}
	for i, e := range list {
		if err := s.entry(e, from+" entry "+number(i)); err != nil {
			return err
		}
	}
	return nil
}

// entry gives the resource of an entry, whose leaves were counted around it.
func (s *scanner) entry(e *rawjson.Node, from string) error {
	r := member(e, "resource")
	if r == nil {
		return nil
	}
	s.around -= leavesOf(r)
	if textOf(r, "resourceType") == "Bundle" {
		return s.bundle(r, from)
	}
	return s.give(Resource{value: r, url: textOf(e, "fullUrl"), from: from})
}

// values reads JSON that stands on many lines, or on one that is long.
func (s *scanner) values(in *bufio.Reader) error {
	d := json.NewDecoder(in)
	for n := 1; ; n++ {
		from := s.name
		if n > 1 {
			from += " value " + number(n)
		}
		start, err := d.Token()
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err == nil && start != json.Delim('{') {
			return errors.New(from + ": " + errNoFHIR.Error())
		}
		if err == nil {
			err = s.object(d, from)
		}
		if err != nil {
			return s.placed(d, err)
		}
	}
}

// placed says where JSON is broken, without its text.
func (s *scanner) placed(d *json.Decoder, err error) error {
	var broken *json.SyntaxError
	switch {
	case errors.As(err, &broken):
		return fmt.Errorf("%s: is no JSON from byte %d on", s.name, broken.Offset)
	case errors.Is(err, io.ErrUnexpectedEOF), errors.Is(err, io.EOF):
		return fmt.Errorf("%s: ends at byte %d in the middle of JSON", s.name, d.InputOffset())
	}
	return err
}

// object reads one JSON object, and gives the resources of its entries as they come. What
// it is stands in its type, which may come last.
func (s *scanner) object(d *json.Decoder, from string) error {
	var rest bytes.Buffer // the object without the entries that were given
	rest.WriteByte('{')
	given := false
	for d.More() {
		name, err := d.Token()
		if err != nil {
			return err
		}
		if rest.Len() > 1 {
			rest.WriteByte(',')
		}
		text, _ := json.Marshal(name) // a string: always marshals
		rest.Write(append(text, ':'))
		if name == "entry" {
			given, err = s.entries(d, &rest, from)
		} else {
			err = copyValue(d, &rest)
		}
		if err != nil {
			return err
		}
	}
	if _, err := d.Token(); err != nil {
		return err
	}
	rest.WriteByte('}')
	value, fault := rawjson.ParseWithin(rest.Bytes(), maxBytes)
	switch {
	case fault != nil:
		return errors.New(from + ": " + fault.Text)
	case given && textOf(value, "resourceType") != "Bundle":
		return errors.New(from + ": resources stand in what is no Bundle")
	}
	return s.root(value, bytes.Clone(rest.Bytes()), from)
}

func copyValue(d *json.Decoder, to *bytes.Buffer) error {
	var raw json.RawMessage
	err := d.Decode(&raw)
	to.Write(raw)
	return err
}

// entries gives the resources of a list of entries, and copies what holds none.
func (s *scanner) entries(d *json.Decoder, rest *bytes.Buffer, from string) (given bool, err error) {
	start, err := d.Token()
	if err != nil {
		return false, err
	}
	if start != json.Delim('[') {
		return false, errors.New(from + ": entry is no list")
	}
	rest.WriteByte('[')
	for i, copied := 0, 0; d.More(); i++ {
		var raw json.RawMessage
		if err := d.Decode(&raw); err != nil {
			return given, err
		}
		at := from + " entry " + number(i)
		value, fault := rawjson.ParseWithin(raw, maxBytes)
		switch {
		case fault != nil:
			return given, errors.New(at + ": " + fault.Text)
		case len(value.Duplicates()) > 0:
			return given, errors.New(at + ": a member of an object stands twice")
		case textOf(member(value, "resource"), "resourceType") != "":
			given = true
			s.around += leavesOf(value)
			if err := s.entry(value, at); err != nil {
				return given, err
			}
			continue
		}
		if copied++; copied > 1 {
			rest.WriteByte(',')
		}
		rest.Write(raw)
	}
	rest.WriteByte(']')
	_, err = d.Token()
	return given, err
}

// member is a member of an object; nil where there is none.
func member(n *rawjson.Node, name string) *rawjson.Node {
	if n == nil {
		return nil
	}
	for _, m := range n.Members {
		if m.Name == name {
			return m.Value
		}
	}
	return nil
}

// textOf is a primitive member as text, by its path of names.
func textOf(n *rawjson.Node, path ...string) string {
	for _, name := range path {
		n = member(n, name)
	}
	if n == nil || n.Kind == rawjson.Object || n.Kind == rawjson.Array {
		return ""
	}
	return n.Text
}

// leavesOf counts the strings, numbers and booleans of a value.
func leavesOf(n *rawjson.Node) (all int) {
	if n.Kind != rawjson.Object && n.Kind != rawjson.Array {
		return 1
	}
	for _, m := range n.Members {
		all += leavesOf(m.Value)
	}
	for _, e := range n.Elems {
		all += leavesOf(e)
	}
	return all
}

// refersTo are the references of a value.
func refersTo(n *rawjson.Node, to []string) []string {
	for _, m := range n.Members {
		if m.Name == "reference" && m.Value.Kind == rawjson.String && !strings.HasPrefix(m.Value.Text, "#") {
			to = append(to, m.Value.Text)
			continue
		}
		to = refersTo(m.Value, to)
	}
	for _, e := range n.Elems {
		to = refersTo(e, to)
	}
	return to
}
