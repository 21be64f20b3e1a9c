package hub

import (
	"encoding/json"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/mapping/resource"
)

// D8.3: earlier versions of a definition are read by their version and told in its
// history, the newest first; a search and a read find the current one alone. What
// was served by a release before is served alike, to the byte, with its ETag.
func TestD8_3_EarlierVersionsOfDefinitions(t *testing.T) {
	w := newWorld(t)
	version := func(n string) string {
		return strings.Replace(strings.Replace(codeSystem, `"version":"1"`, `"version":"`+n+`"`, 1), `"date":"2026-01-15",`, "", 1)
	}
	serve := func(released time.Time, now string, former ...string) {
		o := Options{Store: w.store, BaseURL: base, Static: []resource.Resource{parse(t, now)}, Secret: secret, Released: released}
		o.Published = func(_, version string) time.Time { return t0.AddDate(0, len(version), 0) }
		for _, f := range former {
			o.Former = append(o.Former, parse(t, f))
		}
		h, err := New(o)
		require.NoError(t, err)
		w.handler = h
	}
	one, two, three := version("1"), version("11"), version("111") // published a month after another
	serve(t0, one)
	was := w.get("/CodeSystem/toes")
	tag := strings.Trim(strings.TrimPrefix(was.Header().Get("ETag"), "W/"), `"`)

	serve(t0.AddDate(1, 0, 0), three, two, one)
	old := w.get("/CodeSystem/toes/_history/" + tag)
	assert.Equal(t, was.Body.String(), old.Body.String())
	assert.Equal(t, was.Header().Get("ETag"), old.Header().Get("ETag"))
	assert.Equal(t, was.Header().Get("Last-Modified"), old.Header().Get("Last-Modified"))
	assert.Equal(t, 304, w.get("/CodeSystem/toes/_history/"+tag, "If-None-Match", was.Header().Get("ETag")).Code)
	assert.Contains(t, w.get("/CodeSystem/toes").Body.String(), `"version":"111"`)
	assert.Equal(t, []string{"toes"}, w.get("/CodeSystem").bundle().ids())
	assert.Empty(t, w.get("/CodeSystem?version=1").bundle().Entry)

	versions := func(query string) (out []string) {
		for page := "/CodeSystem/toes/_history" + query; page != ""; {
			b := w.get(page).bundle()
			for _, e := range b.Entry {
				var d struct{ Version string }
				require.NoError(t, json.Unmarshal(e.Resource, &d))
				out = append(out, e.Response.Status+" "+d.Version)
			}
			page = strings.TrimPrefix(b.link("next"), base)
		}
		return out
	}
	want := []string{"200 111", "200 11", "201 1"}
	assert.Equal(t, want, versions(""))
	assert.Equal(t, want, versions("?_count=1"), "page by page")
	assert.Equal(t, want[:2], versions("?_since="+t0.AddDate(0, 2, 0).Format("2006-01-02T15:04:05Z")))
	assert.Equal(t, 3, *w.get("/CodeSystem/toes/_history?_count=0").bundle().Total)
	w.get("/CodeSystem/_history").failed(404, "not-supported")
	assert.Empty(t, w.get("/_history").bundle().Entry, "no part of the feed")

	first := w.get("/CodeSystem/toes/_history?_count=1").bundle().link("next")
	serve(t0, two, one)
	assert.Equal(t, 410, w.get(strings.TrimPrefix(first, base)).Code, "a page of other definitions")

	for _, wrong := range []Options{
		{Static: []resource.Resource{parse(t, undatedSystem)}, Former: []resource.Resource{parse(t, one)}},
		{Static: []resource.Resource{parse(t, one)}, Former: []resource.Resource{parse(t, one)}, Released: t0},
	} {
		wrong.Store, wrong.BaseURL, wrong.Secret = w.store, base, secret
		_, err := New(wrong)
		assert.ErrorIs(t, err, ErrOptions, "an earlier version of nothing, or one that is not earlier")
	}
}
