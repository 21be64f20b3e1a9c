package r4

import (
	"bytes"
	"encoding/json"
	"math/rand/v2"
	"strings"
	"testing"

	apb "github.com/google/fhir/go/proto/google/fhir/proto/annotations_go_proto"
	dpb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/datatypes_go_proto"
	bcrpb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/resources/bundle_and_contained_resource_go_proto"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/anypb"

	"nailbridge/internal/official"
	"nailbridge/mapping/resource"
)

// Every resource of R4, with members drawn from all that its message has, is written as
// google/fhir's own writer does, put in order; what that one refuses is refused.
func TestEveryMemberIsWrittenAsGoogleWrites(t *testing.T) {
	m, _ := codec()
	kinds := (&bcrpb.ContainedResource{}).ProtoReflect().Descriptor().Oneofs().Get(0).Fields()
	f := filler{rand.New(rand.NewPCG(1, 2))}
	written := 0
	for i := range kinds.Len() {
		name := kinds.Get(i).Message().Name()
		for range 12 {
			msg := (&bcrpb.ContainedResource{}).ProtoReflect().NewField(kinds.Get(i)).Message()
			f.fill(msg, 4)
			id := msg.Descriptor().Fields().ByName("id")
			msg.Set(id, protoreflect.ValueOfMessage(ID("x").ProtoReflect()))
			plain, refused := m.MarshalResource(proto.Clone(msg.Interface()))
			got, err := Marshal(msg.Interface())
			if refused != nil {
				require.Error(t, err, name)
				continue
			}
			require.NoError(t, err, name)
			want, err := resource.Ordered(plain)
			require.NoError(t, err, name)
			require.Equal(t, string(want), string(got.JSON()), name)
			written++
		}
	}
	assert.Greater(t, written, 1000, "resources written")
}

// filler fills messages with what stands in none of the examples too.
type filler struct{ *rand.Rand }

func (f filler) fill(m protoreflect.Message, depth int) {
	if f.primitive(m) && depth > 0 {
		depth = 1 // its extensions alone are left
	}
	for i := range m.Descriptor().Fields().Len() {
		d := m.Descriptor().Fields().Get(i)
		switch {
		case d.Message() == nil || d.ContainingOneof() != nil || depth == 0:
		case d.IsList() && f.IntN(8) == 0:
			for range 1 + f.IntN(3) {
				f.below(m.Mutable(d).List().AppendMutable().Message(), depth-1)
			}
		case !d.IsList() && f.IntN(3) == 0:
			f.below(m.Mutable(d).Message(), depth-1)
		}
	}
	for i := range m.Descriptor().Oneofs().Len() {
		of := m.Descriptor().Oneofs().Get(i).Fields()
		f.below(m.Mutable(of.Get(f.IntN(of.Len()))).Message(), max(depth-1, 0))
	}
}

func (f filler) below(m protoreflect.Message, depth int) {
	if any, ok := m.Interface().(*anypb.Any); ok {
		c := &bcrpb.ContainedResource{}
		f.fill(c.ProtoReflect(), 3)
		if packed, err := anypb.New(c); err == nil {
			proto.Merge(any, packed)
		}
		return
	}
	f.fill(m, depth)
}

// primitive fills a primitive with a value of its type, or the mark of none.
func (f filler) primitive(m protoreflect.Message) bool {
	zone := []string{"Z", "UTC", "+01:00", "-09:30", "+14:00"}[f.IntN(5)]
	at := f.Int64N(4e15) - 2e15
	switch x := m.Interface().(type) {
	case *dpb.Decimal:
		x.Value = []string{"2.50", "-1e3", "0"}[f.IntN(3)]
	case *dpb.Date:
		x.ValueUs, x.Timezone, x.Precision = at, zone, dpb.Date_Precision(f.IntN(4))
	case *dpb.DateTime:
		x.ValueUs, x.Timezone, x.Precision = at, zone, dpb.DateTime_Precision(1+f.IntN(6))
	case *dpb.Instant:
		x.ValueUs, x.Timezone, x.Precision = at, zone, dpb.Instant_Precision(1+f.IntN(3))
	case *dpb.Time:
		x.ValueUs, x.Precision = f.Int64N(86400e6), dpb.Time_Precision(1+f.IntN(3))
	default:
		if kindOf(m.Descriptor()) != apb.StructureDefinitionKindValue_KIND_PRIMITIVE_TYPE {
			return false
		}
		f.scalar(m, m.Descriptor().Fields().ByName("value"))
	}
	if e := m.Descriptor().Fields().ByName("extension"); e != nil && f.IntN(10) == 0 {
		m.Mutable(e).List().Append(protoreflect.ValueOfMessage(Extension(primitiveHasNoData, Boolean(true)).ProtoReflect()))
	}
	return true
}

func (f filler) scalar(m protoreflect.Message, d protoreflect.FieldDescriptor) {
	switch d.Kind() {
	case protoreflect.StringKind:
		texts := []string{"plain", `"quoted" \ <b> & ü`, "line\nfeed\ttab\r\b\f\x01\x7f", "\u2028 \u2029 \U0001f9b6", ""}
		m.Set(d, protoreflect.ValueOfString(texts[f.IntN(len(texts))]))
	case protoreflect.BytesKind:
		m.Set(d, protoreflect.ValueOfBytes([]byte{1, 2, byte(f.IntN(256))}))
	case protoreflect.BoolKind:
		m.Set(d, protoreflect.ValueOfBool(f.IntN(2) == 0))
	case protoreflect.Int32Kind, protoreflect.Sint32Kind:
		m.Set(d, protoreflect.ValueOfInt32(f.Int32()-1<<30))
	case protoreflect.Uint32Kind:
		m.Set(d, protoreflect.ValueOfUint32(f.Uint32()))
	case protoreflect.EnumKind:
		m.Set(d, protoreflect.ValueOfEnum(d.Enum().Values().Get(f.IntN(d.Enum().Values().Len())).Number()))
	}
}

// Strings are written as encoding/json does, broken ones too.
func TestTextsAreWrittenAsEncodingJSONWrites(t *testing.T) {
	for _, s := range []string{"", "plain", `a"b\c`, "\x00\x1f\x7f\b\f\n\r\t", "<&>", "é\u2028\u2029\U0001f9b6", "broken \xff\xc3 \xe2\x80", "\xed\xa0\x80"} {
		var want bytes.Buffer
		enc := json.NewEncoder(&want)
		enc.SetEscapeHTML(false)
		require.NoError(t, enc.Encode(s))
		var w writer
		w.text(s)
		assert.Equal(t, want.String(), string(w.buf)+"\n")
	}
}

// BenchmarkMarshal writes the official examples of an Observation.
func BenchmarkMarshal(b *testing.B) {
	var all []proto.Message
	for _, d := range official.Examples(b) {
		if msg, err := Unmarshal(d.Text); err == nil && strings.HasPrefix(d.Name, "Observation-") {
			all = append(all, msg)
		}
	}
	m, _ := codec()
	b.Run("ours", func(b *testing.B) {
		b.ReportAllocs()
		for i := 0; b.Loop(); i++ {
			_, err := Marshal(all[i%len(all)])
			require.NoError(b, err)
		}
	})
	b.Run("google", func(b *testing.B) {
		b.ReportAllocs()
		for i := 0; b.Loop(); i++ {
			_, err := m.MarshalResource(all[i%len(all)])
			require.NoError(b, err)
		}
	})
}
