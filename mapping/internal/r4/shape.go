package r4

import (
	"cmp"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"sync"

	apb "github.com/google/fhir/go/proto/google/fhir/proto/annotations_go_proto"
	dpb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/datatypes_go_proto"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
)

// shape is what the writer knows of a type of message. Fields are those of its Go struct,
// since the answer to whether one is set takes ten times as long by protoreflect.
type shape struct {
	name     string
	resource bool
	fields   []field  // by the name of the member, a choice by what its name begins with
	oneof    *oneof   // of the message itself; nil: none
	value    int      // of a primitive: its field; -1: none of a kind that is written as it is
	codes    []string // of an enumeration, by number
}

// field is a field of a message and the member that it is written as.
type field struct {
	member
	index  int
	choice *oneof // not nil: a choice, written as the member of what was chosen
}

// member is a member of an object.
type member struct {
	name                string
	quoted, quotedBelow string // as it is written, with the colon
	list                bool
	first               bool // of a resource, stands before the others
	primitive           bool
}

// oneof is a field of which one of many is set.
type oneof struct {
	index  int
	prefix string // of the members' names
	desc   protoreflect.OneofDescriptor
	chosen sync.Map // *member by reflect.Type of what stands in the field
}

var shapes sync.Map // *shape by reflect.Type of a pointer to a message

func shapeOf(t reflect.Type) *shape {
	if s, ok := shapes.Load(t); ok {
		return s.(*shape)
	}
	s, _ := shapes.LoadOrStore(t, newShape(t))
	return s.(*shape)
}

func kindOf(d protoreflect.MessageDescriptor) apb.StructureDefinitionKindValue {
	return proto.GetExtension(d.Options(), apb.E_StructureDefinitionKind).(apb.StructureDefinitionKindValue)
}

func newShape(t reflect.Type) *shape {
	d := reflect.Zero(t).Interface().(proto.Message).ProtoReflect().Descriptor()
	s := &shape{name: string(d.Name()), resource: kindOf(d) == apb.StructureDefinitionKindValue_KIND_RESOURCE, value: -1}
	for i := range t.Elem().NumField() {
		tag := t.Elem().Field(i).Tag
		if name := tag.Get("protobuf_oneof"); name != "" {
			s.oneof = &oneof{index: i, desc: d.Oneofs().ByName(protoreflect.Name(name))}
			continue
		}
		desc := d.Fields().ByName(fieldName(tag.Get("protobuf")))
		switch {
		case desc == nil: // of the runtime
		case desc.Message() == nil:
			s.scalar(i, desc)
		default:
			s.fields = append(s.fields, s.field(i, t.Elem().Field(i).Type, desc))
		}
	}
	slices.SortFunc(s.fields, func(a, b field) int { return cmp.Compare(a.name, b.name) })
	return s
}

// fieldName is the name of a field by the tag of its Go field.
func fieldName(tag string) protoreflect.Name {
	_, rest, _ := strings.Cut(tag, "name=")
	name, _, _ := strings.Cut(rest, ",")
	return protoreflect.Name(name)
}

func (s *shape) field(index int, t reflect.Type, d protoreflect.FieldDescriptor) field {
	f := field{index: index, member: memberOf(d.JSONName(), d)}
	f.first = s.resource && (f.name == "id" || f.name == "meta")
	if proto.GetExtension(d.Message().Options(), apb.E_IsChoiceType).(bool) {
		f.choice = shapeOf(t).oneof
		f.choice = &oneof{index: f.choice.index, prefix: f.name, desc: f.choice.desc}
	}
	return f
}

func memberOf(name string, d protoreflect.FieldDescriptor) member {
	return member{name: name, quoted: strconv.Quote(name) + ":", quotedBelow: strconv.Quote("_"+name) + ":", list: d.IsList(),
		primitive: kindOf(d.Message()) == apb.StructureDefinitionKindValue_KIND_PRIMITIVE_TYPE}
}

// scalar takes in the value of a primitive that is a text or an enumeration.
func (s *shape) scalar(index int, d protoreflect.FieldDescriptor) {
	switch {
	case d.Name() != "value":
	case d.Kind() == protoreflect.StringKind:
		s.value = index
	case d.Kind() == protoreflect.EnumKind:
		s.value, s.codes = index, codesOf(d.Enum())
	}
}

// codesOf are the codes of R4 that the values of an enumeration stand for; its zero
// stands for none.
func codesOf(d protoreflect.EnumDescriptor) []string {
	out := []string{}
	for i := range d.Values().Len() {
		v := d.Values().Get(i)
		code := proto.GetExtension(v.Options(), apb.E_FhirOriginalCode).(string)
		if code == "" {
			code = strings.ReplaceAll(strings.ToLower(string(v.Name())), "_", "-")
		}
		for len(out) <= int(v.Number()) {
			out = append(out, "")
		}
		out[v.Number()] = code
	}
	return out
}

// in is what is set in a message, with the member that it is written as; nil: nothing.
func (o *oneof) in(message reflect.Value) (*member, reflect.Value) {
	wrapper := message.Elem().Field(o.index)
	if wrapper.IsNil() {
		return nil, reflect.Value{}
	}
	wrapper = wrapper.Elem()
	value := wrapper.Elem().Field(0)
	if m, ok := o.chosen.Load(wrapper.Type()); ok {
		return m.(*member), value
	}
	d := message.Interface().(proto.Message).ProtoReflect().WhichOneof(o.desc)
	name := d.JSONName()
	if o.prefix != "" {
		name = o.prefix + strings.ToUpper(name[:1]) + name[1:]
	}
	m := memberOf(name, d)
	o.chosen.Store(wrapper.Type(), &m)
	return &m, value
}

// valued reports whether a primitive has a value.
func valued(v reflect.Value) bool {
	if slices.ContainsFunc(extensionsOf(v), noValue) {
		return false
	}
	s := shapeOf(v.Type())
	return s.codes == nil || v.Elem().Field(s.value).Int() != 0
}

// extended reports whether a primitive has an id or an extension that is written.
func extended(v reflect.Value) bool {
	return idOf(v) != nil || slices.ContainsFunc(extensionsOf(v), func(x *dpb.Extension) bool { return !noValue(x) })
}

func extensionsOf(v reflect.Value) []*dpb.Extension {
	if x, ok := v.Interface().(interface{ GetExtension() []*dpb.Extension }); ok {
		return x.GetExtension()
	}
	return nil
}

func idOf(v reflect.Value) *dpb.String {
	if x, ok := v.Interface().(interface{ GetId() *dpb.String }); ok {
		return x.GetId()
	}
	return nil
}

// anyOf reports whether one of a list is so.
func anyOf(list reflect.Value, so func(reflect.Value) bool) bool {
	for i := range list.Len() {
		if so(list.Index(i)) {
			return true
		}
	}
	return false
}

// noValue reports google/fhir's own mark on a primitive without value.
func noValue(x *dpb.Extension) bool { return x.GetUrl().GetValue() == primitiveHasNoData }
