package hub

import (
	"bytes"
	"testing"

	"github.com/stretchr/testify/require"

	"nailbridge/conformance/oracles"
	"nailbridge/mapping/terms"
)

// R-CAP-02, R-OO-03: what this door makes around stored resources passes the
// outside validator with 0 errors and 0 warnings: CapabilityStatement,
// OperationOutcomes, search and history Bundles.
func TestOracleAnswersAreValid(t *testing.T) {
	oracles.Require(t)
	codes := terms.MustLoad()
	var definitions [][]byte
	for _, a := range append(codes.Artifacts(terms.Setting{SnomedCT: terms.FreeSet}), codes.Fragments(terms.Setting{SnomedCT: terms.Licensed, HCPCS: true})...) {
		definitions = append(definitions, a.JSON)
	}
	w := small(t)
	w.delete(planRef("c2"))
	first := w.get("/CarePlan?_count=1").bundle()
	var documents [][]byte
	for _, r := range []reply{
		w.get("/metadata"), w.get("/CarePlan?foo=<1>&date=x"), w.get("/CarePlan/c2"), w.get("/Nonsense"), w.call("PUT", "/CarePlan/c1"),
		w.get("/CarePlan/c1"), w.get("/CarePlan?_count=1"), w.follow(first.link("next")), w.get("/CarePlan?_id=none"), w.get("/CarePlan?_count=0"),
		w.get("/CarePlan?foo=1", "Prefer", "handling=lenient"), w.get("/Patient?_total=none"), w.get("/CodeSystem"),
		w.get("/CarePlan/_history"), w.get("/CarePlan/c2/_history"), w.get("/_history"), w.get("/Goal/_history"),
	} {
		documents = append(documents, bytes.Clone(r.Body.Bytes()))
	}
	report, err := oracles.Validate(t.Context(), oracles.Options{Documents: documents, Definitions: definitions})
	require.NoError(t, err)
	require.NoError(t, report.Err())
}
