package mapping

import (
	"encoding/json"
	"slices"
	"strings"
	"testing"
	"time"

	epb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/resources/encounter_go_proto"
	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/mapping/internal/r4"
	"nailbridge/mapping/record"
	"nailbridge/mapping/resource"
	"nailbridge/mapping/terms"
)

// buildSettings are the settings of the builder tests: an invented clinic with
// every code that may leave under a licence.
func buildSettings(t *testing.T) Settings {
	t.Helper()
	zone, err := time.LoadLocation("Europe/Berlin")
	require.NoError(t, err)
	return Settings{
		Namespace: uuid.MustParse("6b1f3f0e-90a5-4c4d-8f7b-2f0a6c1d9e55"),
		Terms:     terms.MustLoad(),
		Codes:     terms.Setting{SnomedCT: terms.Licensed, HCPCS: true},
		Clinic: ClinicSettings{
			ID: "north", Name: "North Street Foot Clinic", Zone: zone, IdentifierBase: "https://north.example/id/",
		},
	}
}

var buildPatient = record.Identifier{System: "https://north.example/id/patient", Value: "P-1"}

// when reads a date or time of a test.
func when(t *testing.T, s string) *record.When {
	t.Helper()
	w, err := record.ParseWhen(s)
	require.NoError(t, err)
	return &w
}

// buildCase runs f on a builder of one case and gives what it built.
func buildCase(t *testing.T, surgery *record.Record, later []*record.Record, f func(*builder)) []resource.Resource {
	t.Helper()
	b := newBuilder(buildSettings(t), buildPatient).inCase("S-1", surgery, later)
	f(b)
	out, _, err := b.finish()
	require.NoError(t, err)
	return out
}

// only gives the one resource of a type.
func only(t *testing.T, rs []resource.Resource, typ string) resource.Resource {
	t.Helper()
	of := ofType(rs, typ)
	require.Len(t, of, 1, typ)
	return of[0]
}

func ofType(rs []resource.Resource, typ string) []resource.Resource {
	var out []resource.Resource
	for _, r := range rs {
		if r.Type() == typ {
			out = append(out, r)
		}
	}
	return out
}

// at gives the values of a resource at a path such as "name.given" or
// "stage.summary.text": arrays are walked through.
func at(r resource.Resource, path string) []any {
	found := []any{r.Tree()}
	for _, name := range strings.Split(path, ".") {
		var next []any
		for _, v := range found {
			if m, ok := v.(map[string]any); ok && m[name] != nil {
				if l, ok := m[name].([]any); ok {
					next = append(next, l...)
				} else {
					next = append(next, m[name])
				}
			}
		}
		found = next
	}
	return found
}

// hasAll checks the values at each path; an empty list means that nothing may
// stand there.
func hasAll(t *testing.T, r resource.Resource, want map[string][]any) {
	t.Helper()
	for path, values := range want {
		got := at(r, path)
		if len(values) == 0 {
			assert.Empty(t, got, "%s.%s", r.Type(), path)
			continue
		}
		assert.Equal(t, values, got, "%s.%s", r.Type(), path)
	}
}

// narrative is the div of a resource.
func narrative(t *testing.T, r resource.Resource) string {
	t.Helper()
	div := at(r, "text.div")
	require.Len(t, div, 1, "narrative of %s", r.Type())
	return div[0].(string)
}

// jsonOf is the JSON of a part of a resource.
func jsonOf(t *testing.T, v any) string {
	t.Helper()
	b, err := json.Marshal(v)
	require.NoError(t, err)
	return string(b)
}

// decodeRecord reads a record of a test and refuses one with findings that refuse.
func decodeRecord(t *testing.T, text string) *record.Record {
	t.Helper()
	d := record.Decode([]byte(text))
	require.False(t, d.Refused(), "%+v", d.Findings)
	return d.Record
}

func TestBuilderReportsWhatIsBuiltTwice(t *testing.T) {
	b := newBuilder(buildSettings(t), buildPatient)
	b.organization()
	b.organization()
	_, _, err := b.finish()
	assert.ErrorContains(t, err, "is built twice")
}

func TestBuilderKeepsGoingAfterAnError(t *testing.T) {
	b := newBuilder(buildSettings(t), buildPatient).inCase("S-1", nil, nil)
	b.add(&epb.Encounter{})
	b.organization()
	out, caseOf, err := b.finish()
	var e *r4.Error
	require.ErrorAs(t, err, &e)
	assert.Equal(t, "Encounter", e.Type)
	require.Len(t, out, 1)
	assert.Equal(t, map[resource.Ref]string{b.orgRef(): ""}, caseOf)
}

func TestBuilderIsDeterministic(t *testing.T) {
	surgery := fullSurgery(t)
	build := func() string {
		var all []string
		for _, r := range buildCase(t, surgery, fullLater(t), buildAll) {
			all = append(all, string(r.JSON()))
		}
		return strings.Join(all, "\n")
	}
	first := build()
	for range 5 {
		assert.Equal(t, first, build())
	}
}

// R-CONT-24: every resource has a narrative, generated, and one with a status names it
// (design, "What it becomes").
func TestEveryResourceHasANarrative(t *testing.T) {
	for _, r := range buildCase(t, fullSurgery(t), fullLater(t), buildAll) {
		div := narrative(t, r)
		assert.Equal(t, []any{"generated"}, at(r, "text.status"), r.Ref())
		assert.Contains(t, div, `<div xmlns="http://www.w3.org/1999/xhtml">`, r.Ref())
		for _, member := range []string{"status", "active", "clinicalStatus"} {
			if r.Tree()[member] != nil {
				assert.Contains(t, div, "Status: ", r.Ref())
			}
		}
	}
}

// No reference leads nowhere: what these builders refer to among their own
// types is built.
func TestBuiltReferencesResolve(t *testing.T) {
	rs := buildCase(t, fullSurgery(t), fullLater(t), buildAll)
	made := map[string]bool{}
	for _, r := range rs {
		made[r.Ref().String()] = true
	}
	for _, r := range rs {
		for _, ref := range r.References() {
			if strings.HasPrefix(ref, "Procedure/") {
				continue // built by the procedure builders
			}
			assert.True(t, made[ref], "%s refers to %s", r.Ref(), ref)
		}
	}
}

// buildAll builds every resource of this file's builders.
func buildAll(b *builder) {
	b.encounters()
	b.conditions()
	b.procedureConsent()
	p := b.perPatient()
	p.patient(b.surgery.Patient)
	p.allergies(standAllergies(append([]*record.Record{b.surgery}, b.later...)))
	p.sharingConsent(Sharing{Shared: true, Stated: "agreed"})
	b.organization()
	b.device()
	zone := b.s.Clinic.Zone
	var staff []StaffStatement
	for _, r := range append([]*record.Record{b.surgery}, b.later...) {
		at, _ := r.SavedAt.In(zone)
		staff = append(staff, staffOf(r, at, PatientKey(b.owner))...)
	}
	slices.Reverse(staff)
	b.staff(staff)
}

func fullSurgery(t *testing.T) *record.Record {
	t.Helper()
	return decodeRecord(t, `{
	  "schemaVersion":"1.0","clinic":"north","record":"S-1","revision":3,"savedAt":"2025-03-04T12:00:00+01:00","kind":"surgery","status":"final",
	  "author":{"registration":{"system":"https://register.example","value":"R-7"},"staffKey":"sk7","name":{"family":"Brook","given":["Ada"],"prefix":"Dr"},"role":"podiatrist"},
	  "patient":{"identifier":{"system":"https://north.example/id/patient","value":"P-1"},"name":{"family":"Reed <O'Neil>","given":["Sam","Lee"]},
	    "birthDate":"2011-05","gender":"female","phone":"555 0101","addressLine":"1 Mill Lane","city":"Northam","postalCode":"N1"},
	  "sharing":"agreed",
	  "surgery":{"outcome":"done","start":"2025-03-04T10:05","end":"2025-03-04T10:50",
	    "operator":{"registration":{"system":"https://register.example","value":"R-7"}},
	    "indication":{"condition":"ingrowing-toenail","stage":"IIa","stageSystem":"mozena","since":"2024-11","text":"both borders of the left hallux"},
	    "allergies":{"status":"present","items":[{"substance":"latex","reaction":"itching","criticality":"low"},{"substance":"other","text":"Plum","reaction":"swelling"}]},
	    "consent":{"status":"given","givenBy":"other","giver":{"family":"Reed","given":["Kim"]},"relationship":"parent","at":"2025-03-04T09:50",
	      "for":[{"side":"left","digit":"1","border":"medial","procedure":"partial-avulsion"},{"side":"left","digit":"1","border":"lateral","procedure":"partial-avulsion"}]},
	    "toes":[{"side":"left","digit":"1","borders":[{"border":"medial","procedure":"partial-avulsion"},{"border":"lateral","procedure":"partial-avulsion"}]}],
	    "events":{"items":[{"key":"e1","code":"faint","text":"short, lying down"},{"code":"other","text":"lamp failed"}]}
	  }}`)
}

func fullLater(t *testing.T) []*record.Record {
	t.Helper()
	return []*record.Record{
		decodeRecord(t, `{"schemaVersion":"1.0","clinic":"north","record":"C-1","revision":1,"savedAt":"2025-03-08T12:00:00+01:00","kind":"contact","status":"final",
		  "author":{"staffKey":"n2","name":{"family":"Hill","given":["Jo"]},"role":"nurse"},
		  "patient":{"identifier":{"system":"https://north.example/id/patient","value":"P-1"}},
		  "contact":{"surgery":"S-1","at":"2025-03-08T11:30","mode":"telephone","takenBy":{"staffKey":"n2"},"reason":"infection-concern","reasonText":"red and hot","urgency":"same-day",
		    "toes":[{"side":"left","digit":"1","borders":[{"border":"medial","infection":{"findings":["redness"],"diagnosis":"wound-infection"}}]}]}}`),
		decodeRecord(t, `{"schemaVersion":"1.0","clinic":"north","record":"V-1","revision":1,"savedAt":"2025-03-11T12:00:00+01:00","kind":"review","status":"final",
		  "author":{"staffKey":"n2"},
		  "patient":{"identifier":{"system":"https://north.example/id/patient","value":"P-1"}},
		  "review":{"surgery":"S-1","attendance":"attended","at":"2025-03-11","mode":"in-person","reviewer":{"staffKey":"n2"},
		    "toes":[{"side":"left","digit":"1","borders":[{"border":"medial","infection":{"findings":["none"],"diagnosis":"no-infection"},"discharge":{"at":"2025-03-11","reason":"healed"}},
		      {"border":"lateral","discharge":{"at":"2025-03-10","reason":"healed"}}]}]}}`),
		decodeRecord(t, `{"schemaVersion":"1.0","clinic":"north","record":"V-2","revision":1,"savedAt":"2025-04-11T12:00:00+02:00","kind":"review","status":"final",
		  "author":{"staffKey":"n2"},
		  "patient":{"identifier":{"system":"https://north.example/id/patient","value":"P-1"}},
		  "review":{"surgery":"S-1","attendance":"did-not-attend","at":"2025-04-11T09:00","allergies":{"status":"none-known"}}}`),
	}
}
