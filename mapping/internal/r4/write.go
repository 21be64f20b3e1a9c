package r4

import (
	"encoding/json"
	"errors"
	"fmt"
	"reflect"
	"strconv"
	"unicode/utf8"

	"github.com/google/fhir/go/jsonformat"
	dpb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/datatypes_go_proto"
	bcrpb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/resources/bundle_and_contained_resource_go_proto"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/anypb"
)

// writer writes the protos of one resource as JSON, byte for byte what google/fhir's own
// writer gives, put in the order of resource.Ordered. That one makes maps of maps of every
// message and asks each for the options of its type; here what is known of a type is found
// out once (shape).
type writer struct {
	buf []byte
	err error
}

// fail keeps the first error.
func (w *writer) fail(format string, args ...any) {
	if w.err == nil {
		w.err = fmt.Errorf(format, args...)
	}
}

// set is a member of a message that is there.
type set struct {
	*member
	value reflect.Value // a pointer to a message; a slice of them where the member is repeated
}

// members are those of a message that are there, in order.
func (w *writer) members(v reflect.Value, out []set) []set {
	s := shapeOf(v.Type())
	message := v.Elem()
	for i := range s.fields {
		f := &s.fields[i]
		one := set{&f.member, message.Field(f.index)}
		if one.value.IsNil() {
			continue
		}
		if f.choice != nil {
			one.member, one.value = f.choice.in(one.value)
			if one.member == nil {
				w.fail("no value in the choice %s", f.name)
				continue
			}
		}
		out = insert(out, one)
	}
	if s.oneof != nil {
		if m, value := s.oneof.in(v); m != nil {
			out = insert(out, set{m, value})
		}
	}
	return out
}

// insert adds a member at its place, which is most often the end.
func insert(all []set, one set) []set {
	all = append(all, one)
	for i := len(all) - 1; i > 0 && all[i].name < all[i-1].name; i-- {
		all[i], all[i-1] = all[i-1], all[i]
	}
	return all
}

// resource writes a resource: resourceType, id and meta first.
func (w *writer) resource(v reflect.Value) {
	w.buf = append(w.buf, `{"resourceType":`...)
	w.text(shapeOf(v.Type()).name)
	var room [32]set
	all := w.members(v, room[:0])
	for i := range all {
		if all[i].first {
			w.member(&all[i])
		}
	}
	w.below(all)
	for i := range all {
		if !all[i].first {
			w.member(&all[i])
		}
	}
	w.buf = append(w.buf, '}')
}

// object writes a message that is no resource.
func (w *writer) object(v reflect.Value) {
	switch x := v.Interface().(type) {
	case *dpb.Reference:
		if err := jsonformat.DenormalizeReference(x); err != nil {
			w.fail("a reference: %w", err)
		}
	case *bcrpb.ContainedResource:
		w.contained(x)
		return
	case *anypb.Any: // the member contained
		c := &bcrpb.ContainedResource{}
		if err := x.UnmarshalTo(c); err != nil {
			w.fail("a contained resource: %w", err)
			return
		}
		w.contained(c)
		return
	}
	w.sorted(v, "")
}

// contained writes the resource in a wrapper, with resourceType among its members.
func (w *writer) contained(c *bcrpb.ContainedResource) {
	if c.OneofResource == nil {
		w.fail("a wrapper without its resource")
		return
	}
	m := contained(c)
	w.sorted(reflect.ValueOf(m), string(m.ProtoReflect().Descriptor().Name()))
}

// sorted writes a message with its members in order, and with resourceType where it is a
// resource.
func (w *writer) sorted(v reflect.Value, resourceType string) {
	w.buf = append(w.buf, '{')
	var room [16]set
	all := w.members(v, room[:0])
	w.below(all)
	for i := range all {
		if resourceType != "" && all[i].name > "resourceType" {
			w.resourceType(&resourceType)
		}
		w.member(&all[i])
	}
	w.resourceType(&resourceType)
	w.buf = append(w.buf, '}')
}

// resourceType writes the member of that name, once.
func (w *writer) resourceType(name *string) {
	if *name != "" {
		w.key(`"resourceType":`)
		w.text(*name)
		*name = ""
	}
}

// key writes the name of a member that follows, behind a comma where one is needed.
func (w *writer) key(quoted string) {
	if w.buf[len(w.buf)-1] != '{' {
		w.buf = append(w.buf, ',')
	}
	w.buf = append(w.buf, quoted...)
}

// below writes ids and extensions of primitives, whose members begin with "_" and so stand
// before all others.
func (w *writer) below(all []set) {
	for i := range all {
		if all[i].primitive {
			w.some(&all[i], all[i].quotedBelow, extended, (*writer).extensions)
		}
	}
}

// member writes a member with its value, if it has one.
func (w *writer) member(s *set) {
	if s.primitive {
		w.some(s, s.quoted, valued, (*writer).primitive)
		return
	}
	w.some(s, s.quoted, always, (*writer).object)
}

func always(reflect.Value) bool { return true }

// some writes under a name what is there of a member: of a list, null for each that is
// not, and nothing where none is.
func (w *writer) some(s *set, quoted string, there func(reflect.Value) bool, write func(*writer, reflect.Value)) {
	if !s.list {
		if there(s.value) {
			w.key(quoted)
			write(w, s.value)
		}
		return
	}
	if !anyOf(s.value, there) {
		return
	}
	w.key(quoted)
	w.buf = append(w.buf, '[')
	for i := range s.value.Len() {
		if i > 0 {
			w.buf = append(w.buf, ',')
		}
		if one := s.value.Index(i); there(one) {
			write(w, one)
		} else {
			w.buf = append(w.buf, "null"...)
		}
	}
	w.buf = append(w.buf, ']')
}

// extensions writes the extensions and the id of a primitive.
func (w *writer) extensions(v reflect.Value) {
	w.buf = append(w.buf, '{')
	began := false
	for _, x := range extensionsOf(v) {
		switch {
		case noValue(x):
			continue
		case began:
			w.buf = append(w.buf, ',')
		default:
			w.buf = append(w.buf, `"extension":[`...)
		}
		began = true
		w.object(reflect.ValueOf(x))
	}
	if began {
		w.buf = append(w.buf, ']')
	}
	if id := idOf(v); id != nil {
		w.key(`"id":`)
		w.text(id.GetValue())
	}
	w.buf = append(w.buf, '}')
}

// primitive writes the value of a primitive that has one.
func (w *writer) primitive(v reflect.Value) {
	switch x := v.Interface().(type) {
	case *dpb.Boolean:
		w.buf = strconv.AppendBool(w.buf, x.Value)
	case *dpb.Integer:
		w.buf = strconv.AppendInt(w.buf, int64(x.Value), 10)
	case *dpb.PositiveInt:
		w.buf = strconv.AppendUint(w.buf, uint64(x.Value), 10)
	case *dpb.UnsignedInt:
		w.buf = strconv.AppendUint(w.buf, uint64(x.Value), 10)
	case *dpb.Decimal:
		w.buf = append(w.buf, x.Value...)
	case *dpb.Date:
		w.time(x.ValueUs, x.Timezone, dateLayouts[x.Precision])
	case *dpb.DateTime:
		w.time(x.ValueUs, x.Timezone, dateTimeLayouts[x.Precision])
	case *dpb.Instant:
		w.time(x.ValueUs, x.Timezone, instantLayouts[x.Precision])
	case *dpb.Base64Binary:
		w.rare(x)
	case *dpb.Time:
		w.rare(x)
	default:
		s := shapeOf(v.Type())
		switch {
		case s.value < 0:
			w.fail("a primitive of type %s", s.name)
		case s.codes != nil:
			w.text(s.codes[v.Elem().Field(s.value).Int()])
		default:
			w.text(v.Elem().Field(s.value).String())
		}
	}
}

// rare writes a value by google/fhir's own writer, as one of an extension.
func (w *writer) rare(msg proto.Message) {
	m, _ := codec()
	name := string(msg.ProtoReflect().Descriptor().Name())
	b, err := m.MarshalElement(Extension("", proto.Clone(msg)))
	var members map[string]json.RawMessage
	if err == nil {
		err = json.Unmarshal(b, &members)
	}
	if err != nil {
		w.fail("a %s: %w", name, err)
	}
	w.buf = append(w.buf, members["value"+name]...)
}

// time writes a time by the layout of its precision, whose zone is "Z" or an offset.
func (w *writer) time(us int64, zone string, l layouts) {
	at, err := located(us, zone)
	if l.offset == "" {
		err = errors.New("no precision")
	}
	if err != nil {
		w.fail("a time: %w", err)
		return
	}
	layout := l.offset
	if zone == utc {
		layout = l.utc
	}
	w.buf = append(w.buf, '"')
	w.buf = at.AppendFormat(w.buf, layout)
	w.buf = append(w.buf, '"')
}

// text writes a string as encoding/json does without escapes for HTML.
func (w *writer) text(s string) {
	w.buf = append(w.buf, '"')
	from := 0
	for i := 0; i < len(s); {
		c := s[i]
		if c >= 0x20 && c < utf8.RuneSelf && c != '"' && c != '\\' {
			i++
			continue
		}
		r, size := utf8.DecodeRuneInString(s[i:])
		escape := escaped(r, size)
		if escape == "" {
			i += size
			continue
		}
		w.buf = append(w.buf, s[from:i]...)
		w.buf = append(w.buf, escape...)
		i += size
		from = i
	}
	w.buf = append(w.buf, s[from:]...)
	w.buf = append(w.buf, '"')
}

// escaped is the escape of a character, "" for one that stands as it is.
func escaped(r rune, size int) string {
	switch r {
	case '"':
		return `\"`
	case '\\':
		return `\\`
	case '\b':
		return `\b`
	case '\f':
		return `\f`
	case '\n':
		return `\n`
	case '\r':
		return `\r`
	case '\t':
		return `\t`
	case '\u2028':
		return `\u2028`
	case '\u2029':
		return `\u2029`
	}
	switch {
	case r < 0x20:
		return fmt.Sprintf(`\u%04x`, r)
	case r == utf8.RuneError && size == 1:
		return `\ufffd`
	}
	return ""
}
