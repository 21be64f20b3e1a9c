package main

import (
	"os"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/conformance/guide"
	"nailbridge/mapping/published"
)

func definition(t *testing.T, id, version, words string) guide.Definition {
	d, err := published.Of([]byte(`{"resourceType":"ValueSet","id":"` + id + `","url":"https://a.example/ValueSet/` + id + `","version":"` + version + `","description":"` + words + `"}`))
	require.NoError(t, err)
	hash, err := guide.Hash(d.JSON)
	require.NoError(t, err)
	return guide.Definition{Definition: d, Lines: []published.Line{{URL: d.URL, Version: version, Form: published.Any, SHA256: hash}}}
}

// A new version is listed, and the one before it moves into the archive as it was;
// so does what is published no more. A change without another version is refused,
// and a second run changes nothing.
func TestPublish(t *testing.T) {
	dir := t.TempDir()
	first, then := time.Date(2026, 11, 28, 9, 0, 0, 0, time.UTC), time.Date(2026, 12, 1, 10, 0, 0, 0, time.UTC)
	run := func(at time.Time, now ...guide.Definition) (added, moved []string, err error) {
		b, err := read(dir)
		require.NoError(t, err)
		if added, moved, err = b.publish(now, at); err == nil {
			err = b.write(dir)
		}
		return added, moved, err
	}
	files := func() string {
		var all []string
		for _, name := range []string{listFile, currentFile, supersededFile} {
			text, err := os.ReadFile(dir + "/" + name)
			require.NoError(t, err)
			all = append(all, string(text))
		}
		return strings.Join(all, "\x00")
	}
	toes, nails := definition(t, "toes", "1.0.0", "Toes."), definition(t, "nails", "1.0.0", "Nails.")
	added, moved, err := run(first, nails, toes)
	require.NoError(t, err)
	assert.Len(t, added, 2)
	assert.Empty(t, moved)

	was := files()
	_, _, err = run(then, nails, definition(t, "toes", "1.0.0", "Ten toes."))
	require.ErrorContains(t, err, "ValueSet/toes|1.0.0 says something else than when it was published: give it another version")
	assert.Equal(t, was, files())

	next := definition(t, "toes", "1.1.0", "Ten toes.")
	added, moved, err = run(then, next)
	require.NoError(t, err)
	assert.Equal(t, []string{next.Canonical()}, added)
	assert.Equal(t, []string{nails.Canonical(), toes.Canonical()}, moved)
	b, err := read(dir)
	require.NoError(t, err)
	assert.Equal(t, []published.Definition{nails.Definition, toes.Definition}, b.superseded)
	require.Len(t, b.lines, 3)
	assert.Equal(t, []time.Time{first, first, then}, []time.Time{b.lines[0].At, b.lines[1].At, b.lines[2].At})

	was = files()
	added, moved, err = run(then.AddDate(1, 0, 0), next)
	require.NoError(t, err)
	assert.Empty(t, append(added, moved...))
	assert.Equal(t, was, files())
}
