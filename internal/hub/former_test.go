package hub

import (
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/mapping/resource"
)

// D8.3: a definition of an earlier release is there by its version, as it was
// told then, also when the release of now has it no more; it is not found by a
// search, and another version of it than was served is no version.
func TestD8_3_OldVersionsOfDefinitionsStayReadable(t *testing.T) {
	w := newWorld(t)
	old, gone := parse(t, codeSystem), parse(t, undatedSystem)
	serve := func(released time.Time, static ...resource.Resource) {
		require.NoError(t, KeepStatic(t.Context(), w.store, static, released))
		h, err := New(Options{Store: w.store, BaseURL: base, Static: static, Secret: secret, Released: released})
		require.NoError(t, err)
		w.handler = h
	}
	serve(t0, old, gone)
	was := w.get("/" + gone.Ref().String())
	then := w.get("/" + old.Ref().String())
	versionOf := func(r reply) string {
		return "/_history/" + strings.Trim(strings.TrimPrefix(r.Header().Get("ETag"), "W/"), `"`)
	}
	address := "/" + old.Ref().String() + versionOf(then)
	assert.Equal(t, then.Body.String(), w.get(address).Body.String())

	later := t0.AddDate(1, 0, 0)
	changed := parse(t, strings.Replace(codeSystem, `"status":"active"`, `"status":"retired"`, 1))
	require.NotEqual(t, string(old.JSON()), string(changed.JSON()))
	serve(later, changed)
	now := w.get("/" + old.Ref().String())
	assert.NotEqual(t, then.Body.String(), now.Body.String())
	got := w.get(address)
	assert.Equal(t, then.Body.String(), got.Body.String())
	assert.Equal(t, then.Header().Get("ETag"), got.Header().Get("ETag"))
	assert.Equal(t, then.Header().Get("Last-Modified"), got.Header().Get("Last-Modified"))
	assert.Equal(t, http.StatusNotModified, w.get(address, "If-None-Match", then.Header().Get("ETag")).Code)
	assert.Contains(t, w.get(address+"?_elements=url").Body.String(), "SUBSETTED")
	w.get("/"+old.Ref().String()+"/_history/0123456789abcdef").failed(404, "not-found")
	assert.Len(t, w.get("/CodeSystem").bundle().ids(), 1)

	w.get("/"+gone.Ref().String()).failed(404, "not-found")
	assert.Equal(t, was.Body.String(), w.get("/"+gone.Ref().String()+versionOf(was)).Body.String())
}
