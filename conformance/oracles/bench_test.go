package oracles

import (
	"testing"

	"github.com/google/fhir/go/fhirversion"
	"github.com/google/fhir/go/jsonformat"
	bundlepb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/resources/bundle_and_contained_resource_go_proto"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/official"
	"nailbridge/internal/validate"
	"nailbridge/internal/validate/defs"
	"nailbridge/internal/validate/engine"
)

// timesOfJava is how often the Java validator goes over all examples to be timed.
const timesOfJava = 3

// BenchmarkExamples validates distinct official examples, one a turn, by ours and by HL7's Java validator once it is
// warm, on one thread as ours: all of them, and then those alone that google/fhir reads and writes, with its parse and
// its Marshal of the same bytes beside. The log names those that it does not take.
func BenchmarkExamples(b *testing.B) {
	all := official.Examples(b)
	g := newGoogle(b)
	var taken []official.Document
	for _, d := range all {
		if msg, err := g.parse.Unmarshal(d.Text); err != nil {
			b.Logf("google/fhir does not read %s: %v", d.Name, err)
		} else if _, err := g.write.Marshal(msg.(*bundlepb.ContainedResource)); err != nil {
			b.Logf("google/fhir does not write %s: %v", d.Name, err)
		} else {
			taken = append(taken, d)
		}
	}
	b.Logf("google/fhir takes %d of %d examples", len(taken), len(all))
	b.Run("all", func(b *testing.B) { validators(b, all) })
	b.Run("taken-by-google", func(b *testing.B) {
		validators(b, taken)
		each(b, "google-parse", taken, func(text []byte) {
			_, err := g.parse.Unmarshal(text)
			require.NoError(b, err)
		})
		b.Run("google-marshal", func(b *testing.B) {
			b.ReportAllocs()
			for i := 0; b.Loop(); i++ {
				b.StopTimer() // Marshal changes what it writes
				msg, err := g.parse.Unmarshal(taken[i%len(taken)].Text)
				require.NoError(b, err)
				b.StartTimer()
				_, err = g.write.Marshal(msg.(*bundlepb.ContainedResource))
				require.NoError(b, err)
			}
		})
	})
}

type google struct {
	parse *jsonformat.Unmarshaller
	write *jsonformat.Marshaller
}

func newGoogle(b *testing.B) (g google) {
	var err error
	g.parse, err = jsonformat.NewUnmarshaller("UTC", fhirversion.R4)
	require.NoError(b, err)
	g.write, err = jsonformat.NewMarshaller(false, "", "", fhirversion.R4)
	require.NoError(b, err)
	return g
}

// each does something with distinct documents, one a turn.
func each(b *testing.B, name string, documents []official.Document, do func(text []byte)) {
	b.Run(name, func(b *testing.B) {
		b.ReportAllocs()
		for i := 0; b.Loop(); i++ {
			do(documents[i%len(documents)].Text)
		}
	})
}

// validators are ours and the Java validator.
func validators(b *testing.B, documents []official.Document) {
	v := engine.New(defs.New())
	each(b, "ours", documents, func(text []byte) { v.Validate(text, validate.Options(nil)) })
	b.Run("java", func(b *testing.B) {
		Require(b)
		var texts [][]byte
		for _, d := range documents {
			texts = append(texts, d.Text)
		}
		report, err := Validate(b.Context(), Options{Documents: texts, Times: timesOfJava, Uncounted: true})
		require.NoError(b, err)
		b.ReportMetric(float64(report.PerInput.Nanoseconds()), "ns/op")
	})
}
