package main

import (
	"bytes"
	"encoding/json"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/generate"
	"nailbridge/mapping/record"
)

// marker stands in every text of the records of this test.
const marker = "Zqmarkerqz"

// R-SEC-08, R-OO-09: TestMarkedPatientNeverShowsOutsideContent sends patients whose
// every field holds the marker, good records and bad ones, asks for them by it in every
// way, and looks for it where no patient data may be: logs, metrics, error text, and
// links of our making.
func TestMarkedPatientNeverShowsOutsideContent(t *testing.T) {
	b := newBench(t, t.TempDir(), "2026-04-08T09:00:00Z")
	b.schedule()
	good, bad := markedRecords(t)
	for _, text := range good {
		w := b.post(text)
		require.True(t, w.Code < http.StatusBadRequest || w.Code == http.StatusConflict, "%s\n%s", text, w.Body)
	}
	b.set("2030-01-01T00:00:00Z")
	b.tick()
	published := b.search("Patient?_count=50")
	require.Greater(t, published.Total, 1)
	require.Contains(t, string(published.Entry[0].Resource), marker, "the marker does reach the content")

	for _, text := range bad {
		w := b.post(text)
		assert.GreaterOrEqual(t, w.Code, 200)
		if w.Code >= http.StatusBadRequest {
			unmarked(t, "problem about "+string(text[:min(len(text), 300)]), problemText(t, w.Body.Bytes()))
		}
	}
	b.askWithMarker(t)
	b.followLinks(t, "Patient?name="+marker+"&_count=1")
	b.followLinks(t, "Observation?patient.identifier="+marker+"&_count=1")

	unmarked(t, "metrics", b.get("/metrics").Body.String())
	for line := range strings.Lines(b.log.String()) {
		unmarked(t, "log", line)
	}
	assert.NotEmpty(t, b.log.String(), "a test of an empty log shows nothing")
}

func unmarked(t *testing.T, where, text string) {
	t.Helper()
	if i := strings.Index(strings.ToLower(text), strings.ToLower(marker)); i >= 0 {
		t.Errorf("%s holds the marker: ...%s...", where, text[max(0, i-150):min(len(text), i+50)])
	}
}

// markedRecords are invented records with the marker in every text, id and
// URI, and variants of them that are refused or flagged.
func markedRecords(t *testing.T) (good, bad [][]byte) {
	kinds := map[string]record.PathType{}
	for _, p := range record.Paths() {
		kinds[p.Path] = p.Type
	}
	zone, err := time.LoadLocation("Europe/London")
	require.NoError(t, err)
	for _, c := range generate.Cases(1, 5, generate.Options{Clinic: "brindlemere", Zone: zone}) {
		for _, r := range c {
			if r.Status != "withdrawn" {
				r.Sharing = "agreed"
			}
			text, err := record.Encode(r)
			require.NoError(t, err)
			var tree map[string]any
			dec := json.NewDecoder(bytes.NewReader(text))
			dec.UseNumber()
			require.NoError(t, dec.Decode(&tree))
			mark(tree, "", kinds)
			good = append(good, encode(t, tree))
		}
	}
	for i, text := range good[:min(len(good), 6)] {
		bad = append(bad, spoiled(t, text, i, kinds)...)
	}
	bad = append(bad, []byte(marker), []byte(`{"`+marker+`"`), []byte(`"`+marker+`"`), []byte(`{"clinic":"`+marker+`"}`),
		[]byte(`{"clinic":"brindlemere","record":"`+marker+`","record":"`+marker+`"}`))
	return good, bad
}

// mark puts the marker before every text, id and URI of a record; the clinic
// alone keeps its name, or the door would send the record away.
func mark(tree any, path string, kinds map[string]record.PathType) {
	replace := func(v any, at string) any {
		s, ok := v.(string)
		if !ok {
			mark(v, at, kinds)
			return v
		}
		switch kinds[at] {
		case record.TextPath, record.IDPath:
			if at != "/clinic" && at != "/schemaVersion" {
				return marker + s
			}
		case record.URIPath:
			return "urn:" + strings.ToLower(marker) + ":" + s
		}
		return v
	}
	switch x := tree.(type) {
	case map[string]any:
		for k, v := range x {
			x[k] = replace(v, path+"/"+k)
		}
	case []any:
		for i, v := range x {
			x[i] = replace(v, path+"/*")
		}
	}
}

// spoiled are variants of a record: the marker in place of every code, every
// date, every number and flag, as an unknown member, and cut short.
func spoiled(t *testing.T, text []byte, i int, kinds map[string]record.PathType) [][]byte {
	var out [][]byte
	for _, kind := range []record.PathType{record.CodePath, record.WhenPath, record.DecimalPath, record.IntegerPath, record.BooleanPath} {
		var tree map[string]any
		require.NoError(t, json.Unmarshal(text, &tree))
		spoil(tree, "", kind, kinds)
		tree["revision"] = 1000 + i
		out = append(out, encode(t, tree))
	}
	cut := text[:len(text)/2]
	unknown := bytes.Replace(text, []byte(`{`), []byte(`{"`+marker+`":"`+marker+`",`), 1)
	trailing := append(bytes.Clone(text), []byte(" "+marker)...)
	return append(out, cut, unknown, trailing)
}

// spoil puts the marker at every leaf of one kind; the record keeps its kind
// and status, so that it is read to its end.
func spoil(tree any, path string, kind record.PathType, kinds map[string]record.PathType) {
	visit := func(v any, at string) any {
		if kinds[at] == kind && at != "/kind" && at != "/status" {
			return marker
		}
		spoil(v, at, kind, kinds)
		return v
	}
	switch x := tree.(type) {
	case map[string]any:
		for k, v := range x {
			x[k] = visit(v, path+"/"+k)
		}
	case []any:
		for i, v := range x {
			x[i] = visit(v, path+"/*")
		}
	}
}

func encode(t *testing.T, v any) []byte {
	b, err := json.Marshal(v)
	require.NoError(t, err)
	return b
}

// problemText is the error text of a problem: what it says and every reason
// with its place, but the place of a member that the sender named. The members
// of an answer beside it are the clinic's own content.
func problemText(t *testing.T, body []byte) string {
	var p struct {
		Type, Title, Detail string
		Reasons             []struct{ Code, Pointer, Text string }
	}
	require.NoError(t, json.Unmarshal(body, &p), "%s", body)
	for i := range p.Reasons {
		if p.Reasons[i].Code == "unknown-member" {
			p.Reasons[i].Pointer = ""
		}
	}
	return string(encode(t, p))
}

// askWithMarker asks for the marker in every place of a request that a door
// may answer with an error, and looks at the errors.
func (b *bench) askWithMarker(t *testing.T) {
	m := url.QueryEscape(marker)
	for _, path := range []string{
		"/fhir/Patient?birthdate=" + m, "/fhir/Patient?gender=a|b|" + m, "/fhir/Observation?patient=" + m + "/" + m + "/" + m, "/fhir/Observation?date=" + m,
		"/fhir/Patient?name:" + "exactly=" + m, "/fhir/Patient?_sort=" + m, "/fhir/Patient?_count=" + m, "/fhir/Patient?_page=" + m, "/fhir/Patient?name=%zz" + m,
		"/fhir/Patient?_lastUpdated=" + m, "/fhir/Patient/" + m, "/fhir/Patient/" + m + "/_history/" + m, "/fhir/" + m + "/1", "/fhir/Patient/_history?_since=" + m,
		"/records/brindlemere/" + m, "/records/" + m + "/" + m, "/records/brindlemere?list=" + m, "/follow-up?clinic=" + m,
		"/follow-up?clinic=brindlemere&state=" + m, "/follow-up?clinic=brindlemere&since=" + m, "/" + m, "/fhir/Patient?identifier=" + m + "&identifier=%zz",
	} {
		w := b.get(path)
		if w.Code >= http.StatusBadRequest {
			unmarked(t, "error about GET "+path, w.Body.String())
		}
	}
	for _, x := range []struct{ method, path, media, body string }{
		{"POST", "/fhir/Patient/_search", "application/x-www-form-urlencoded", "birthdate=" + m},
		{"POST", "/fhir/Patient/_search", "application/" + marker, "name=" + m},
		{"PUT", "/fhir/Patient/" + m, "application/fhir+json", `{"id":"` + marker + `"}`},
		{"POST", "/records?dry-run=" + m, "application/json", "{}"},
		{"POST", "/records", "text/" + marker, marker},
		{"POST", "/records/brindlemere/" + m + "/flags/" + m + "/acknowledge", "application/json", `{"who":{"staffKey":"` + marker + `"},"reason":"` + marker + `","at":"` + marker + `"}`},
		{"POST", "/records/brindlemere/" + m + "/flags/" + m + "/acknowledge", "application/json", `{"who":{"staffKey":"` + marker + `"},"reason":"` + marker + `","at":"2026-04-08T09:00:00Z","inputsHash":"` + marker + `"}`},
	} {
		w := b.do(x.method, x.path, x.media, []byte(x.body))
		assert.GreaterOrEqual(t, w.Code, http.StatusBadRequest, x.path)
		unmarked(t, "error about "+x.method+" "+x.path, w.Body.String())
	}
}

// followLinks walks a search to its end: only self repeats the client's
// criteria.
func (b *bench) followLinks(t *testing.T, query string) {
	w := b.get("/fhir/" + query)
	for pages := 0; w.Code == http.StatusOK; pages++ {
		require.Less(t, pages, 200)
		var page bundle
		require.NoError(t, json.Unmarshal(w.Body.Bytes(), &page))
		next := ""
		for _, l := range page.Link {
			if l.Relation != "self" {
				unmarked(t, "link "+l.Relation+" of page "+strconv.Itoa(pages), l.URL)
			}
			if l.Relation == "next" {
				next = strings.TrimPrefix(l.URL, "http://127.0.0.1:8470")
			}
		}
		for _, e := range page.Entry {
			unmarked(t, "fullUrl", e.FullURL)
		}
		if next == "" {
			return
		}
		w = b.get(next)
	}
}
