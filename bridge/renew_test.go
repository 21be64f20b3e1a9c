package main

import (
	"bytes"
	"context"
	"io"
	"net/http"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/config"
	"nailbridge/internal/store/sqlite"
	"nailbridge/testdata"
)

// under puts the program together again over the same data, under edited
// settings.
func (b *bench) under(edit func(*config.File)) {
	b.close()
	file, err := config.Parse(testdata.Settings())
	require.NoError(b.t, err)
	edit(&file)
	b.app, err = newApp(&env{ctx: context.Background(), stdout: io.Discard, stderr: b.log, clock: b.clock}, file, config.DemoNamespace, b.dir, accessFlags{})
	require.NoError(b.t, err)
}

// D3.1: while the store is folded again under other settings no hub reads what
// those of before let it, and the program is not ready; records are taken. Then
// what may no longer be shared is gone.
func TestD3_1_HubsWaitWhileTheStoreIsFoldedAgain(t *testing.T) {
	b := newBench(t, t.TempDir(), "2026-04-08T09:00:00Z")
	_, err := b.app.clinics.outdated(t.Context(), b.app.store)
	require.NoError(t, err)
	b.app.ready.Store(true)
	b.send("03-total-avulsion") // nothing was ever stated on sharing
	patient := "/fhir/Patient/" + idOf(t, b.search("Patient").Entry[0].FullURL)
	require.Equal(t, http.StatusOK, b.get("/ready").Code)

	b.under(func(f *config.File) { f.Clinics[0].ShareUnstated = "" })
	b.app.ready.Store(true)
	stale, err := b.app.clinics.outdated(t.Context(), b.app.store)
	require.NoError(t, err)
	require.True(t, stale)
	b.app.folding.Store(stale)
	for _, path := range []string{patient, patient + "/_history", "/fhir/Patient", "/fhir/_history", "/fhir/CarePlan?status=active"} {
		w := b.get(path)
		assert.Equal(t, http.StatusServiceUnavailable, w.Code, path)
		assert.NotEmpty(t, w.Header().Get("Retry-After"), path)
		assert.Contains(t, w.Body.String(), `"resourceType":"OperationOutcome"`, path)
	}
	assert.Equal(t, http.StatusServiceUnavailable, b.get("/ready").Code)
	assert.Equal(t, http.StatusOK, b.get("/health").Code)
	b.send("12-abandoned")

	b.app.renew(t.Context())
	assert.Equal(t, http.StatusOK, b.get("/ready").Code)
	assert.Equal(t, http.StatusGone, b.get(patient).Code)
	assert.Contains(t, b.get(patient+"/_history").Body.String(), `"method":"DELETE"`)
	assert.Contains(t, b.log.String(), "folded the store again")

	// A fold that is cut off is not taken for done: hubs wait on.
	b.under(func(*config.File) {})
	b.app.folding.Store(true)
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	b.app.renew(ctx)
	assert.Equal(t, http.StatusServiceUnavailable, b.get("/fhir/Patient").Code)
}

func idOf(t *testing.T, fullURL string) string {
	i := strings.LastIndex(fullURL, "/")
	require.Positive(t, i)
	return fullURL[i+1:]
}

// demoStarted runs the demo over a data folder until it serves.
func demoStarted(t *testing.T, dir string) {
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	out := &stopper{cancel: cancel}
	log := &buffer{}
	e := &env{ctx: ctx, stdout: out, stderr: log, clock: time.Now}
	require.Equal(t, 0, runArgs([]string{"demo", "--listen", "127.0.0.1:0", "--data", dir, "--at", "2026-03-12T09:00:00Z"}, e), log.String())
	require.Contains(t, out.String(), "The demo clinic is served")
}

// stopper stops the program as soon as it says anything.
type stopper struct {
	buffer
	cancel func()
}

func (s *stopper) Write(p []byte) (int, error) {
	s.cancel()
	return s.buffer.Write(p)
}

// The folder that a demo kept can be read by follow-up and kept on by a demo,
// under changed settings too; it takes no real record, and a demo goes into no
// other folder (D1.7).
func TestD1_7_WhatADemoKept(t *testing.T) {
	dir := t.TempDir()
	demoStarted(t, dir)
	settings := filepath.Join(t.TempDir(), "settings.json")
	write(t, settings, testdata.Settings())
	now := demoNow(t)
	run := func(args ...string) (status int, stdout, stderr string) {
		var out, errs bytes.Buffer
		e := &env{ctx: t.Context(), stdin: strings.NewReader(""), stdout: &out, stderr: &errs, clock: func() time.Time { return now }}
		return runArgs(args, e), out.String(), errs.String()
	}
	status, list, said := run("follow-up", "--config", settings, "--data", dir)
	require.Zero(t, status, said)
	assert.Contains(t, list, "Wound check at two weeks")
	assert.Empty(t, said)

	other := filepath.Join(t.TempDir(), "settings.json")
	write(t, other, bytes.Replace(testdata.Settings(), []byte(`"formulary": "ie-smpc",`), nil, 1))
	assert.NotContains(t, list, "No limit set is chosen")
	status, afresh, said := run("follow-up", "--config", other, "--data", dir)
	require.Zero(t, status, said)
	assert.Contains(t, said, "folded under other settings")
	assert.NotEqual(t, list, afresh, "made under the settings given")

	status, _, said = run("serve", "--config", settings, "--data", dir, "--listen", "127.0.0.1:0")
	assert.Equal(t, 1, status)
	assert.Contains(t, said, "never for real patients")
	status, _, said = run("to-fhir", "--config", settings, "--data", dir, "-")
	assert.Equal(t, 1, status)
	assert.Contains(t, said, "--demo-ids")
	clinic := t.TempDir()
	_, err := config.EnsureNamespace(clinic, nil)
	require.NoError(t, err)
	status, _, said = run("demo", "--listen", "127.0.0.1:0", "--data", clinic)
	assert.Equal(t, 1, status)
	assert.Contains(t, said, "not the demo's")
	assert.NoFileExists(t, filepath.Join(clinic, sqlite.File))

	demoStarted(t, dir) // again, at the same address: nothing changes
	_, again, _ := run("follow-up", "--config", settings, "--data", dir)
	assert.Equal(t, list, again)
}
