package main

import (
	"bytes"
	"context"
	"encoding/json"
	"encoding/xml"
	"errors"
	"fmt"
	"html"
	"io"
	"maps"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/conformance/guide/pages"
	"nailbridge/conformance/suite"
	"nailbridge/internal/store"
	"nailbridge/mapping/coverage"
	"nailbridge/mapping/record"
	"nailbridge/mapping/terms"
	"nailbridge/testdata"
)

// TestGuidePages makes the pages of the demo as the command does, and holds them
// to the demo's store.
func TestGuidePages(t *testing.T) {
	require.NoError(t, withDemo(t.Context(), testdata.Records(), func(a *app) error {
		in, err := a.guideInput(t.Context())
		require.NoError(t, err)
		dir := filepath.Join(t.TempDir(), "pages")
		var said bytes.Buffer
		require.NoError(t, guidePages{dir}.make(in, &said))
		assert.Contains(t, said.String(), "begin at "+filepath.Join(dir, "index.html"))
		written := readPages(t, dir)

		docs := everyVersion(t, &bench{t: t, app: a})
		paths := pathsOf(t, docs)
		t.Run("every path of the store stands once", func(t *testing.T) { everyPathOnce(t, written, paths) })
		t.Run("each row says where its value comes from", func(t *testing.T) { everyOrigin(t, written) })
		t.Run("every link resolves", func(t *testing.T) {
			links := 0
			for _, p := range written {
				links += len(p.links)
			}
			assert.Empty(t, unresolved(written))
			assert.Greater(t, links, 1900)
			t.Logf("%d links on %d pages", links, len(written))
		})
		t.Run("every definition served is told of", func(t *testing.T) {
			text := written["definitions.html"].text.String()
			for _, x := range in.Artifacts {
				var d struct{ URL string }
				require.NoError(t, json.Unmarshal(x.JSON, &d))
				assert.Contains(t, text, d.URL, x.Name)
			}
		})
		t.Run("every request that the pages name is answered", func(t *testing.T) { everyRequest(t, a, in, dir) })
		t.Run("every requirement stands once, with what shows it or why it is not in force", func(t *testing.T) {
			everyRequirementOnce(t, filepath.Join(dir, "requirements.html"))
			assert.Contains(t, written["index.html"].links, "requirements.html")
		})
		t.Run("the same input gives the same bytes", func(t *testing.T) {
			slices.Reverse(in.Resources)
			slices.Reverse(in.Artifacts)
			again, err := pages.Make(in)
			require.NoError(t, err)
			assert.Len(t, again, len(written))
			for _, f := range again {
				was, err := os.ReadFile(filepath.Join(dir, f.Name))
				require.NoError(t, err)
				assert.Equal(t, string(was), string(f.HTML), f.Name)
			}
		})
		t.Run("a line taken out of COVERAGE.md is missed", func(t *testing.T) { missedLines(t, in) })
		return nil
	}))
}

// everyRequirementOnce holds the page of requirements to the rows of the suite, which
// its own tests hold to the reference: 455, each with level, section, and its reason
// or what shows it.
func everyRequirementOnce(t *testing.T, file string) {
	html, err := os.ReadFile(file)
	require.NoError(t, err)
	got := map[string][]string{}
	for _, m := range regexp.MustCompile(`(?m)^<tr role="row" id="(R-[^"]+)">(.*)</tr>$`).FindAllStringSubmatch(string(html), -1) {
		require.NotContains(t, got, m[1], "once")
		var cells []string
		for _, c := range regexp.MustCompile(`<t[hd][^>]*>(.*?)</t[hd]>`).FindAllStringSubmatch(m[2], -1) {
			cells = append(cells, strings.NewReplacer("<strong>", "", "</strong>", "", "&#43;", "+", "&#39;", "'").Replace(c[1]))
		}
		got[m[1]] = cells
	}
	rows, checked := suite.Rows(), 0
	require.Len(t, rows, 455)
	assert.Len(t, got, len(rows))
	for _, r := range rows {
		require.True(t, r.InForce || r.Reason != "", r.ID)
		last := "not in force: " + r.Reason
		if r.InForce {
			last = "in force: a check of the suite"
			if by, _ := suite.Shown(r.ID); by != "" {
				last = "in force: " + by
				assert.Regexp(t, `^(Test|\.ci/)`, by, r.ID)
			} else {
				checked++
			}
		}
		assert.Equal(t, []string{r.ID, r.Level + " " + r.Section, r.Asks, last}, got[r.ID])
	}
	assert.Greater(t, checked, 120)
	assert.Contains(t, string(html), fmt.Sprintf("%d are shown by a check of the conformance suite", checked))
}

// The demo put together again gives the pages the same resources, to the byte: what is
// random in another store, the name of its epoch, is in the ids of Provenances too.
func TestGuidePagesHaveTheSameInputEachTime(t *testing.T) {
	var resources [2][]string
	for i := range resources {
		require.NoError(t, withDemo(t.Context(), testdata.Records()[:3], func(a *app) error {
			bodies, err := a.published(t.Context())
			for _, b := range bodies {
				resources[i] = append(resources[i], string(b))
			}
			return err
		}))
	}
	provenance := func(r string) bool { return strings.Contains(r, `"resourceType":"Provenance"`) }
	require.True(t, slices.ContainsFunc(resources[0], provenance))
	assert.ElementsMatch(t, resources[0], resources[1])
}

// Nothing is written where it is not said what.
func TestGuideSaysWhatItWants(t *testing.T) {
	var stderr bytes.Buffer
	assert.Equal(t, 2, runArgs([]string{"guide"}, &env{ctx: context.Background(), stdout: io.Discard, stderr: &stderr}))
	assert.Contains(t, stderr.String(), "--pages")
}

// named is a request as the pages name it.
var named = regexp.MustCompile(`<code>GET ([^<]+)</code>`)

// everyRequest asks what the page of reading tells a hub to ask, and holds it to what the
// statement says of every request.
func everyRequest(t *testing.T, a *app, in pages.Input, dir string) {
	page, err := os.ReadFile(filepath.Join(dir, "reading.html"))
	require.NoError(t, err)
	requests := named.FindAllStringSubmatch(string(page), -1)
	assert.Greater(t, len(requests), 4)
	for _, r := range requests {
		path := html.UnescapeString(r[1])
		if strings.HasSuffix(path, "?url=") {
			path += url.QueryEscape(terms.CanonicalBase + "/ValueSet/tag|1.0.0")
		}
		w := httptest.NewRecorder()
		a.handler.ServeHTTP(w, httptest.NewRequestWithContext(t.Context(), http.MethodGet, a.file.PublicBaseURL+"/"+path, nil))
		assert.Equal(t, http.StatusOK, w.Code, path)
		if path != "metadata" {
			assert.Contains(t, w.Body.String(), `"entry":[`, path)
		}
	}
	said := html.UnescapeString(strings.ReplaceAll(string(page), "</li>\n<li>", " "))
	n := 0
	for _, x := range in.Artifacts {
		var s struct {
			ResourceType string
			Rest         []struct{ Documentation string }
		}
		require.NoError(t, json.Unmarshal(x.JSON, &s))
		if s.ResourceType == "CapabilityStatement" {
			n++
			assert.Contains(t, said, s.Rest[0].Documentation)
		}
	}
	assert.Positive(t, n)
}

// webPage is what a test reads of a page.
type webPage struct {
	links []string
	ids   []string
	rows  map[string][]string // of element tables: the cells of each path, without the path
	paths []string            // the same paths, as often as they stand
	text  strings.Builder
}

func readPages(t *testing.T, dir string) map[string]*webPage {
	entries, err := os.ReadDir(dir)
	require.NoError(t, err)
	out := map[string]*webPage{}
	for _, e := range entries {
		b, err := os.ReadFile(filepath.Join(dir, e.Name()))
		require.NoError(t, err)
		out[e.Name()], err = readPage(b)
		require.NoError(t, err, "%s is not well-formed", e.Name())
	}
	return out
}

// readPage reads a page, strictly as XML: every element is closed, every attribute
// quoted, and what needs escaping is escaped. It is an error too where the page is
// hard to use without seeing it: a heading that skips a level, a table without
// caption, a head cell without scope.
func readPage(b []byte) (*webPage, error) {
	p := &webPage{rows: map[string][]string{}}
	r := pageReader{page: p}
	for d := xml.NewDecoder(bytes.NewReader(b)); ; {
		token, err := d.Token()
		switch {
		case errors.Is(err, io.EOF):
			return p, r.closing()
		case err != nil:
			return nil, err
		}
		if err := r.take(token); err != nil {
			return nil, err
		}
	}
}

// pageReader is the state between the tokens of a page.
type pageReader struct {
	page    *webPage
	open    []string // elements
	heading int
	caption bool
	inTable bool // of elements
	cell    *strings.Builder
	path    string
	langs   int
}

func (r *pageReader) take(token xml.Token) error {
	switch x := token.(type) {
	case xml.StartElement:
		r.open = append(r.open, x.Name.Local)
		return r.start(x.Name.Local, attributes(x))
	case xml.EndElement:
		r.open = r.open[:len(r.open)-1]
		r.end(x.Name.Local)
	case xml.CharData:
		if !slices.Contains(r.open, "style") {
			r.page.text.Write(x)
		}
		if r.cell != nil {
			r.cell.Write(x)
		}
	}
	return nil
}

func attributes(x xml.StartElement) map[string]string {
	out := map[string]string{}
	for _, a := range x.Attr {
		out[a.Name.Local] = a.Value
	}
	return out
}

func (r *pageReader) start(name string, a map[string]string) error {
	if a["id"] != "" {
		r.page.ids = append(r.page.ids, a["id"])
	}
	switch name {
	case "html":
		if a["lang"] != "en" {
			return errors.New("the page does not say its language")
		}
		r.langs++
	case "script", "link", "img", "iframe":
		return fmt.Errorf("the page needs a %s", name)
	case "a":
		r.page.links = append(r.page.links, a["href"])
	case "h1", "h2", "h3", "h4":
		level := int(name[1] - '0')
		if level > r.heading+1 {
			return fmt.Errorf("a heading %s after one of level %d", name, r.heading)
		}
		r.heading = level
	case "table":
		r.caption, r.inTable = false, a["class"] == "elements"
	case "caption":
		r.caption = true
	case "th", "td":
		return r.startCell(name, a)
	}
	return nil
}

func (r *pageReader) startCell(name string, a map[string]string) error {
	switch {
	case !r.caption:
		return errors.New("a table without a caption")
	case name == "th" && a["scope"] == "":
		return errors.New("a head cell without scope")
	case name == "td" && a["data-label"] == "":
		return errors.New("a cell without a label for narrow screens")
	}
	if r.inTable && a["scope"] != "col" {
		r.cell = &strings.Builder{}
	}
	return nil
}

func (r *pageReader) end(name string) {
	if r.cell == nil || name != "th" && name != "td" {
		return
	}
	text := strings.Join(strings.Fields(r.cell.String()), " ")
	if name == "th" {
		r.path = text
		r.page.paths = append(r.page.paths, text)
	} else {
		r.page.rows[r.path] = append(r.page.rows[r.path], text)
	}
	r.cell = nil
}

func (r *pageReader) closing() error {
	if r.langs != 1 || r.heading == 0 {
		return errors.New("no page, or one without headings")
	}
	return nil
}

// pathsOf are the FHIR paths of resources, walked without the pages' own walk: of
// every element, without indexes, an extension by the end of its URL.
func pathsOf(t *testing.T, docs [][]byte) map[string]bool {
	out := map[string]bool{}
	var walk func(path string, v any)
	walk = func(path string, v any) {
		switch v := v.(type) {
		case map[string]any:
			out[path] = true
			for name, e := range v {
				walk(path+"."+strings.TrimPrefix(name, "_"), e)
			}
		case []any:
			for _, e := range v {
				at := path
				if m, ok := e.(map[string]any); ok && strings.HasSuffix(path, ".extension") {
					at += "[" + m["url"].(string)[strings.LastIndex(m["url"].(string), "/")+1:] + "]"
				}
				walk(at, e)
			}
		default:
			out[path] = true
		}
	}
	for _, b := range docs {
		var tree map[string]any
		require.NoError(t, json.Unmarshal(b, &tree))
		walk(tree["resourceType"].(string), tree)
	}
	return out
}

// compared says which paths the element tables lack, have twice, or made up.
func compared(written map[string]*webPage, paths map[string]bool) (faults []string) {
	times := map[string]int{}
	for _, p := range written {
		for _, path := range p.paths {
			times[path]++
		}
	}
	for path := range paths {
		if times[path] != 1 {
			faults = append(faults, fmt.Sprintf("%s stands %d times", path, times[path]))
		}
	}
	for path := range times {
		if !paths[path] {
			faults = append(faults, path+" does not occur")
		}
	}
	slices.Sort(faults)
	return faults
}

func everyPathOnce(t *testing.T, written map[string]*webPage, paths map[string]bool) {
	assert.Empty(t, compared(written, paths))
	assert.Greater(t, len(paths), 1000)
	t.Logf("%d paths of %d types", len(paths), len(slices.DeleteFunc(slices.Sorted(maps.Keys(paths)), func(p string) bool { return strings.Contains(p, ".") })))

	// It tells what is wrong: a row that is not there, one that is there twice, one of nothing.
	plan := written["CarePlan.html"]
	kept := plan.paths
	defer func() { plan.paths = kept }()
	plan.paths = slices.DeleteFunc(slices.Clone(kept), func(p string) bool { return p == "CarePlan.status" })
	assert.Equal(t, []string{"CarePlan.status stands 0 times"}, compared(written, paths))
	plan.paths = append(slices.Clone(kept), "CarePlan.status", "CarePlan.author.name")
	assert.Equal(t, []string{"CarePlan.author.name does not occur", "CarePlan.status stands 2 times"}, compared(written, paths))
}

// everyOrigin holds that each row has a tag, and a record path of the format or a
// sentence; a row of what only holds others may have the tag alone.
func everyOrigin(t *testing.T, written map[string]*webPage) {
	known := map[string]bool{}
	for _, p := range record.Paths() {
		known[p.Path] = true
	}
	said := map[string]int{}
	for _, p := range written {
		for path, cells := range p.rows {
			require.Len(t, cells, 3, path)
			tag, rest, _ := strings.Cut(cells[1], " ")
			said[tag]++
			require.Contains(t, []string{"record", "computed"}, tag, path)
			if !assert.NotEmpty(t, rest, "%s says nothing", path) || tag == "computed" {
				continue
			}
			places := 0
			for _, word := range strings.FieldsFunc(rest, func(r rune) bool { return strings.ContainsRune(" ,:()", r) }) {
				if known[word] {
					places++
				}
			}
			assert.True(t, places > 0 || strings.Contains(rest, "which is one value") || strings.Contains(rest, "by what it holds"),
				"%s comes from a record, and no place is named: %s", path, rest)
		}
	}
	assert.Greater(t, said["record"], 400)
	assert.Greater(t, said["computed"], 400)
	t.Logf("rows by tag: %v", said)
}

// unresolved are the links to pages or places that are not there, and ids that
// stand twice.
func unresolved(written map[string]*webPage) (out []string) {
	for name, p := range written {
		ids := slices.Sorted(slices.Values(p.ids))
		for i := range ids[1:] {
			if ids[i] == ids[i+1] {
				out = append(out, name+": twice "+ids[i])
			}
		}
		for _, l := range p.links {
			u, err := url.Parse(l)
			if err != nil {
				out = append(out, err.Error())
				continue
			}
			to := written[u.Path]
			if u.Path == "" {
				to = p
			}
			if u.IsAbs() || to == nil || u.Fragment != "" && !slices.Contains(to.ids, u.Fragment) {
				out = append(out, name+": "+l)
			}
		}
	}
	return out
}

// missedLines takes single lines out of the table of coverage: each is missed by
// what needs it. A few types show it.
func missedLines(t *testing.T, in pages.Input) {
	whole, err := os.ReadFile("../mapping/COVERAGE.md")
	require.NoError(t, err)
	in.Resources = slices.DeleteFunc(in.Resources, func(b []byte) bool {
		return !bytes.Contains(b, []byte(`"resourceType":"C`))
	})
	require.NotEmpty(t, in.Resources)
	for line, path := range map[string]string{
		"| `*.text.status` `*.text.div` |": ".text.",
		"| `CarePlan.intent` |":            "CarePlan.intent",
		"| `/surgery/indication/stage` |":  "Condition.stage.summary.coding",
		"| `/surgery/consent/at` |":        "Consent.dateTime",
	} {
		var rest strings.Builder
		for l := range strings.Lines(string(whole)) {
			if !strings.HasPrefix(l, line) {
				rest.WriteString(l)
			}
		}
		require.NotEqual(t, len(whole), rest.Len(), line)
		in.Coverage, err = coverage.Read(rest.String())
		require.NoError(t, err)
		_, err = pages.Make(in)
		require.Error(t, err, line)
		assert.Contains(t, err.Error(), "nothing says where")
		assert.Contains(t, err.Error(), path)
	}
}

// everyVersion reads the bodies of the system history, page by page.
func everyVersion(t *testing.T, b *bench) [][]byte {
	var docs [][]byte
	require.NoError(t, b.app.store.View(t.Context(), func(r store.Reader) error {
		total := 0
		for q := (store.HistoryQuery{Count: 500}); ; {
			page, err := r.History(q)
			if err != nil {
				return err
			}
			if q.After == nil {
				total = page.Total
			}
			for _, v := range page.Versions {
				if total--; !v.Deleted {
					docs = append(docs, v.Body)
				}
				q.After = &store.Key{Seq: v.Seq, Ref: v.Ref}
			}
			if !page.More {
				assert.Zero(t, total, "every version was read")
				return nil
			}
		}
	}))
	require.NotEmpty(t, docs)
	return docs
}
