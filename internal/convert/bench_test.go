package convert_test

import (
	"bytes"
	"io"
	"testing"

	"github.com/google/fhir/go/fhirversion"
	"github.com/google/fhir/go/jsonformat"
	bundlepb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/resources/bundle_and_contained_resource_go_proto"
	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"

	"nailbridge/conformance/oracles"
	"nailbridge/internal/convert"
	"nailbridge/internal/generate"
	rt "nailbridge/internal/receive/receivetest"
	"nailbridge/internal/validate"
	"nailbridge/internal/validate/engine"
	"nailbridge/mapping"
	"nailbridge/mapping/record"
	"nailbridge/mapping/resource"
)

// benchCase is one case on its way from a clinic's bytes to a Bundle.
type benchCase struct {
	sent   [][]byte
	fold   mapping.PatientFold
	set    []resource.Resource
	bundle []byte
}

const benchTime = "2026-06-30T12:00:00Z"

// benchCases are generated cases of which something is published.
func benchCases(b *testing.B, s mapping.Settings) (out []benchCase) {
	for _, records := range generate.Cases(7, 40, generate.Options{Clinic: s.Clinic.ID, Zone: s.Clinic.Zone}) {
		var c benchCase
		for _, r := range records {
			text, err := record.Encode(r)
			require.NoError(b, err)
			c.sent = append(c.sent, text)
			d := record.Read(text, s.Clinic.Zone)
			c.fold.Patient = *d.Record.Patient.Identifier
			c.fold.Deliveries = append(c.fold.Deliveries, mapping.Delivery{
				Record: d.Record, Findings: d.Findings, Hash: d.Hash, Received: asOf, Refused: d.Refused(),
			})
		}
		res, err := mapping.FoldPatient(s, c.fold)
		require.NoError(b, err)
		if c.set = res.Resources; !res.Shared {
			continue
		}
		var w bytes.Buffer
		require.NoError(b, convert.WriteBundle(&w, c.set, "https://bridge.example/fhir", benchTime))
		c.bundle = w.Bytes()
		out = append(out, c)
	}
	require.Greater(b, len(out), 10)
	return out
}

// BenchmarkCase takes a generated case through each step on its own, and the
// Bundle that comes of it through the validator, beside google/fhir's Marshal and
// parse of the same bytes and HL7's Java validator, once it is warm, on one thread
// as ours. The
// size of the mean Bundle stands beside the last.
func BenchmarkCase(b *testing.B) {
	s := rt.Settings(b)
	s.Clinic.ShareUnstated = "an agreement"
	cases := benchCases(b, s)
	none := func(resource.Ref) bool { return false }
	each := func(name string, fn func(b *testing.B, c *benchCase)) {
		b.Run(name, func(b *testing.B) {
			b.ReportAllocs()
			for i := 0; b.Loop(); i++ {
				fn(b, &cases[i%len(cases)])
			}
		})
	}
	each("decode", func(_ *testing.B, c *benchCase) {
		for _, text := range c.sent {
			record.Read(text, s.Clinic.Zone)
		}
	})
	each("fold", func(b *testing.B, c *benchCase) {
		_, err := mapping.FoldPatient(s, c.fold)
		require.NoError(b, err)
	})
	each("check", func(b *testing.B, c *benchCase) {
		_, issues := validate.Check(c.set, none, s.Terms, s.Codes)
		require.Empty(b, issues)
	})
	v := validate.Engine(s.Terms)
	each("validate", func(b *testing.B, c *benchCase) {
		require.False(b, engine.Invalid(v.Validate(c.bundle, validate.Options(nil))))
	})
	each("encode", func(b *testing.B, c *benchCase) {
		require.NoError(b, convert.WriteBundle(io.Discard, c.set, "https://bridge.example/fhir", benchTime))
	})
	u, err := jsonformat.NewUnmarshaller("UTC", fhirversion.R4)
	require.NoError(b, err)
	m, err := jsonformat.NewMarshaller(false, "", "", fhirversion.R4)
	require.NoError(b, err)
	each("google-marshal", func(b *testing.B, c *benchCase) {
		b.StopTimer() // Marshal changes what it writes
		msg, err := u.Unmarshal(c.bundle)
		require.NoError(b, err)
		b.StartTimer()
		_, err = m.Marshal(msg.(*bundlepb.ContainedResource))
		require.NoError(b, err)
	})
	each("google-parse", func(b *testing.B, c *benchCase) {
		msg, err := u.Unmarshal(c.bundle)
		require.NoError(b, err)
		require.NotNil(b, proto.Message(msg))
	})
	b.Run("java", func(b *testing.B) {
		oracles.Require(b)
		java(b, cases)
	})
}

// timesOfJava is how often the Java validator goes over all Bundles to be timed.
const timesOfJava = 3

func java(b *testing.B, cases []benchCase) {
	definitions, err := oracles.OwnDefinitions()
	require.NoError(b, err)
	var o oracles.Options
	o.Definitions, o.Times = definitions, timesOfJava
	bytes, resources := 0, 0
	for _, c := range cases {
		o.Documents = append(o.Documents, c.bundle)
		bytes += len(c.bundle)
		resources += len(c.set)
	}
	report, err := oracles.Validate(b.Context(), o)
	require.NoError(b, err)
	b.ReportMetric(float64(report.Round().Nanoseconds()), "ns/op")
	b.ReportMetric(float64(bytes)/float64(len(cases)), "bytes/bundle")
	b.ReportMetric(float64(resources)/float64(len(cases)), "resources/bundle")
}
