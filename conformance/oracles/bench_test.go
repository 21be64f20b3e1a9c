package oracles

import (
	"encoding/json"
	"slices"
	"testing"
	"time"

	"github.com/google/fhir/go/fhirversion"
	"github.com/google/fhir/go/jsonformat"
	bundlepb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/resources/bundle_and_contained_resource_go_proto"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/official"
	"nailbridge/internal/validate"
	"nailbridge/internal/validate/defs"
	"nailbridge/internal/validate/engine"
	"nailbridge/mapping/terms"
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
		b.ReportMetric(float64(report.Round().Nanoseconds()), "ns/op")
	})
}

// Rounds of [BenchmarkSideBySide]: those before it warm both, and are not told.
const (
	warmRounds = 3
	toldRounds = 12
	singles    = 60 // resources by themselves
	leastWhole = 60 // entries of a whole case's Bundle
	mostWhole  = 90
	wholeCases = 8
	sidesSeed  = 7
)

// BenchmarkSideBySide validates our own resources, and Bundles of whole cases, by ours and by the Java validator in turn, a
// round of each at a time, so that both meet the same machine; each on one thread, once it is warm. It tells the median of the
// rounds, the least and the most, and how many times ours goes into the Java validator's.
//
//	NAILBRIDGE_ORACLE=1 go test -run '^$' -bench SideBySide -benchtime 1x ./conformance/oracles
func BenchmarkSideBySide(b *testing.B) {
	Require(b)
	bundles, _ := convertGenerated(b, sidesSeed)
	var resources, whole [][]byte
	entries := 0
	for _, text := range bundles {
		held := entriesOf(b, text)
		resources = append(resources, held...)
		if leastWhole <= len(held) && len(held) <= mostWhole && len(whole) < wholeCases {
			whole = append(whole, text)
			entries += len(held)
		}
	}
	require.Greater(b, len(whole), wholeCases/4)
	var single [][]byte
	for i := 0; i < len(resources); i += len(resources) / singles {
		single = append(single, resources[i])
	}
	b.Run("single-resource", func(b *testing.B) { sideBySide(b, single) })
	b.Run("whole-case", func(b *testing.B) {
		b.ReportMetric(float64(entries)/float64(len(whole)), "entries")
		sideBySide(b, whole)
	})
}

func entriesOf(b *testing.B, bundle []byte) (out [][]byte) {
	var held struct {
		Entry []struct{ Resource json.RawMessage }
	}
	require.NoError(b, json.Unmarshal(bundle, &held))
	for _, e := range held.Entry {
		out = append(out, e.Resource)
	}
	return out
}

func sideBySide(b *testing.B, documents [][]byte) {
	definitions, err := OwnDefinitions()
	require.NoError(b, err)
	codes, err := terms.Load()
	require.NoError(b, err)
	v := validate.Engine(codes)
	for b.Loop() {
		var ours, java, ratios []time.Duration
		for round := range warmRounds + toldRounds {
			began := time.Now()
			for _, text := range documents {
				require.False(b, engine.Invalid(v.Validate(text, validate.Options(nil))))
			}
			mine := time.Since(began) / time.Duration(len(documents))
			report, err := Validate(b.Context(), Options{Documents: documents, Definitions: definitions, Times: 1, Long: true})
			require.NoError(b, err)
			require.NoError(b, report.Err())
			if round >= warmRounds {
				ours, java = append(ours, mine), append(java, report.Rounds[0])
				ratios = append(ratios, 1000*report.Rounds[0]/mine)
			}
		}
		times := spread(ratios)
		b.Logf("%d documents, %d rounds: ours %v, Java %v (median, least, most); %.1f times, from %.1f to %.1f", len(documents), toldRounds,
			spread(ours), spread(java), float64(times[0])/1000, float64(times[1])/1000, float64(times[2])/1000)
		b.ReportMetric(float64(times[0])/1000, "times")
		b.ReportMetric(float64(times[1])/1000, "least-times")
		b.ReportMetric(float64(times[2])/1000, "most-times")
	}
}

// spread is the median, the least and the most.
func spread(of []time.Duration) [3]time.Duration {
	of = slices.Sorted(slices.Values(of))
	return [3]time.Duration{of[len(of)/2], of[0], of[len(of)-1]}
}
