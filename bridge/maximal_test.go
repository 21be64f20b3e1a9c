package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"maps"
	"net/http"
	"os"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/searchparam"
	"nailbridge/mapping/record"
)

// keptBack are the places whose values are kept and never published (D3.2), as
// in mapping/COVERAGE.md.
var keptBack = []string{"/safeguardingNote", "/withheldNote"}

// linking are the places whose values say which record, surgery or activity is
// meant: they stay as they are. The version of the format is no content.
var linking = []string{"/schemaVersion", "/clinic", "/record", "/review/surgery", "/contact/surgery", "/review/activity", "/contact/activity",
	"/surgery/plannedReviews/*/step", "/review/nextReview/step", "/contact/nextReview/step"}

// baseRecords are the lines of a file of records of which the mapping is shown to
// use every value.
func baseRecords(t *testing.T, name string) [][]byte {
	lines, err := os.ReadFile("../mapping/testdata/coverage/" + name + ".ndjson")
	require.NoError(t, err)
	return bytes.Split(bytes.TrimSpace(lines), []byte("\n"))
}

// A maximal record, with a value of its own in every text, key and decimal, is
// sent with its review, its contact and a merge, and all of /fhir is read: what is never seen
// is exactly what is kept back. Values of other kinds (codes, times, whole
// numbers) are held to their places by TestCoverage of the mapping.
func TestD3_2_OfAMaximalRecordExactlyWhatIsKeptBackIsNeverSeen(t *testing.T) {
	b := newBench(t, t.TempDir(), "2025-03-20T09:00:00Z")
	sent := map[string]string{} // the value of each place, as it must be seen
	for i, line := range slices.Concat(baseRecords(t, "1-everything"), baseRecords(t, "6-merge")[1:]) {
		w := b.post(distinct(t, line, 1000*i, sent))
		require.Equal(t, http.StatusCreated, w.Code, w.Body)
	}
	require.Greater(t, len(sent), 150)

	var all strings.Builder
	for _, typ := range searchparam.CareTypes() {
		for path := "/fhir/" + typ + "?_count=200"; path != ""; {
			w := b.do(http.MethodGet, path, "", nil)
			require.Equal(t, http.StatusOK, w.Code, path)
			all.Write(w.Body.Bytes())
			path = nextPage(t, w.Body.Bytes())
		}
	}
	var unseen []string
	for _, place := range slices.Sorted(maps.Keys(sent)) {
		if !strings.Contains(all.String(), sent[place]) {
			unseen = append(unseen, place)
		}
	}
	assert.ElementsMatch(t, keptBack, unseen)
}

// distinct gives the record with a value of its own in each text, key and decimal
// that it holds, numbered from n on, of the demo clinic, and notes them by place.
func distinct(t *testing.T, line []byte, n int, sent map[string]string) []byte {
	d := json.NewDecoder(bytes.NewReader(line))
	d.UseNumber()
	var tree map[string]any
	require.NoError(t, d.Decode(&tree))
	tree["clinic"] = "brindlemere"
	for _, p := range record.Paths() {
		if !p.Leaf() || slices.Contains(linking, p.Path) || strings.HasPrefix(p.Path, "/patient/identifier/") || strings.HasSuffix(p.Path, "/system") {
			continue
		}
		n++
		setPlace(tree, strings.Split(p.Path[1:], "/"), func(old any) any {
			var value any
			switch p.Type {
			case record.TextPath, record.IDPath:
				value = fmt.Sprintf("zq%04dqz", n)
			case record.DecimalPath:
				whole, _, _ := strings.Cut(old.(json.Number).String(), ".")
				value = json.Number(fmt.Sprintf("%s.%05d", whole, 10_000+n))
			default:
				return old
			}
			sent[p.Path] = fmt.Sprint(value)
			return value
		})
	}
	out, err := json.Marshal(tree)
	require.NoError(t, err)
	return out
}

// setPlace changes the value at a path, whose "*" is the first item; nothing where
// it is not there.
func setPlace(at any, tokens []string, change func(any) any) {
	for i, token := range tokens {
		last := i == len(tokens)-1
		switch v := at.(type) {
		case map[string]any:
			next, there := v[token]
			if !there {
				return
			}
			if last {
				v[token] = change(next)
			}
			at = next
		case []any:
			if last {
				v[0] = change(v[0])
			}
			at = v[0]
		}
	}
}

// nextPage is the path of the next page of a search; "" on the last.
func nextPage(t *testing.T, body []byte) string {
	var page struct {
		Link []struct{ Relation, URL string }
	}
	require.NoError(t, json.Unmarshal(body, &page))
	for _, l := range page.Link {
		if l.Relation == "next" {
			_, path, _ := strings.Cut(l.URL, "8470")
			return path
		}
	}
	return ""
}
