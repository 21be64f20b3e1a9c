package hub

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/searchparam"
	"nailbridge/internal/store"
	"nailbridge/internal/store/storetest"
)

// observation is a finding of a patient, with its date and amount.
func observation(id, patient, date, ml string) string {
	return fmt.Sprintf(`{"resourceType":"Observation","id":%q,%s,"identifier":[{"system":"urn:o","value":%q}],"status":"final","code":{"coding":[%s]},
		"subject":{"reference":"Patient/%s"},"effectiveDateTime":%q,"valueQuantity":{"value":%s,"unit":"mL","system":"http://unitsofmeasure.org","code":"mL"}}`,
		id, told, id, local("finding", "flush-volume", "Volume of the flush"), patient, date, ml)
}

// modes gives the entries by mode, as Type/id in their order.
func (b bundleJSON) modes() map[string][]string {
	out := map[string][]string{}
	for _, e := range b.Entry {
		parts := strings.Split(e.FullURL, "/")
		out[e.Search.Mode] = append(out[e.Search.Mode], strings.Join(parts[max(0, len(parts)-2):], "/"))
	}
	return out
}

// R-PAGE-01, R-PAGE-12, R-PAGE-14, R-PAGE-17, R-PAGE-19, R-PAGE-21: what the matches
// of a page refer to, and what refers to them, beside the page and outside its total.
func TestR_PAGE_17_19_21_Includes(t *testing.T) {
	w := small(t)
	b := w.get("/CarePlan?status=active&_include=CarePlan:patient").bundle()
	assert.Equal(t, map[string][]string{"match": {"CarePlan/c3", "CarePlan/c1"}, "include": {"Patient/p1", "Patient/p2"}}, b.modes())
	assert.Equal(t, 2, *b.Total)
	// Each page has those of its own matches, sent before or not.
	first := w.get("/CarePlan?patient=p1&_count=1&_total=accurate&_include=CarePlan:subject:Patient").bundle()
	assert.Equal(t, map[string][]string{"match": {"CarePlan/c2"}, "include": {"Patient/p1"}}, first.modes())
	second := w.follow(first.link("next")).bundle()
	assert.Equal(t, map[string][]string{"match": {"CarePlan/c1"}, "include": {"Patient/p1"}}, second.modes())
	assert.Equal(t, 2, *second.Total)

	b = w.get("/Patient?_id=p1&_revinclude=CarePlan:patient&_revinclude=CarePlan:subject").bundle()
	assert.Equal(t, map[string][]string{"match": {"Patient/p1"}, "include": {"CarePlan/c1", "CarePlan/c2"}}, b.modes())
	assert.Equal(t, base+"/Patient?_id=p1&_revinclude=CarePlan:patient&_revinclude=CarePlan:subject", b.link("self"))
	// Nothing hangs on a reference to nothing (R-PAGE-17).
	w.commit(plan("c9", "nobody", "active"))
	assert.Equal(t, map[string][]string{"match": {"CarePlan/c9"}}, w.get("/CarePlan?_id=c9&_include=CarePlan:patient").bundle().modes())
	assert.Empty(t, w.get("/CarePlan?_count=0&_include=CarePlan:patient").bundle().Entry)
}

// R-PAGE-22: what does not fit beside a page is said.
func TestR_PAGE_22_IncludesAreBoundedOpenly(t *testing.T) {
	w := newWorld(t)
	var all []string
	for i := range maxIncluded + 1 {
		all = append(all, plan(fmt.Sprint("c", i), "p1", "active"))
	}
	w.commit(append(all, patient("p1", "Quill", "1950"))...)
	b := w.get("/Patient?_revinclude=CarePlan:patient").bundle()
	assert.Len(t, b.modes()["include"], maxIncluded)
	last := b.Entry[len(b.Entry)-1]
	assert.Equal(t, "outcome", last.Search.Mode)
	assert.Contains(t, string(last.Resource), `"incomplete"`)
	assert.Contains(t, string(last.Resource), "_revinclude")
}

// R-SRCH-20, R-SP-33, D3.1: what is deleted, or another clinic's, is in no include,
// answers no chain, and is in no compartment.
func TestR_SP_33_RelatedKeepToWhatMayBeSeen(t *testing.T) {
	w := small(t)
	south := store.Owner{Clinic: "south", Patient: "mrn|7"}
	w.change(func(tx store.Writer) error {
		for _, content := range []string{patient("s1", "Secret", "1970"), observation("o9", "p1", "2026-03-02", "5")} {
			h, err := newHub(Options{Store: w.store, BaseURL: base, Secret: secret})
			require.NoError(t, err)
			rows, err := h.index.Rows(parse(t, content))
			require.NoError(t, err)
			_, err = tx.Put(south, "case", storetest.Checked(t, content), rows)
			require.NoError(t, err)
		}
		return nil
	})
	w.commit(plan("c4", "s1", "active"))
	asked := []string{
		"/CarePlan?_id=c4&_include=CarePlan:patient", "/CarePlan?patient.family=Secret", "/CarePlan?subject:Patient.birthdate=1970", "/Patient?_id=p1&_revinclude=Observation:subject",
		"/Patient/p1/*", "/Patient/p1/Observation", "/Patient/s1/CarePlan", "/CarePlan?patient.family:missing=false", "/CarePlan?_sort=patient",
	}
	whole := w.get("/CarePlan?patient.family=Secret").bundle()
	assert.Equal(t, []string{"c4"}, whole.ids())
	h, err := New(Options{Store: w.store, BaseURL: base, Secret: secret, Released: t0, Scope: func(context.Context) store.Scope { return store.Scope{Clinics: []string{owner.Clinic}} }})
	require.NoError(t, err)
	w.handler = h
	for _, path := range asked {
		r := w.get(path)
		assert.Equal(t, http.StatusOK, r.Code, path)
		assert.NotContains(t, r.Body.String(), `"family":"Secret"`, path)
		assert.NotContains(t, r.Body.String(), `"o9"`, path)
		assert.NotContains(t, r.Body.String(), `"Patient","id":"s1"`, path)
	}
	assert.Empty(t, w.get("/CarePlan?patient.family=Secret").bundle().ids())
	assert.Equal(t, 0, *w.get("/CarePlan?patient.family=Secret").bundle().Total)

	w.delete(planRef("c1"))
	assert.Equal(t, []string{"CarePlan/c2"}, w.get("/Patient?_id=p1&_revinclude=CarePlan:patient").bundle().modes()["include"])
	assert.Equal(t, []string{"c2"}, w.get("/Patient/p1/CarePlan").bundle().ids())
}

// R-SP-30: a chain finds what its two steps would.
func TestR_SP_30_ChainsOverTheStore(t *testing.T) {
	w := small(t)
	for query, want := range map[string][]string{
		"patient.family=mull": {"c2", "c1"}, "subject:Patient.birthdate=lt1955": {"c2", "c1"}, "patient.birthdate=ge1955&status=active": {"c3"},
		"patient.family=mull,qui&status=active": {"c3", "c1"}, "patient.family:exact=muller": {}, "patient._id=p2": {"c3"}, "patient.family=nobody": {},
		"patient.active:missing=true": {"c3", "c2", "c1"},
	} {
		b := w.get("/CarePlan?" + query).bundle()
		assert.Equal(t, want, b.ids(), query)
		assert.Equal(t, len(want), *b.Total, query)
	}
	// The name as it is now.
	w.commit(patient("p1", "Quill", "1950-03-01"))
	assert.Empty(t, w.get("/CarePlan?patient.family=mull").bundle().ids())
}

// R-SRCH-17: a compartment, by type and whole.
func TestR_SRCH_17_Compartment(t *testing.T) {
	w := small(t)
	w.commit(observation("o1", "p1", "2026-03-02", "80"))
	assert.Equal(t, []string{"c2", "c1"}, w.get("/Patient/p1/CarePlan").bundle().ids())
	assert.Equal(t, []string{"c1"}, w.get("/Patient/p1/CarePlan?status=active").bundle().ids())
	assert.Equal(t, []string{"o1"}, w.get("/Patient/p1/Observation?_include=Observation:patient").bundle().ids())
	b := w.get("/Patient/p1/*?_count=2&_total=accurate").bundle()
	assert.Equal(t, []string{"Observation/o1", "CarePlan/c2"}, b.modes()["match"])
	assert.Equal(t, 3, *b.Total)
	assert.Equal(t, base+"/Patient/p1/*?_count=2&_total=accurate", b.link("self"))
	next := w.follow(b.link("next")).bundle()
	assert.Equal(t, []string{"CarePlan/c1"}, next.modes()["match"])
	assert.Equal(t, []string{"Observation/o1", "CarePlan/c2"}, w.follow(next.link("previous")).bundle().modes()["match"])
	assert.Empty(t, w.get("/Patient/nobody/*").bundle().Entry)
	w.get("/Patient/p1/*?status=active").failed(400, "not-supported")
	w.get("/Patient/p1/*?_include=CarePlan:patient").failed(400, "not-supported")
	// A link of one patient's is none of another's.
	token := b.link("next")[strings.Index(b.link("next"), "?"):]
	w.get("/Patient/p2/*"+token).failed(400, "invalid")
}

// R-SRCH-17: by R4's definition of the compartment, the records of one who is
// linked to a patient are in the compartment of the target of the link; a merge
// links both ways (R-CONT-22).
func TestR_SRCH_17_LinkedPatients(t *testing.T) {
	w := small(t)
	assert.Equal(t, []string{"c2", "c1"}, w.get("/Patient/p1/CarePlan").bundle().ids())
	link := func(id, family, other, kind string) string {
		return strings.Replace(patient(id, family, "1950-03-01"), `"birthDate"`, fmt.Sprintf(`"link":[{"other":{"reference":"Patient/%s"},"type":%q}],"birthDate"`, other, kind), 1)
	}
	w.commit(patient("p9", "Mull", "1950-03-01"), plan("c9", "p9", "active"))
	first := w.get("/Patient/p1/CarePlan?_count=1").bundle()
	w.commit(link("p1", "Mull", "p9", "replaces"), link("p9", "Mull", "p1", "replaced-by"))
	for _, id := range []string{"p1", "p9"} {
		assert.Equal(t, []string{"c9", "c2", "c1"}, w.get("/Patient/"+id+"/CarePlan").bundle().ids(), id)
		assert.Subset(t, w.get("/Patient/"+id+"/*").bundle().ids(), []string{"p1", "p9", "c9", "c2", "c1"}, id)
	}
	assert.Equal(t, []string{"c1"}, w.follow(first.link("next")).bundle().ids(), "a walk keeps to the state that it began with")
	assert.Equal(t, []string{"c2", "c1"}, w.get("/CarePlan?patient=p1").bundle().ids(), "a parameter asks for its reference")
}

// R-PAGE-08, R-PAGE-26, R-PAGE-27: several values to sort by, either way round,
// with what has none last, and no page that skips or repeats.
func TestR_PAGE_08_26_27_Sort(t *testing.T) {
	w := small(t)
	for i, c := range []struct{ date, ml string }{{"2026-03-02", "5"}, {"2026-03-01", "12"}, {"2026-03-02", "100"}, {"2026-03", "5.0"}} {
		w.commit(observation(fmt.Sprint("o", i), "p1", c.date, c.ml))
	}
	w.commit(strings.Replace(observation("o4", "p1", "2026-03-02", "1"), `"effectiveDateTime":"2026-03-02",`, "", 1))
	for sort, want := range map[string][]string{
		"date,_id": {"o1", "o3", "o0", "o2", "o4"}, "-date,-_id": {"o3", "o2", "o0", "o1", "o4"}, "value-quantity,_lastUpdated": {"o4", "o0", "o3", "o1", "o2"},
		"-value-quantity": {"o2", "o1", "o3", "o0", "o4"}, "_lastUpdated": {"o0", "o1", "o2", "o3", "o4"}, "": {"o4", "o3", "o2", "o1", "o0"},
	} {
		assert.Equal(t, want, w.get("/Observation?_sort="+sort).bundle().ids(), sort)
		b := w.get("/Observation?_count=2&_sort=" + sort).bundle()
		got := b.ids()
		for b.link("next") != "" {
			before := b
			b = w.follow(b.link("next")).bundle()
			got = append(got, b.ids()...)
			assert.Equal(t, before.ids(), w.follow(b.link("previous")).bundle().ids(), sort)
		}
		assert.Equal(t, want, got, sort)
	}
	assert.Equal(t, []string{"o3"}, w.get("/Observation?patient=p1&_sort=-date&_count=1").bundle().ids(), "the month ends last")
	assert.Equal(t, base+"/Observation?_sort=-date,_id", w.get("/Observation?_sort=-date,_id").bundle().link("self"))
	assert.Equal(t, 200, w.get("/CodeSystem?_sort=-date,name").Code)
}

// R-PAGE-26: names are sorted by the whole of them, not by one of their words, and
// without regard to case and accents (search.html#sort).
func TestR_PAGE_26_NamesAreSortedWhole(t *testing.T) {
	w := newWorld(t)
	w.commit(patient("p1", "van der Zee", "1950"), patient("p2", "Éder", "1950"), patient("p3", "Abt", "1950"), patient("p4", "Zahn", "1950"))
	assert.Equal(t, []string{"p3", "p2", "p1", "p4"}, w.get("/Patient?_sort=family").bundle().ids())
	assert.Equal(t, []string{"p4", "p1", "p2", "p3"}, w.get("/Patient?_sort=-family").bundle().ids())
	one := w.get("/Patient?_sort=family&_count=2").bundle()
	assert.Equal(t, []string{"p1", "p4"}, w.follow(one.link("next")).bundle().ids())
}

// D8.1: what a lenient search left out, it left out of every page and of self.
func TestD8_1_LenientWalksGoOn(t *testing.T) {
	w := small(t)
	for query, self := range map[string]string{
		"_sort=date,foo": "", "_sort=foo,_lastUpdated": "", "_elements=title,nothing": "_elements=title&", "_sort=date&foo=1": "_sort=date&",
	} {
		b := w.get("/CarePlan?_count=1&"+query, "Prefer", "handling=lenient").bundle()
		got := b.ids()
		assert.Equal(t, self, strings.TrimPrefix(strings.Replace(b.link("self")+"&", "_count=1&", "", 1), base+"/CarePlan?"), query)
		for b.link("next") != "" {
			b = w.follow(b.link("next")).bundle()
			got = append(got, b.ids()...)
			assert.Equal(t, "outcome", b.Entry[len(b.Entry)-1].Search.Mode, query)
		}
		want := []string{"c3", "c2", "c1"}
		assert.Equal(t, want, got, query)
	}
	w.get("/CarePlan/c1?_summary=text&_summary=data").failed(400, "invalid")
	w.get("/CarePlan/c1?_summary=true&_summary=count").failed(400, "invalid")
}

// fields gives the members of a resource's JSON, and whether it is marked as a
// part.
func fields(t *testing.T, body []byte) (names map[string]bool, subsetted bool) {
	t.Helper()
	var r map[string]json.RawMessage
	require.NoError(t, json.Unmarshal(body, &r))
	names = map[string]bool{}
	for k := range r {
		names[k] = true
	}
	return names, strings.Contains(string(r["meta"]), `"SUBSETTED"`)
}

// R-READ-14, R-PAGE-24, R-PAGE-25: parts of resources, in a search and in a read,
// marked as such.
func TestR_READ_14_R_PAGE_24_25_Parts(t *testing.T) {
	w := small(t)
	always := []string{"resourceType", "id", "meta"}
	for query, want := range map[string][]string{
		"_summary=text":                 {"text", "status", "intent", "subject"},
		"_summary=data":                 {"identifier", "title", "status", "intent", "category", "subject", "period", "activity"},
		"_summary=true":                 {"identifier", "title", "status", "intent", "category", "subject", "period"},
		"_elements=title":               {"title", "status", "intent", "subject"},
		"_elements=identifier,activity": {"identifier", "activity", "status", "intent", "subject"},
	} {
		one, marked := fields(t, w.get("/CarePlan/c1?"+query).Body.Bytes())
		want := append(append([]string{}, always...), want...)
		assert.Len(t, one, len(want), query)
		for _, name := range want {
			assert.True(t, one[name], "%s %s", query, name)
		}
		assert.True(t, marked, query)
		b := w.get("/CarePlan?_id=c1&" + query).bundle()
		inSearch, marked := fields(t, b.Entry[0].Resource)
		assert.Equal(t, one, inSearch, query)
		assert.True(t, marked)
		assert.Contains(t, b.link("self"), query[:9])
	}
	whole := w.get("/CarePlan/c1").Body.String()
	assert.Equal(t, whole, w.get("/CarePlan/c1?_summary=false").Body.String())
	assert.NotContains(t, whole, "SUBSETTED")
	w.get("/CarePlan/c1?_summary=count").failed(400, "value")
	w.get("/CarePlan/c1?_elements=nothing").failed(400, "value")
	// _elements is about the matches, _summary about every entry (search.html#elements).
	b := w.get("/CarePlan?_id=c1&_elements=title&_include=CarePlan:patient").bundle()
	_, marked := fields(t, b.Entry[1].Resource)
	assert.False(t, marked)
	b = w.get("/CarePlan?_id=c1&_summary=data&_include=CarePlan:patient").bundle()
	_, marked = fields(t, b.Entry[1].Resource)
	assert.True(t, marked)
	_, marked = fields(t, w.get("/CodeSystem/toes?_summary=true").Body.Bytes())
	assert.True(t, marked)
}

// A summary keeps why there is no value, whole, and leaves no object empty
// (json.html).
func TestR_PAGE_24_SummariesAreR4(t *testing.T) {
	w := newWorld(t)
	const why = `{"extension":[{"url":"http://hl7.org/fhir/StructureDefinition/data-absent-reason","valueCode":"unknown"}]}`
	w.commit(strings.Replace(observation("o1", "p1", "2026-03-02", "5"), `"effectiveDateTime":"2026-03-02"`, `"_effectiveDateTime":`+why, 1),
		strings.Replace(plan("c1", "p1", "active"), `"period":{"start":"2026-03-02"}`, `"period":{"_start":`+why+`}`, 1))
	for _, path := range []string{"/Observation/o1", "/CarePlan/c1"} {
		body := w.get(path + "?_summary=true").Body.String()
		assert.Contains(t, body, `"valueCode":"unknown"`, path)
		for _, nothing := range []string{"{}", "[]", "null"} {
			assert.NotContains(t, body, nothing, path)
		}
	}
}

// R-PAGE-17, R-CAP-03: the greatest search that the statement allows is served: a
// page of as many as there may be with what is beside them, and as many values as
// there may be at the end of the longest chain. How long it takes depends on the
// machine, and is bounded elsewhere (Limits.Read).
func TestTheGreatestSearchIsServed(t *testing.T) {
	w := newWorld(t)
	w.limited(w.store, Limits{Read: time.Hour})
	all := []string{patient("p1", "Quill", "1950")}
	for i := range maxCount {
		all = append(all, plan(fmt.Sprint("c", i), "p1", "active"))
	}
	w.commit(all...)
	b := w.get(fmt.Sprintf("/CarePlan?_count=%d&_include=CarePlan:patient&_include=CarePlan:subject", maxCount)).bundle()
	assert.Len(t, b.modes()["match"], maxCount)
	assert.Equal(t, []string{"Patient/p1"}, b.modes()["include"])
	b = w.get(fmt.Sprintf("/CarePlan?_count=%d&_revinclude=CarePlan:replaces", maxCount)).bundle()
	assert.Len(t, b.modes()["match"], maxCount)

	for to, values := range map[string]map[string]string{
		"CarePlan?" + strings.Repeat("replaces:CarePlan.", searchparam.MaxChain): {
			"status": "x%d", "status:not": "x%d", "identifier": "urn:s|%d", "identifier:not": "urn:s|%d", "patient": "Patient/%d", "patient:identifier": "urn:s|%d",
			"instantiates-uri": "urn:%d", "date": "ge%d", "activity-date": "ne%d", "_lastUpdated": "ne%d", "_id": "x%d", "_id:not": "x%d",
		},
		"Patient?" + strings.Repeat("link:Patient.", searchparam.MaxChain):               {"family": "x%d", "family:contains": "x%d", "family:exact": "x%d"},
		"Observation?" + strings.Repeat("has-member:Observation.", searchparam.MaxChain): {"value-quantity": "ne%d||mg"},
	} {
		for name, value := range values {
			var each []string
			for i := range searchparam.MaxValues {
				each = append(each, escape(fmt.Sprintf(value, 1000+i)))
			}
			r := w.get("/" + to + name + "=" + strings.Join(each, ","))
			assert.Equal(t, http.StatusOK, r.Code, "%s%s: %s", to, name, r.Body)
		}
	}
}
