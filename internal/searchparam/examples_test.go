package searchparam

import (
	"encoding/json"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/official"
	"nailbridge/mapping/resource"
)

// ours have a value for each parameter that no official example reaches.
var ours = []string{
	`{"resourceType":"BodyStructure","id":"a","identifier":[{"value":"1"}],"location":{"coding":[{"code":"toe"}]},"morphology":{"coding":[{"code":"m"}]},
	  "patient":{"reference":"Patient/p"}}`,
	`{"resourceType":"CarePlan","id":"a","basedOn":[{"reference":"CarePlan/b"}],"partOf":[{"reference":"CarePlan/c"}],"replaces":[{"reference":"CarePlan/d"}],
	  "category":[{"coding":[{"system":"urn:k","code":"nail"}]}],"instantiatesCanonical":["urn:plan|1"],"activity":[{"reference":{"reference":"Task/t"}}]}`,
	`{"resourceType":"ConceptMap","id":"a","identifier":{"system":"urn:m","value":"1"}}`,
	`{"resourceType":"Consent","id":"a","sourceReference":{"reference":"DocumentReference/d"}}`,
	`{"resourceType":"Device","id":"a","identifier":[{"value":"1"}],"manufacturer":"M","modelNumber":"N","owner":{"reference":"Organization/o"},
	  "patient":{"reference":"Patient/p"},"status":"active","type":{"coding":[{"code":"bridge","display":"Bridge"}]},"url":"urn:d","deviceName":[{"name":"D"}]}`,
	`{"resourceType":"Encounter","id":"a","reasonReference":[{"reference":"Condition/c"}]}`,
	`{"resourceType":"Medication","id":"a","identifier":[{"value":"1"}],"code":{"coding":[{"code":"x"}]},"status":"active","manufacturer":{"reference":"Organization/o"},
	  "form":{"coding":[{"code":"liquid"}]},"ingredient":[{"itemCodeableConcept":{"coding":[{"code":"i"}]}},{"itemReference":{"reference":"Substance/s"}}],
	  "batch":{"lotNumber":"L,1","expirationDate":"2027-05"}}`,
	`{"resourceType":"MedicationAdministration","id":"a","medicationReference":{"reference":"Medication/m"}}`,
	`{"resourceType":"Observation","id":"a","basedOn":[{"reference":"CarePlan/c"}]}`,
	`{"resourceType":"Procedure","id":"a","reasonCode":[{"coding":[{"code":"r"}]}]}`,
	`{"resourceType":"Provenance","id":"a","target":[{"reference":"Patient/p/_history/1"}],"occurredDateTime":"2026-03-02"}`,
	`{"resourceType":"RelatedPerson","id":"a","active":true,"birthDate":"1950","gender":"female","identifier":[{"value":"1"}],"name":[{"text":"Ana $ B"}],
	  "patient":{"reference":"Patient/p"},"relationship":[{"coding":[{"code":"CHILD"}]}],
	  "telecom":[{"system":"email","value":"a@clinic.example"},{"system":"phone","value":"5"}]}`,
	`{"resourceType":"Composition","id":"a","attester":[{"mode":"legal","party":{"reference":"Practitioner/p"}}],"category":[{"coding":[{"code":"c"}]}],"confidentiality":"N",
	  "event":[{"code":[{"coding":[{"code":"e"}]}],"period":{"start":"2026-03-02","end":"2026-03-03"}}],"identifier":{"value":"1"},
	  "relatesTo":[{"code":"appends","targetIdentifier":{"value":"2"}},{"code":"appends","targetReference":{"reference":"Composition/c"}}],
	  "section":[{"code":{"coding":[{"code":"s"}]},"entry":[{"reference":"Procedure/p"}]}],"encounter":{"reference":"Encounter/e"}}`,
	`{"resourceType":"Media","id":"a","basedOn":[{"reference":"CarePlan/c"}],"createdDateTime":"2026-03-02","device":{"reference":"Device/d"},"encounter":{"reference":"Encounter/e"},
	  "identifier":[{"value":"1"}],"modality":{"coding":[{"code":"m"}]},"operator":{"reference":"Practitioner/p"},"subject":{"reference":"Patient/p"},
	  "bodySite":{"coding":[{"code":"t"}]},"status":"completed","type":{"coding":[{"code":"image"}]},"view":{"coding":[{"code":"v"}]}}`,
	`{"resourceType":"MedicationStatement","id":"a","category":{"coding":[{"code":"c"}]},"medicationCodeableConcept":{"coding":[{"code":"x"}]},"context":{"reference":"Encounter/e"},
	  "effectivePeriod":{"start":"2026-03-02","end":"2026-03-09"},"identifier":[{"value":"1"}],"partOf":[{"reference":"Procedure/p"}],"subject":{"reference":"Patient/p"},
	  "informationSource":{"reference":"Practitioner/p"},"status":"active"}`,
	`{"resourceType":"MedicationStatement","id":"a","medicationReference":{"reference":"Medication/m"}}`,
	`{"resourceType":"Specimen","id":"a","accessionIdentifier":{"value":"1"},"collection":{"bodySite":{"coding":[{"code":"t"}]},"collectedDateTime":"2026-03-02","collector":{"reference":"Practitioner/p"}},
	  "container":[{"type":{"coding":[{"code":"c"}]},"identifier":[{"value":"2"}]}],"identifier":[{"value":"3"}],"parent":[{"reference":"Specimen/s"}],"subject":{"reference":"Patient/p"},
	  "status":"available","type":{"coding":[{"code":"w"}]}}`,
	`{"resourceType":"SearchParameter","id":"a","base":["Patient"],"code":"x","date":"2026","name":"N","publisher":"P","status":"active","type":"token","url":"urn:s","version":"1"}`,
	`{"resourceType":"StructureDefinition","id":"a","date":"2026","identifier":[{"value":"1"}],"name":"N","publisher":"P","status":"active","title":"T","url":"urn:s","version":"1|2"}`,
}

// TestExamplesAreFoundByTheirValues indexes HL7's example resources and asks
// for each row by a query: a value that is indexed is found by the query that
// a client would write for it, through the same escapes and forms. Every
// expression of the tables reaches a value somewhere.
func TestExamplesAreFoundByTheirValues(t *testing.T) {
	reached := map[string]bool{}
	resources := 0
	files := beginning(official.Examples(t), "")
	for i, o := range ours {
		files[fmt.Sprint("ours ", i)] = []byte(o)
	}
	for name, b := range files {
		var head struct{ ResourceType, ID string }
		if json.Unmarshal(b, &head) != nil || !slices.Contains(Types(), head.ResourceType) || head.ID == "" {
			continue
		}
		r, err := resource.FromJSON(b)
		require.NoError(t, err, name)
		resources++
		rows, err := index.Rows(r)
		require.NoError(t, err, name)
		for _, row := range rows {
			reached[r.Type()+" "+row.Param] = true
			pair := queryFor(row)
			q, problems := index.Parse(r.Type(), []Pair{pair})
			if assert.Empty(t, problems, "%s %v", name, pair) {
				assert.True(t, q.Match[0].Holds(rows, nil), "%s %v", name, pair)
				assert.False(t, q.Match[0].Holds(nil, nil), "%s %v", name, pair)
			}
		}
	}
	assert.Greater(t, resources, 200)
	var never []string
	for _, typ := range Types() {
		for _, d := range Definitions(typ) {
			if !reached[typ+" "+d.Name] && d.Type != "Resource" && d.Kind != Composite {
				never = append(never, typ+" "+d.Name)
			}
		}
	}
	assert.Empty(t, never)
}

var escapes = strings.NewReplacer(`\`, `\\`, ",", `\,`, "|", `\|`, "$", `\$`)

// queryFor writes the query value that asks for exactly a row.
func queryFor(r Row) Pair {
	if name, ok := strings.CutSuffix(r.Param, presentRows); ok {
		return Pair{name + ":missing", "false"}
	}
	name, _ := strings.CutSuffix(r.Param, sortedRows) // what is sorted by a value is found by it
	return Pair{name, valueFor(r)}
}

func valueFor(r Row) string {
	switch r.Kind {
	case Quantity:
		if r.System == "" || r.Code == "" {
			return numberOf(r.Number)
		}
		return numberOf(r.Number) + "|" + escapes.Replace(r.System) + "|" + escapes.Replace(r.Code)
	case Token:
		if r.System == "" {
			return escapes.Replace(r.Code)
		}
		return escapes.Replace(r.System) + "|" + escapes.Replace(r.Code)
	case String:
		return escapes.Replace(r.Text)
	case Date:
		if r.Lo.IsZero() {
			return "le" + r.Hi.Format(time.RFC3339Nano)
		}
		return "ge" + r.Lo.Add(-time.Second).Format(time.RFC3339Nano)
	}
	return escapes.Replace(r.Code)
}

// numberOf reads a key of NumberKey back.
func numberOf(key string) string {
	if key == "1" {
		return "0"
	}
	exponent, _ := strconv.Atoi(key[1:5])
	if key[0] == '2' {
		return "0." + key[5:] + "e" + strconv.Itoa(exponent-offset)
	}
	digits := strings.Map(func(r rune) rune { return '9' - (r - '0') }, strings.TrimSuffix(key[5:], "~"))
	return "-0." + digits + "e" + strconv.Itoa(offset-exponent)
}
