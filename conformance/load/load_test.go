package main

import (
	"bytes"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/conformance/running"
	"nailbridge/internal/official"
)

// soakVariable is how long the soak lasts, such as 30m; in CI it is 3m unless
// told otherwise.
const soakVariable = "NAILBRIDGE_SOAK"

// Under 64 senders and two pollers a bridge grows neither in memory nor in open
// files: what it cannot take at once it lets wait. The first third of the time
// is left to caches and heap; of the rest the second half holds what the first
// did. The bounds are common practice, no source.
func TestSoakHoldsMemoryAndFilesFlat(t *testing.T) {
	length := os.Getenv(soakVariable)
	if length == "" {
		if !official.Required() {
			t.Skipf("takes minutes; it runs in CI, or for as long as %s says", soakVariable)
		}
		length = "3m"
	}
	duration, err := time.ParseDuration(length)
	require.NoError(t, err, soakVariable)
	zone, err := time.LoadLocation("Europe/London")
	require.NoError(t, err)
	dir := t.TempDir()
	binary, err := running.Build(t.Context(), dir)
	require.NoError(t, err)
	l := load{HTTP: 32, NATS: 32, Pollers: 2, For: duration, Every: duration / 180, Seed: 4, Zone: zone}
	r, err := once(t.Context(), binary, dir, l)
	require.NoError(t, err)

	t.Logf("\n%s\n%s", line(columns), line(row(l, r)))
	assert.NotEmpty(t, r.HTTP)
	assert.NotEmpty(t, r.NATS)
	assert.NotZero(t, r.Entries, "pollers saw what was stored")
	n := len(r.Usage)
	require.Greater(t, n, 30, "readings")
	middle, last := r.Usage[n/3:2*n/3], r.Usage[2*n/3:]
	was, is := median(residents(middle)), median(residents(last))
	t.Logf("resident MiB: %d in the middle third, %d in the last", was>>20, is>>20)
	assert.LessOrEqual(t, is, was+was/5, "resident memory grows")
	assert.LessOrEqual(t, mostFiles(last), mostFiles(middle)+4, "open files grow")
}

// Each number of senders and each door has its row, and every record sent was
// promised.
func TestRunPrintsARowOfEachRun(t *testing.T) {
	var out bytes.Buffer
	require.NoError(t, run(t.Context(), []string{"--senders", "2", "--doors", "http,nats,both", "--for", "2s"}, &out))
	var rows []string
	for _, l := range strings.Split(out.String(), "\n") {
		if f := strings.Fields(l); len(f) == 13 {
			assert.NotEqual(t, "0", f[2], l)
			rows = append(rows, f[0]+" "+f[1])
		}
	}
	assert.Equal(t, []string{"2 0", "0 2", "2 2"}, rows, out.String())
}

// Starts on a filled store are timed from exec to the first ready.
func TestStartsAreMeasured(t *testing.T) {
	var out bytes.Buffer
	require.NoError(t, run(t.Context(), []string{"--starts", "2", "--cases", "3"}, &out))
	assert.Regexp(t, `^3 cases, filled in .*\n2 starts from exec to both doors open: median [1-9]`, out.String())
}

func TestPlan(t *testing.T) {
	got, err := plan("1,64", "both,nats")
	require.NoError(t, err)
	assert.Equal(t, []load{{HTTP: 1, NATS: 1}, {NATS: 1}, {HTTP: 64, NATS: 64}, {NATS: 64}}, got)
	for _, wrong := range [][2]string{{"0", "http"}, {"", "http"}, {"1", "telex"}, {"eight", "both"}} {
		_, err := plan(wrong[0], wrong[1])
		assert.Error(t, err, wrong)
	}
}
