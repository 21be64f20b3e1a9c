package events_test

import (
	"bufio"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/events"
	"nailbridge/internal/receive"
	"nailbridge/internal/receive/receivetest"
)

// A child is this test binary run as a bridge of its own, to be killed. It
// stops for ever before the operation that hangEnv names.
const (
	childEnv = "NAILBRIDGE_TEST_CHILD" // folder of its data
	urlEnv   = "NAILBRIDGE_TEST_NATS"  // outside server; "": embedded
	hangEnv  = "NAILBRIDGE_TEST_HANG"
)

// childTB lets the aids of the tests serve outside a test.
type childTB struct {
	testing.TB
}

func (childTB) Helper()                   {}
func (childTB) Cleanup(func())            {}
func (childTB) Logf(f string, a ...any)   { fmt.Fprintf(os.Stderr, f+"\n", a...) }
func (childTB) Errorf(f string, a ...any) { fmt.Fprintf(os.Stderr, f+"\n", a...) }
func (childTB) FailNow()                  { os.Exit(1) }

func child() int {
	t := childTB{}
	dir := os.Getenv(childEnv)
	c := openClinic(t, dir)
	o := c.options(t)
	o.AckWait = 2 * time.Second
	if o.URL = os.Getenv(urlEnv); o.URL == "" {
		o = embedded(c, o)
	}
	o.Fault = func(op string) error {
		if op == os.Getenv(hangEnv) {
			fmt.Println("hangs")
			select {}
		}
		return nil
	}
	s, err := events.Start(o)
	if err != nil {
		t.Errorf("%v", err)
		return 1
	}
	fmt.Println("serves", s.ClientURL())
	select {}
}

// bridge is a child at work.
type bridge struct {
	t     *testing.T
	cmd   *exec.Cmd
	lines chan string
	url   string
}

func startBridge(t *testing.T, dir, url, hang string) *bridge {
	t.Helper()
	self, err := os.Executable()
	require.NoError(t, err)
	b := &bridge{t: t, cmd: exec.Command(self), lines: make(chan string, 100)}
	b.cmd.Env = append(os.Environ(), childEnv+"="+dir, urlEnv+"="+url, hangEnv+"="+hang)
	b.cmd.Stderr = os.Stderr
	out, err := b.cmd.StdoutPipe()
	require.NoError(t, err)
	require.NoError(t, b.cmd.Start())
	t.Cleanup(b.kill)
	go func() {
		defer close(b.lines)
		said := bufio.NewScanner(out)
		for said.Scan() {
			b.lines <- said.Text()
		}
		if err := said.Err(); err != nil {
			b.lines <- err.Error()
		}
	}()
	if b.url = strings.TrimPrefix(b.line("serves"), "serves "); url != "" {
		b.url = url
	}
	return b
}

// line waits for a line that begins so.
func (b *bridge) line(prefix string) string {
	b.t.Helper()
	late := time.After(patience)
	for {
		select {
		case l, ok := <-b.lines:
			require.True(b.t, ok, "the bridge ended before it said %q", prefix)
			if strings.HasPrefix(l, prefix) {
				return l
			}
		case <-late:
			require.Fail(b.t, "the bridge did not say "+prefix)
		}
	}
}

func (b *bridge) kill() {
	_ = b.cmd.Process.Kill()
	_ = b.cmd.Wait()
}

// D9, R-ING-02, R-ING-06: the answer is published before the acknowledgement. A bridge
// killed between commit, answer and acknowledgement repeats the delivery and skips
// none; the repeat changes nothing.
func TestD9_KilledBetweenCommitAndAcknowledgement(t *testing.T) {
	for _, at := range []struct {
		hang    string
		answers []receive.Kind
	}{
		{"publish-answer", []receive.Kind{receive.Unchanged}},
		{"ack", []receive.Kind{receive.Stored, receive.Unchanged}},
	} {
		for _, where := range []string{"embedded", "outside"} {
			t.Run(at.hang+"/"+where, func(t *testing.T) {
				dir, url := filepath.Join(t.TempDir(), "data"), ""
				if where == "outside" {
					url = newProcess(t).url
				}
				b := startBridge(t, dir, url, at.hang)
				seq := connect(t, b.url).send("north", receivetest.Surgery())
				b.line("hangs")
				b.kill()

				b = startBridge(t, dir, url, "")
				c := connect(t, b.url)
				c.settled()
				var kinds []receive.Kind
				for _, r := range c.answers()[seq] {
					kinds = append(kinds, r.Answer.Answer)
				}
				require.GreaterOrEqual(t, len(kinds), len(at.answers))
				for i, kind := range kinds { // a slow machine may repeat once more
					assert.Equal(t, at.answers[min(i, len(at.answers)-1)], kind, "%v", kinds)
				}
				b.kill()
				assert.Len(t, openClinic(t, dir).deliveries(t, "S-1"), 1, "kept once")
			})
		}
	}
}

// What was committed and not relayed when the bridge was killed is relayed at
// the next start; nothing is skipped.
func TestRelayResumesAfterAKill(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "data")
	b := startBridge(t, dir, "", "publish-change")
	connect(t, b.url).send("north", receivetest.Surgery(receivetest.Set("/surgery/toes/0/tourniquets/0/off", nil)))
	b.line("hangs")
	c := connect(t, b.url)
	c.settled()
	b.kill()

	b = startBridge(t, dir, "", "")
	c = connect(t, b.url)
	require.Eventually(t, func() bool {
		ms, err := c.all(events.ChangesStream)
		return err == nil && len(ms) > 1
	}, patience, 50*time.Millisecond)
	b.kill()
	o := openClinic(t, dir)
	s := start(t, embedded(o, o.options(t)))
	defer stop(t, s)
	assertRising(t, connect(t, s.ClientURL()).relayed(o), len(o.outbox(t)))
}
