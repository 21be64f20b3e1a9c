package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"io"
	"log/slog"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/config"
	"nailbridge/internal/meter"
	"nailbridge/internal/store/sqlite"
	"nailbridge/testdata"
)

// sleeper is a sleep that keeps how long it was asked for, and fails at a
// number of them.
type sleeper struct {
	asked []time.Duration
	cut   int // 0: never
}

var errTold = errors.New("told to stop")

func (s *sleeper) sleep(_ context.Context, d time.Duration) error {
	s.asked = append(s.asked, d)
	if len(s.asked) == s.cut {
		return errTold
	}
	return nil
}

// twoClinics are the settings of two clinics, under limits of a set.
func twoClinics(t *testing.T, formulary string) []byte {
	var top map[string]any
	require.NoError(t, json.Unmarshal(testdata.Settings(), &top))
	var list []any
	for _, id := range worldClinics[:2] {
		list = append(list, map[string]any{
			"clinic": map[string]any{"id": id, "name": "Clinic " + id, "identifierBase": "https://" + id + ".example/id"},
			"zone":   top["zone"], "shareUnstated": top["shareUnstated"], "formulary": formulary,
		})
	}
	text, err := json.Marshal(map[string]any{"clinics": list, "publicBaseUrl": top["publicBaseUrl"]})
	require.NoError(t, err)
	return text
}

// filled is a data folder with two patients at each clinic.
func filled(t *testing.T, settings []byte) string {
	dir := t.TempDir()
	require.NoError(t, config.EnsureDemo(dir))
	file, err := config.Parse(settings)
	require.NoError(t, err)
	all, err := file.Settings(config.DemoNamespace)
	require.NoError(t, err)
	st, err := sqlite.Open(t.Context(), sqlite.Options{Dir: dir})
	require.NoError(t, err)
	defer func() { require.NoError(t, st.Close()) }()
	cs, err := newClinics(file, all, st, slog.New(slog.NewTextHandler(io.Discard, nil)))
	require.NoError(t, err)
	for _, v := range cs {
		v.Clock, v.Meter = func() time.Time { return demoNow(t) }, meter.New("1")
		_, err := v.Outdated(t.Context()) // as the first start marks it
		require.NoError(t, err)
		for _, story := range []string{"01-both-borders", "03-total-avulsion"} {
			a, err := v.Receive(t.Context(), of(v.Settings.Clinic.ID, saves(t, story)[0]), false)
			require.NoError(t, err)
			require.Equal(t, "stored", string(a.Answer))
		}
	}
	return dir
}

// A re-map of several clinics in one run keeps one pace over all of them, by a
// sleep that the test gives: what four patients say of the staff and then their
// folds are eight, so that three at a time make two pauses of a second. One that
// is told to stop goes on where it was, and prints each clinic; then nothing is
// left.
func TestD7_2_ARemapOfSeveralClinicsKeepsOnePace(t *testing.T) {
	dir := filled(t, twoClinics(t, "ie-smpc"))
	file := dir + "/other.json"
	write(t, file, twoClinics(t, "us-label"))
	remap := func(s *sleeper, args ...string) (int, string) {
		var out bytes.Buffer
		e := &env{ctx: t.Context(), stdout: &out, stderr: io.Discard, clock: func() time.Time { return demoNow(t) }, sleep: s.sleep}
		status := runArgs(append([]string{"remap", "--config", file, "--data", dir}, args...), e)
		return status, out.String()
	}
	dry := &sleeper{}
	status, tried := remap(dry)
	require.Zero(t, status)
	assert.Empty(t, dry.asked, "a dry run holds up nobody")

	cut := &sleeper{cut: 1}
	status, _ = remap(cut, "--commit", "--patients-per-second", "3")
	require.Equal(t, 1, status)
	whole := &sleeper{}
	status, done := remap(whole, "--commit", "--patients-per-second", "3")
	require.Zero(t, status)
	second := []time.Duration{time.Second}
	assert.Equal(t, second, cut.asked, "after what two say and one fold")
	assert.Equal(t, second, whole.asked, "of one fold, what two say and their folds")
	for _, c := range worldClinics[:2] {
		assert.Contains(t, done, "re-map of clinic "+c+": written\n")
		assert.Contains(t, tried, "re-map of clinic "+c+": a dry run, nothing is written\n")
	}
	assert.Equal(t, strings.ReplaceAll(tried, "a dry run, nothing is written", "written"), done, "it wrote what the dry run told")
	_, after := remap(&sleeper{})
	assert.Equal(t, 2, strings.Count(after, "patients 0, failed 0, versions 0"))
}
