package r4

import (
	"cmp"
	"encoding/json"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	apb "github.com/google/fhir/go/proto/google/fhir/proto/annotations_go_proto"
	dpb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/datatypes_go_proto"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
)

// shape is what the writer knows of a type of message.
type shape struct {
	resource bool
	fields   []field // by the name of the member, choices by what their names begin with
}

// field is a field of a message and the member that it is written as. A choice is written
// as the member of what was chosen.
type field struct {
	member
	desc   protoreflect.FieldDescriptor
	choice protoreflect.OneofDescriptor // nil: the field is no choice
	chosen []member                     // by the index of the field in the choice
}

// member is a member of an object.
type member struct {
	name                string
	quoted, quotedBelow string // as it is written, with the colon
	list                bool
	first               bool       // of a resource, stands before the others
	primitive           *primitive // nil: the member is an object
}

// primitive is what the writer knows of a primitive type.
type primitive struct {
	value protoreflect.FieldDescriptor
	codes map[protoreflect.EnumNumber]string // of an enumeration
}

var shapes sync.Map // by protoreflect.MessageDescriptor

func shapeOf(d protoreflect.MessageDescriptor) *shape {
	if s, ok := shapes.Load(d); ok {
		return s.(*shape)
	}
	s, _ := shapes.LoadOrStore(d, newShape(d))
	return s.(*shape)
}

func kindOf(d protoreflect.MessageDescriptor) apb.StructureDefinitionKindValue {
	return proto.GetExtension(d.Options(), apb.E_StructureDefinitionKind).(apb.StructureDefinitionKindValue)
}

func newShape(d protoreflect.MessageDescriptor) *shape {
	s := &shape{resource: kindOf(d) == apb.StructureDefinitionKindValue_KIND_RESOURCE}
	for i := range d.Fields().Len() {
		desc := d.Fields().Get(i)
		if desc.Message() == nil {
			continue // none of R4's
		}
		f := field{desc: desc, member: memberOf(desc.JSONName(), desc)}
		f.first = s.resource && (f.name == "id" || f.name == "meta")
		if proto.GetExtension(desc.Message().Options(), apb.E_IsChoiceType).(bool) {
			f.choice = desc.Message().Oneofs().Get(0)
			for i := range desc.Message().Fields().Len() {
				c := desc.Message().Fields().Get(i)
				f.chosen = append(f.chosen, memberOf(f.name+strings.ToUpper(c.JSONName()[:1])+c.JSONName()[1:], c))
			}
		}
		s.fields = append(s.fields, f)
	}
	slices.SortFunc(s.fields, func(a, b field) int { return cmp.Compare(a.name, b.name) })
	return s
}

func memberOf(name string, d protoreflect.FieldDescriptor) member {
	return member{name: name, quoted: strconv.Quote(name) + ":", quotedBelow: strconv.Quote("_"+name) + ":", list: d.IsList(), primitive: primitiveOf(d.Message())}
}

// primitiveOf is nil for a type that is no primitive.
func primitiveOf(d protoreflect.MessageDescriptor) *primitive {
	if kindOf(d) != apb.StructureDefinitionKindValue_KIND_PRIMITIVE_TYPE {
		return nil
	}
	p := &primitive{value: d.Fields().ByName("value")}
	if p.value != nil && p.value.Kind() == protoreflect.EnumKind {
		p.codes = codesOf(p.value.Enum())
	}
	return p
}

// codesOf are the codes of R4 that the values of an enumeration stand for; its zero
// stands for none.
func codesOf(d protoreflect.EnumDescriptor) map[protoreflect.EnumNumber]string {
	out := map[protoreflect.EnumNumber]string{}
	for i := range d.Values().Len() {
		v := d.Values().Get(i)
		code := proto.GetExtension(v.Options(), apb.E_FhirOriginalCode).(string)
		if code == "" {
			code = strings.ReplaceAll(strings.ToLower(string(v.Name())), "_", "-")
		}
		out[v.Number()] = code
	}
	return out
}

// valued reports whether a primitive has a value.
func (p *primitive) valued(m protoreflect.Message) bool {
	return (p.codes == nil || m.Get(p.value).Enum() != 0) && !slices.ContainsFunc(extensionsOf(m), noValue)
}

// extended reports whether a primitive has an id or an extension that is written.
func (p *primitive) extended(m protoreflect.Message) bool {
	return idOf(m) != nil || slices.ContainsFunc(extensionsOf(m), func(x *dpb.Extension) bool { return !noValue(x) })
}

func extensionsOf(m protoreflect.Message) []*dpb.Extension {
	if x, ok := m.Interface().(interface{ GetExtension() []*dpb.Extension }); ok {
		return x.GetExtension()
	}
	return nil
}

func idOf(m protoreflect.Message) *dpb.String {
	if x, ok := m.Interface().(interface{ GetId() *dpb.String }); ok {
		return x.GetId()
	}
	return nil
}

func anyOf(l protoreflect.List, has func(protoreflect.Message) bool) bool {
	for i := range l.Len() {
		if has(l.Get(i).Message()) {
			return true
		}
	}
	return false
}

// noValue reports google/fhir's own mark on a primitive without value.
func noValue(x *dpb.Extension) bool { return x.GetUrl().GetValue() == primitiveHasNoData }

// layouts are how a time of one precision is written, with an offset and in UTC.
type layouts struct{ offset, utc string }

var (
	dateLayouts = map[dpb.Date_Precision]layouts{
		dpb.Date_YEAR: day("2006"), dpb.Date_MONTH: day("2006-01"), dpb.Date_DAY: day(time.DateOnly),
	}
	dateTimeLayouts = map[dpb.DateTime_Precision]layouts{
		dpb.DateTime_YEAR: day("2006"), dpb.DateTime_MONTH: day("2006-01"), dpb.DateTime_DAY: day(time.DateOnly),
		dpb.DateTime_SECOND: clock(""), dpb.DateTime_MILLISECOND: clock(".000"), dpb.DateTime_MICROSECOND: clock(".000000"),
	}
	instantLayouts = map[dpb.Instant_Precision]layouts{
		dpb.Instant_SECOND: clock(""), dpb.Instant_MILLISECOND: clock(".000"), dpb.Instant_MICROSECOND: clock(".000000"),
	}
)

func day(layout string) layouts { return layouts{layout, layout} }

func clock(fraction string) layouts {
	const seconds = "2006-01-02T15:04:05"
	return layouts{seconds + fraction + "-07:00", seconds + fraction + "Z"}
}

var zones sync.Map // *time.Location by what google/fhir names a zone

// located is an instant in its zone: "Z", an offset, or a name of the zone data.
func located(us int64, zone string) (time.Time, error) {
	at := time.UnixMicro(us)
	if zone == utc {
		return at.UTC(), nil
	}
	if l, ok := zones.Load(zone); ok {
		return at.In(l.(*time.Location)), nil
	}
	l, err := locationOf(zone)
	if err != nil {
		return at, err
	}
	zones.Store(zone, l)
	return at.In(l), nil
}

func locationOf(zone string) (*time.Location, error) {
	if at, err := time.Parse("-07:00", zone); err == nil {
		_, seconds := at.Zone()
		return time.FixedZone(zone, seconds), nil
	}
	return time.LoadLocation(zone)
}

// rare writes a value by google/fhir's own writer.
func (w *writer) rare(m protoreflect.Message) {
	writer, _ := codec()
	b, err := writer.MarshalElement(Extension("", proto.Clone(m.Interface())))
	if err != nil {
		w.fail("a %s: %w", m.Descriptor().Name(), err)
		return
	}
	var members map[string]json.RawMessage
	if err := json.Unmarshal(b, &members); err != nil {
		w.fail("a %s: %w", m.Descriptor().Name(), err)
		return
	}
	w.buf = append(w.buf, members["value"+string(m.Descriptor().Name())]...)
}
