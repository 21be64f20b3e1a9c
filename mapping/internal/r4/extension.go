package r4

import (
	dpb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/datatypes_go_proto"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"nailbridge/mapping/terms"
)

// primitiveHasNoData is google/fhir's own mark on a primitive without value; it
// is never written.
const primitiveHasNoData = "https://g.co/fhir/StructureDefinition/primitiveHasNoValue"

// extensionChoices finds the member of Extension.value[x] of a datatype.
var extensionChoices = func() map[protoreflect.FullName]protoreflect.FieldDescriptor {
	m := map[protoreflect.FullName]protoreflect.FieldDescriptor{}
	fields := (&dpb.Extension_ValueX{}).ProtoReflect().Descriptor().Fields()
	for i := range fields.Len() {
		m[fields.Get(i).Message().FullName()] = fields.Get(i)
	}
	return m
}()

// Extension is an extension with one value, any datatype message that R4
// allows there; another message is a fault of the caller and panics.
func Extension(url string, value proto.Message) *dpb.Extension {
	v := value.ProtoReflect()
	field, ok := extensionChoices[v.Descriptor().FullName()]
	if !ok {
		panic("r4: no Extension.value[x] of type " + string(v.Descriptor().Name()))
	}
	x := &dpb.Extension_ValueX{}
	x.ProtoReflect().Set(field, protoreflect.ValueOfMessage(v))
	return &dpb.Extension{Url: URI(url), Value: x}
}

// ComplexExtension is an extension that holds extensions.
func ComplexExtension(url string, parts ...*dpb.Extension) *dpb.Extension {
	return &dpb.Extension{Url: URI(url), Extension: parts}
}

// AbsentReason says on an element of a complex type why it holds nothing;
// reason is a code of data-absent-reason, such as "unknown" or "masked".
func AbsentReason(reason string) *dpb.Extension {
	return Extension(terms.ExtDataAbsentReason, Code(reason))
}

// AbsentValue is the extension list of a primitive that has no value and says
// why. It may be set on any primitive message, an enumeration too.
func AbsentValue(reason string) []*dpb.Extension {
	return []*dpb.Extension{Extension(primitiveHasNoData, Boolean(true)), AbsentReason(reason)}
}
