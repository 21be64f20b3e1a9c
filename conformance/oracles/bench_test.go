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

// BenchmarkExamples validates distinct official examples, one a turn: by ours, by google/fhir's parse and Marshal of
// the same bytes, of those that it takes, and by HL7's Java validator once it is warm, on one thread as ours.
func BenchmarkExamples(b *testing.B) {
	all := exampleTexts(b)
	each := func(name string, texts [][]byte, do func(text []byte)) {
		b.Run(name, func(b *testing.B) {
			b.ReportAllocs()
			for i := 0; b.Loop(); i++ {
				do(texts[i%len(texts)])
			}
		})
	}
	v := engine.New(defs.New())
	each("ours", all, func(text []byte) { v.Validate(text, validate.Options(nil)) })
	u, err := jsonformat.NewUnmarshaller("UTC", fhirversion.R4)
	require.NoError(b, err)
	m, err := jsonformat.NewMarshaller(false, "", "", fhirversion.R4)
	require.NoError(b, err)
	var taken [][]byte
	for _, text := range all {
		if msg, err := u.Unmarshal(text); err == nil {
			if _, err := m.Marshal(msg.(*bundlepb.ContainedResource)); err == nil {
				taken = append(taken, text)
			}
		}
	}
	each("google-parse-and-marshal", taken, func(text []byte) {
		msg, err := u.Unmarshal(text)
		require.NoError(b, err)
		_, err = m.Marshal(msg.(*bundlepb.ContainedResource))
		require.NoError(b, err)
	})
	b.Run("java", func(b *testing.B) {
		Require(b)
		report, err := Validate(b.Context(), Options{Documents: all, Times: timesOfJava, Uncounted: true})
		require.NoError(b, err)
		b.ReportMetric(float64(report.PerInput.Nanoseconds()), "ns/op")
	})
}

// exampleTexts are the official examples.
func exampleTexts(t testing.TB) (texts [][]byte) {
	for _, d := range official.Examples(t) {
		texts = append(texts, d.Text)
	}
	return texts
}
