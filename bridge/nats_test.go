package main

import (
	"bytes"
	"context"
	"encoding/json"
	"io"
	"net"
	"net/http"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/events"
	"nailbridge/internal/receive"
)

// serveNATS serves on free ports until the test ends, and gives HTTP's address.
func serveNATS(t *testing.T, b *bench, f natsFlags) (addr string) {
	b.app.nats = f
	ctx, cancel := context.WithCancel(context.Background())
	started, ended := make(chan string, 1), make(chan error, 1)
	e := &env{ctx: ctx, stdout: io.Discard, stderr: b.log, clock: b.clock}
	go func() { ended <- b.app.serve(e, "127.0.0.1:0", func(addr string) { started <- addr }) }()
	t.Cleanup(func() {
		cancel()
		require.NoError(t, <-ended)
	})
	select {
	case addr = <-started:
	case err := <-ended:
		ended <- nil
		require.NoError(t, err)
	}
	return addr
}

func getText(t *testing.T, url string) (int, string) {
	res, err := http.Get(url)
	require.NoError(t, err)
	defer res.Body.Close()
	b, err := io.ReadAll(res.Body)
	require.NoError(t, err)
	return res.StatusCode, string(b)
}

// A record published on NATS is answered there, served to hubs like any other,
// and announced.
func TestServeTakesRecordsByNATS(t *testing.T) {
	b := newBench(t, t.TempDir(), "2026-04-08T09:00:00Z")
	addr := serveNATS(t, b, natsFlags{Listen: "127.0.0.1:0"})
	conn, err := nats.Connect(b.app.events.Load().ClientURL())
	require.NoError(t, err)
	defer conn.Close()
	answers, err := conn.SubscribeSync("nailbridge.answers.brindlemere.*")
	require.NoError(t, err)
	changes, err := conn.SubscribeSync("nailbridge.changes.brindlemere")
	require.NoError(t, err)
	js, err := jetstream.New(conn)
	require.NoError(t, err)
	record := saves(t, "12-abandoned")[0]
	require.Eventually(t, func() bool {
		_, err := js.Publish(context.Background(), "nailbridge.records.brindlemere", record)
		return err == nil
	}, time.Minute, 20*time.Millisecond)

	m, err := answers.NextMsg(time.Minute)
	require.NoError(t, err)
	var a events.Answered
	require.NoError(t, json.Unmarshal(m.Data, &a))
	assert.Equal(t, receive.Stored, a.Answer.Answer)
	require.NotEmpty(t, a.Resources)
	status, _ := getText(t, "http://"+addr+"/fhir/"+a.Resources[0].Reference)
	assert.Equal(t, http.StatusOK, status)
	m, err = changes.NextMsg(time.Minute)
	require.NoError(t, err)
	assert.Equal(t, receive.EventChange, m.Header.Get(events.KindHeader))

	require.Eventually(t, func() bool {
		status, _ := getText(t, "http://"+addr+"/health/nats")
		return status == http.StatusOK
	}, time.Minute, 20*time.Millisecond)
	// The figure follows the message that a subscriber sees.
	relayed := regexp.MustCompile(`nailbridge_outbox_relayed_sequence [1-9]`)
	require.Eventually(t, func() bool {
		_, figures := getText(t, "http://"+addr+"/metrics")
		return strings.Contains(figures, "nailbridge_nats_up 1\n") && relayed.MatchString(figures)
	}, time.Minute, 20*time.Millisecond)
}

// An outage of NATS, from the start on, stops nothing at the other door.
func TestServeWithoutTheNATSServer(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	nobody := l.Addr().String()
	require.NoError(t, l.Close())
	b := newBench(t, t.TempDir(), "2026-04-08T09:00:00Z")
	addr := serveNATS(t, b, natsFlags{URL: "nats://" + nobody})
	res, err := http.Post("http://"+addr+"/records", "application/json", bytes.NewReader(saves(t, "12-abandoned")[0]))
	require.NoError(t, err)
	require.NoError(t, res.Body.Close())
	assert.Equal(t, http.StatusCreated, res.StatusCode)
	status, _ := getText(t, "http://"+addr+"/ready")
	assert.Equal(t, http.StatusOK, status)
	status, text := getText(t, "http://"+addr+"/health/nats")
	assert.Equal(t, http.StatusServiceUnavailable, status)
	assert.Contains(t, text, "not connected")
	_, figures := getText(t, "http://"+addr+"/metrics")
	assert.Contains(t, figures, "nailbridge_nats_up 0\n")
}

// Without a flag there is no second door; both kinds at once are asked wrongly;
// an address that is not loopback is refused.
func TestNATSFlags(t *testing.T) {
	b := newBench(t, t.TempDir(), "2026-04-08T09:00:00Z")
	w := b.get("/health/nats")
	assert.Equal(t, http.StatusNotFound, w.Code)

	b.app.nats = natsFlags{Listen: "0.0.0.0:4270"}
	e := &env{ctx: context.Background(), stdout: io.Discard, stderr: b.log, clock: b.clock}
	assert.ErrorContains(t, b.app.serve(e, "127.0.0.1:0", nil), "loopback")

	command(t, 2, "serve", "--config", "nats_test.go", "--data", t.TempDir(), "--nats", "nats://127.0.0.1:1", "--nats-listen", "127.0.0.1:0")
}
