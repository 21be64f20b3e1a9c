package events_test

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/events"
	"nailbridge/internal/receive"
	"nailbridge/internal/receive/receivetest"
	"nailbridge/internal/searchparam"
	"nailbridge/internal/store"
	"nailbridge/internal/store/sqlite"
)

// patience is how long a test waits for what must come to pass, on a busy
// machine too.
const patience = 3 * time.Minute

// noon is the clock of every test: the day of receivetest.Surgery.
var noon = time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC)

// clinic is an intake over a store in a folder of its own.
type clinic struct {
	*receive.Receiver
	dir    string
	db     *sqlite.DB
	store  *events.Announcer
	counts *receivetest.Counts
	fault  atomic.Pointer[func(op string) error] // of the store
}

func openClinic(t testing.TB, dir string) *clinic {
	t.Helper()
	c := &clinic{dir: dir, counts: &receivetest.Counts{}}
	epochs := 0
	var err error
	c.db, err = sqlite.Open(context.Background(), sqlite.Options{
		Dir: dir, NewEpoch: func() string { epochs++; return "e" + strconv.Itoa(epochs) },
		Fault: func(op string) error {
			if f := c.fault.Load(); f != nil {
				return (*f)(op)
			}
			return nil
		},
	})
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, c.db.Close()) })
	c.store = events.Announce(c.db)
	s := receivetest.Settings(t)
	c.Receiver = &receive.Receiver{
		Store: c.store, Settings: s, Index: searchparam.Index{Base: receivetest.Base, Zone: s.Clinic.Zone},
		Clock: func() time.Time { return noon }, Meter: c.counts, Log: slog.New(slog.DiscardHandler),
	}
	return c
}

func newClinic(t testing.TB) *clinic { return openClinic(t, t.TempDir()) }

// failing sets the fault of the store; nil: none.
func (c *clinic) failing(f func(op string) error) {
	if f == nil {
		c.fault.Store(nil)
		return
	}
	c.fault.Store(&f)
}

// outbox reads the whole outbox.
func (c *clinic) outbox(t testing.TB) (es []store.Event) {
	t.Helper()
	require.NoError(t, c.db.View(context.Background(), func(r store.Reader) (err error) {
		es, err = r.Outbox("north", 0, 1<<20)
		return err
	}))
	return es
}

func (c *clinic) deliveries(t testing.TB, record string) (ds []store.Delivery) {
	t.Helper()
	require.NoError(t, c.db.View(context.Background(), func(r store.Reader) (err error) {
		ds, err = r.Deliveries("north", record)
		return err
	}))
	return ds
}

// options are those of a service that tries again at once.
func (c *clinic) options(t testing.TB) events.Options {
	return events.Options{
		Clinics: []events.Clinic{{ID: "north", Receiver: c.Receiver}}, Store: c.store, Meter: c.counts, Log: logTo(t),
		Pause: 20 * time.Millisecond, Poll: 200 * time.Millisecond, Timeout: 5 * time.Second, AckWait: 30 * time.Second,
	}
}

// logTo shows what a service says when a test fails.
func logTo(t testing.TB) *slog.Logger {
	w := &testLog{t: t}
	t.Cleanup(w.end)
	return slog.New(slog.NewTextHandler(w, nil))
}

type testLog struct {
	mu sync.Mutex
	t  testing.TB
}

func (w *testLog) end() {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.t = nil
}

func (w *testLog) Write(b []byte) (int, error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.t != nil {
		w.t.Logf("%s", b)
	}
	return len(b), nil
}

// embedded makes the options those of an embedded server with its data in the
// clinic's folder.
func embedded(c *clinic, o events.Options) events.Options {
	o.Dir, o.Listen = c.dir, "127.0.0.1:0"
	return o
}

func start(t testing.TB, o events.Options) *events.Service {
	t.Helper()
	s, err := events.Start(o)
	require.NoError(t, err)
	return s
}

func stop(t testing.TB, s *events.Service) {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), patience)
	defer cancel()
	s.Stop(ctx)
	require.NoError(t, ctx.Err(), "the service did not stop in time")
}

// process is a nats-server of its own.
type process struct {
	t    testing.TB
	conf string
	url  string
	cmd  *exec.Cmd
}

// serverBinary builds the nats-server of the module's own go.mod, once. That it
// can not be built is a failure everywhere: no test is skipped for it.
var serverBinary = sync.OnceValues(func() (string, error) {
	path := filepath.Join(binaries, "nats-server")
	out, err := exec.Command("go", "build", "-o", path, "github.com/nats-io/nats-server/v2").CombinedOutput()
	if err != nil {
		return "", fmt.Errorf("go build of nats-server: %w\n%s", err, out)
	}
	return path, nil
})

// newProcess runs a server that syncs at every write, on a free port.
func newProcess(t testing.TB) *process {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	addr := l.Addr().String()
	require.NoError(t, l.Close())
	dir := t.TempDir()
	p := &process{t: t, conf: filepath.Join(dir, "server.conf"), url: "nats://" + addr}
	conf := fmt.Sprintf("listen: %q\njetstream { store_dir: %q, sync_interval: always }\n", addr, dir)
	require.NoError(t, os.WriteFile(p.conf, []byte(conf), 0o600))
	p.run()
	t.Cleanup(p.kill)
	return p
}

// run starts the server and waits until it answers.
func (p *process) run() {
	p.t.Helper()
	bin, err := serverBinary()
	require.NoError(p.t, err)
	p.cmd = exec.Command(bin, "-c", p.conf)
	require.NoError(p.t, p.cmd.Start())
	require.Eventually(p.t, func() bool {
		c, err := nats.Connect(p.url)
		if err != nil {
			return false
		}
		defer c.Close()
		js, err := jetstream.New(c)
		if err != nil {
			return false
		}
		_, err = js.AccountInfo(context.Background())
		return err == nil
	}, patience, 20*time.Millisecond, "nats-server does not answer")
}

// add adds a line to the settings of the server, for the next run.
func (p *process) add(line string) {
	p.t.Helper()
	b, err := os.ReadFile(p.conf)
	require.NoError(p.t, err)
	require.NoError(p.t, os.WriteFile(p.conf, append(b, line+"\n"...), 0o600))
}

// lose takes away the data of a server that does not run.
func (p *process) lose() {
	p.t.Helper()
	require.NoError(p.t, os.RemoveAll(filepath.Join(filepath.Dir(p.conf), "jetstream")))
}

// kill ends the server as a power cut does.
func (p *process) kill() {
	if p.cmd != nil {
		_ = p.cmd.Process.Kill()
		_ = p.cmd.Wait()
		p.cmd = nil
	}
}

// client is a practice system and a reader of everything.
type client struct {
	testing.TB
	conn *nats.Conn
	js   jetstream.JetStream
}

func connect(t testing.TB, url string) *client {
	t.Helper()
	conn, err := nats.Connect(url, nats.MaxReconnects(-1), nats.ReconnectWait(20*time.Millisecond), nats.RetryOnFailedConnect(true))
	require.NoError(t, err)
	t.Cleanup(conn.Close)
	js, err := jetstream.New(conn)
	require.NoError(t, err)
	return &client{t, conn, js}
}

// send publishes a record for a clinic and gives its place in RECORDS.
func (c *client) send(clinic string, body []byte) uint64 {
	c.Helper()
	var last error
	for until := time.Now().Add(patience); time.Now().Before(until); time.Sleep(20 * time.Millisecond) { // until the service has made the stream
		ack, err := c.js.Publish(context.Background(), events.RecordsSubject(clinic), body)
		if err == nil {
			return ack.Sequence
		}
		require.NotErrorIs(c, err, nats.ErrMaxPayload)
		require.NotErrorIs(c, err, nats.ErrConnectionClosed, "%v", c.conn.LastError())
		last = err
	}
	require.NoError(c, last, "no record was taken in %s", patience)
	return 0
}

// reply is one message on ANSWERS.
type reply struct {
	events.Answered
	subject string
	raw     []byte
}

// message is one message of a stream.
type message struct {
	*jetstream.RawStreamMsg
}

// all reads a stream from its start. A server that is started again meanwhile
// answers no request of before.
func (c *client) all(stream string) (out []message, err error) {
	ctx, cancel := context.WithTimeout(context.Background(), patience/10)
	defer cancel()
	st, err := c.js.Stream(ctx, stream)
	if err != nil {
		return nil, err
	}
	if st.CachedInfo().State.Msgs == 0 {
		return nil, nil
	}
	for seq := st.CachedInfo().State.FirstSeq; seq <= st.CachedInfo().State.LastSeq; seq++ {
		m, err := st.GetMsg(ctx, seq)
		if err != nil && !errors.Is(err, jetstream.ErrMsgNotFound) {
			return nil, err
		}
		if err == nil {
			out = append(out, message{m})
		}
	}
	return out, nil
}

// answers gives the answers so far by the sequence of the record's message, as
// soon as they can be read.
func (c *client) answers() map[uint64][]reply {
	c.Helper()
	var ms []message
	require.Eventually(c, func() (ok bool) {
		var err error
		ms, err = c.all(events.AnswersStream)
		return err == nil
	}, patience, 20*time.Millisecond, "the answers can not be read")
	out := map[uint64][]reply{}
	for _, m := range ms {
		r := reply{subject: m.Subject, raw: m.Data}
		require.NoError(c, json.Unmarshal(m.Data, &r.Answered))
		out[r.StreamSequence] = append(out[r.StreamSequence], r)
	}
	return out
}

// answer waits for the first answer to a message.
func (c *client) answer(seq uint64) (r reply) {
	c.Helper()
	require.Eventually(c, func() bool {
		if rs := c.answers()[seq]; len(rs) > 0 {
			r = rs[0]
			return true
		}
		return false
	}, patience, 20*time.Millisecond, "message %d is not answered", seq)
	return r
}

// ask sends a record and waits for its answer.
func (c *client) ask(clinic string, body []byte) reply {
	c.Helper()
	return c.answer(c.send(clinic, body))
}

// settled waits until everything in RECORDS is acknowledged.
func (c *client) settled() {
	c.Helper()
	require.Eventually(c, func() bool {
		i := c.consumer()
		return i != nil && i.NumPending == 0 && i.NumAckPending == 0
	}, patience, 20*time.Millisecond, "deliveries stay without acknowledgement")
}

func (c *client) consumer() *jetstream.ConsumerInfo {
	cons, err := c.js.Consumer(context.Background(), events.RecordsStream, "intake-north")
	if err != nil {
		return nil
	}
	return cons.CachedInfo()
}

// relayed waits until CHANGES holds the whole outbox of the store's epoch, and
// gives the sequences in the order in which they came.
func (c *client) relayed(from *clinic) (seqs []int64) {
	c.Helper()
	es := from.outbox(c)
	require.NotEmpty(c, es)
	var epoch string
	require.NoError(c, from.db.View(context.Background(), func(r store.Reader) error { epoch = r.Head().Epoch; return nil }))
	require.Eventually(c, func() bool {
		ms, err := c.all(events.ChangesStream)
		if err != nil {
			return false
		}
		seqs = seqs[:0]
		for _, m := range ms {
			if m.Header.Get(events.EpochHeader) == epoch {
				n, err := strconv.ParseInt(m.Header.Get(events.SequenceHeader), 10, 64)
				require.NoError(c, err)
				seqs = append(seqs, n)
			}
		}
		return len(seqs) > 0 && seqs[len(seqs)-1] == es[len(es)-1].Seq
	}, patience, 20*time.Millisecond, "the outbox is not relayed")
	return seqs
}

// binaries is a folder for what the tests build.
var binaries string

func TestMain(m *testing.M) {
	if os.Getenv(childEnv) != "" {
		os.Exit(child())
	}
	var err error
	if binaries, err = os.MkdirTemp("", "events-"); err != nil {
		panic(err)
	}
	code := m.Run()
	_ = os.RemoveAll(binaries)
	os.Exit(code)
}
