package r4

import (
	"errors"
	"fmt"
	"strconv"
	"unicode/utf8"

	"github.com/google/fhir/go/jsonformat"
	dpb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/datatypes_go_proto"
	bcrpb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/resources/bundle_and_contained_resource_go_proto"
	"google.golang.org/protobuf/reflect/protoreflect"
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
	value protoreflect.Value // a list where the member is repeated
}

// members are those of a message that are there, in order.
func (w *writer) members(m protoreflect.Message, s *shape, out []set) []set {
	for i := range s.fields {
		f := &s.fields[i]
		if !m.Has(f.desc) {
			continue
		}
		one := set{&f.member, m.Get(f.desc)}
		if f.choice != nil {
			chosen := one.value.Message()
			which := chosen.WhichOneof(f.choice)
			if which == nil {
				w.fail("no value in the choice of %s", f.desc.Name())
				continue
			}
			one = set{&f.chosen[which.Index()], chosen.Get(which)}
		}
		out = append(out, one)
		for i := len(out) - 1; i > 0 && out[i].name < out[i-1].name; i-- {
			out[i], out[i-1] = out[i-1], out[i]
		}
	}
	return out
}

// resource writes a resource: resourceType, id and meta first.
func (w *writer) resource(m protoreflect.Message) {
	w.buf = append(w.buf, `{"resourceType":`...)
	w.text(string(m.Descriptor().Name()))
	var room [32]set
	all := w.members(m, shapeOf(m.Descriptor()), room[:0])
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
func (w *writer) object(m protoreflect.Message) {
	switch x := m.Interface().(type) {
	case *dpb.Reference:
		if err := jsonformat.DenormalizeReference(x); err != nil {
			w.fail("a reference: %w", err)
		}
	case *bcrpb.ContainedResource:
		w.contained(m)
		return
	case *anypb.Any: // the member contained
		c := &bcrpb.ContainedResource{}
		if err := x.UnmarshalTo(c); err != nil {
			w.fail("a contained resource: %w", err)
			return
		}
		w.contained(c.ProtoReflect())
		return
	}
	w.sorted(m, "")
}

// contained writes the resource in a wrapper, with resourceType among its members.
func (w *writer) contained(m protoreflect.Message) {
	f := m.WhichOneof(m.Descriptor().Oneofs().Get(0))
	if f == nil {
		w.fail("a wrapper without its resource")
		return
	}
	w.sorted(m.Get(f).Message(), string(f.Message().Name()))
}

// sorted writes a message with its members in order, and with resourceType where it is a
// resource.
func (w *writer) sorted(m protoreflect.Message, resourceType string) {
	w.buf = append(w.buf, '{')
	var room [16]set
	all := w.members(m, shapeOf(m.Descriptor()), room[:0])
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
		s := &all[i]
		switch {
		case s.primitive == nil:
		case !s.list:
			if m := s.value.Message(); s.primitive.extended(m) {
				w.key(s.quotedBelow)
				w.extensions(m)
			}
		case anyOf(s.value.List(), s.primitive.extended):
			w.key(s.quotedBelow)
			w.array(s.value.List(), func(m protoreflect.Message) bool {
				if s.primitive.extended(m) {
					w.extensions(m)
					return true
				}
				return false
			})
		}
	}
}

// member writes a member with its value, if it has one.
func (w *writer) member(s *set) {
	switch {
	case s.primitive == nil && !s.list:
		w.key(s.quoted)
		w.object(s.value.Message())
	case s.primitive == nil:
		w.key(s.quoted)
		w.array(s.value.List(), func(m protoreflect.Message) bool { w.object(m); return true })
	case !s.list:
		if m := s.value.Message(); s.primitive.valued(m) {
			w.key(s.quoted)
			w.primitive(s.primitive, m)
		}
	case anyOf(s.value.List(), s.primitive.valued):
		w.key(s.quoted)
		w.array(s.value.List(), func(m protoreflect.Message) bool {
			if s.primitive.valued(m) {
				w.primitive(s.primitive, m)
				return true
			}
			return false
		})
	}
}

// array writes what one gives of each message, and null where it gives nothing.
func (w *writer) array(l protoreflect.List, one func(protoreflect.Message) bool) {
	w.buf = append(w.buf, '[')
	for i := range l.Len() {
		if i > 0 {
			w.buf = append(w.buf, ',')
		}
		if !one(l.Get(i).Message()) {
			w.buf = append(w.buf, "null"...)
		}
	}
	w.buf = append(w.buf, ']')
}

// extensions writes the extensions and the id of a primitive.
func (w *writer) extensions(m protoreflect.Message) {
	w.buf = append(w.buf, '{')
	first := true
	for _, x := range extensionsOf(m) {
		if noValue(x) {
			continue
		}
		if first {
			w.buf = append(w.buf, `"extension":[`...)
			first = false
		} else {
			w.buf = append(w.buf, ',')
		}
		w.object(x.ProtoReflect())
	}
	if !first {
		w.buf = append(w.buf, ']')
	}
	if id := idOf(m); id != nil {
		w.key(`"id":`)
		w.text(id.GetValue())
	}
	w.buf = append(w.buf, '}')
}

// primitive writes the value of a primitive that has one.
func (w *writer) primitive(p *primitive, m protoreflect.Message) {
	switch x := m.Interface().(type) {
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
	case *dpb.Base64Binary, *dpb.Time:
		w.rare(m)
	default:
		if p.codes != nil {
			w.text(p.codes[m.Get(p.value).Enum()])
			return
		}
		if p.value == nil || p.value.Kind() != protoreflect.StringKind {
			w.fail("a primitive of type %s", m.Descriptor().Name())
			return
		}
		w.text(m.Get(p.value).String())
	}
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
