package events_test

import (
	"bytes"
	"context"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"encoding/json"
	"fmt"
	"log/slog"
	"net"
	"net/http/httptest"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/access"
	"nailbridge/internal/events"
	"nailbridge/internal/receive"
	"nailbridge/internal/receive/receivetest"
	"nailbridge/internal/searchparam"
	"nailbridge/internal/store"
)

// lines is a log that may be written and read at once.
type lines struct {
	mu sync.Mutex
	bytes.Buffer
}

func (l *lines) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.Buffer.Write(p)
}

func (l *lines) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.Buffer.String()
}

// keyed is the embedded server with two clinics and keys.
type keyed struct {
	testing.TB
	c       *clinic
	s       *events.Service
	path    string            // of the file of keys
	secrets map[string]string // by name
	ids     map[string]string
	log     *lines
}

// newKeyed serves the clinics north and south, with a key for the practice
// system of each, for a hub of north, for one of both, and for a person.
func newKeyed(t testing.TB, edit func(*events.Options)) *keyed {
	k := &keyed{TB: t, c: newClinic(t), path: filepath.Join(t.TempDir(), "keys.json"), secrets: map[string]string{}, ids: map[string]string{}, log: &lines{}}
	k.add("north", access.Key{Kind: access.ClinicKey, Clinics: []string{"north"}})
	k.add("second", access.Key{Kind: access.ClinicKey, Clinics: []string{"north"}})
	k.add("south", access.Key{Kind: access.ClinicKey, Clinics: []string{"south"}})
	k.add("hub", access.Key{Kind: access.HubKey, Clinics: []string{"north"}})
	k.add("both", access.Key{Kind: access.HubKey, Clinics: []string{"north", "south"}})
	k.add("person", access.Key{Kind: access.PersonKey, Clinics: []string{"north"}, Person: &access.Person{Family: "Quill", StaffKey: "st-1"}})
	keys, err := access.OpenKeyFile(k.path, func(err error) { t.Errorf("keys: %v", err) })
	require.NoError(t, err)
	south := receivetest.Settings(t)
	south.Clinic.ID = "south"
	o := embedded(k.c, k.c.options(t))
	o.Keys, o.Log = keys, slog.New(slog.NewTextHandler(k.log, nil))
	o.Clinics = append(o.Clinics, events.Clinic{ID: "south", Receiver: &receive.Receiver{
		Store: k.c.store, Settings: south, Index: searchparam.Index{Base: receivetest.Base, Zone: south.Clinic.Zone},
		Clock: func() time.Time { return noon }, Meter: k.c.counts, Log: slog.New(slog.DiscardHandler),
	}})
	if edit != nil {
		edit(&o)
	}
	k.s = start(t, o)
	t.Cleanup(func() { stop(t, k.s) })
	return k
}

func (k *keyed) add(name string, key access.Key) {
	k.Helper()
	key.Name = name
	key, secret, err := access.NewKey(key, rand.Reader, noon)
	require.NoError(k, err)
	require.NoError(k, access.AddKey(k.path, key))
	k.secrets[name], k.ids[name] = secret, key.ID
}

func (k *keyed) dial(user, secret string, opts ...nats.Option) (*nats.Conn, error) {
	return nats.Connect(k.s.ClientURL(), append([]nats.Option{nats.UserInfo(user, secret), nats.MaxReconnects(0), nats.ErrorHandler(func(*nats.Conn, *nats.Subscription, error) {})}, opts...)...)
}

// practice is a practice system with its key, come in to send and to read.
type practice struct {
	*client
	reading *client
	name    string // of its consumers
}

// practice connects to a clinic with the key of its practice system.
func (k *keyed) practice(clinic, key string) practice {
	k.Helper()
	return practice{k.as(clinic, key), k.as(events.ReadingUser(clinic), key), events.Reader(k.ids[key])}
}

// as connects as a user with a key.
func (k *keyed) as(user, key string) *client {
	k.Helper()
	var conn *nats.Conn
	require.Eventually(k, func() (ok bool) { // until the account of the clinic is there
		var err error
		conn, err = k.dial(user, k.secrets[key])
		return err == nil
	}, patience, 20*time.Millisecond)
	k.Cleanup(conn.Close)
	js, err := jetstream.New(conn)
	require.NoError(k, err)
	return &client{k.TB, conn, js}
}

// mayNotPublish and mayNotSubscribe check that the server forbids a subject.
func (k *keyed) mayNotPublish(c *client, subject string) {
	k.Helper()
	require.NoError(k, c.conn.Publish(subject, surgeryAt("south")))
	k.denied(c, "Publish to", subject)
}

func (k *keyed) mayNotSubscribe(c *client, subject string) {
	k.Helper()
	_, err := c.conn.SubscribeSync(subject)
	require.NoError(k, err)
	k.denied(c, "Subscription to", subject)
}

// denied waits for the server's word; the last error names what it was about.
func (k *keyed) denied(c *client, what, subject string) {
	k.Helper()
	require.NoError(k, c.conn.Flush())
	err := c.conn.LastError()
	assert.ErrorIs(k, err, nats.ErrPermissionViolation, "%s %s", what, subject)
	assert.ErrorContains(k, err, "Violation for "+what+` "`+subject+`"`)
}

// read gives the next n messages of a stream by the reader of the client's key.
func (k *keyed) read(c practice, stream string, n int) (out []jetstream.Msg) {
	k.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), patience)
	defer cancel()
	var cons jetstream.Consumer
	require.Eventually(k, func() (ok bool) { // until the streams are there
		var err error
		cons, err = c.reading.js.Consumer(ctx, stream, c.name)
		return err == nil
	}, patience, 20*time.Millisecond)
	for len(out) < n {
		m, err := cons.Next(jetstream.FetchMaxWait(time.Second))
		if err != nil {
			require.NoError(k, ctx.Err(), "%s has %d of %d messages", stream, len(out), n)
			continue
		}
		require.NoError(k, m.DoubleAck(ctx))
		out = append(out, m)
	}
	return out
}

func surgeryAt(clinic string, edits ...receivetest.Edit) []byte {
	return receivetest.Surgery(append([]receivetest.Edit{receivetest.Set("/clinic", clinic)}, edits...)...)
}

// A practice system with nothing but its key publishes, has its acknowledgement
// and its answer, and reads its changes; the numbers that it sees tell nothing
// of another clinic, though both use the same record ids and patient numbers.
func TestEachClinicIsServedWithItsKey(t *testing.T) {
	k := newKeyed(t, nil)
	north, south := k.practice("north", "north"), k.practice("south", "south")
	live, err := north.conn.SubscribeSync("nailbridge.answers.north.*")
	require.NoError(t, err)
	require.NoError(t, north.conn.Flush())
	require.EqualValues(t, 1, north.send("north", surgeryAt("north")))
	m, err := live.NextMsg(patience)
	require.NoError(t, err)
	var first events.Answered
	require.NoError(t, json.Unmarshal(m.Data, &first))
	assert.Equal(t, receive.Stored, first.Answer.Answer)
	assert.Equal(t, "north", first.Clinic)
	require.NotEmpty(t, first.Resources)

	for seq := uint64(1); seq <= 3; seq++ { // the same record and patient, elsewhere
		require.Equal(t, seq, south.send("south", surgeryAt("south")))
	}
	var answers []events.Answered
	for _, m := range k.read(south, "ANSWERS", 3) {
		var a events.Answered
		require.NoError(t, json.Unmarshal(m.Data(), &a))
		assert.Equal(t, "south", a.Clinic)
		answers = append(answers, a)
	}
	assert.Equal(t, receive.Stored, answers[0].Answer.Answer, "north's record is none of south's")
	assert.Equal(t, receive.Unchanged, answers[2].Answer.Answer)
	for _, r := range answers[0].Resources {
		for _, of := range first.Resources {
			assert.NotEqual(t, of.Reference, r.Reference)
		}
	}

	assert.EqualValues(t, 2, north.send("north", surgeryAt("north", receivetest.Revision(2), receivetest.Set("/surgery/dressing", "other"))), "no gap tells of south")
	got := k.read(north, "ANSWERS", 2)
	meta, err := got[1].Metadata()
	require.NoError(t, err)
	assert.EqualValues(t, 2, meta.Sequence.Stream)
	assert.Zero(t, meta.NumPending)
	var before int64
	for _, m := range k.read(north, "CHANGES", len(k.c.outbox(t))) {
		assert.Equal(t, "nailbridge.changes.north", m.Subject())
		var head struct{ Clinic string }
		require.NoError(t, json.Unmarshal(m.Data(), &head))
		assert.Equal(t, "north", head.Clinic)
		seq := jsonInt(t, m.Headers().Get(events.SequenceHeader))
		assert.Equal(t, before+1, seq, "nor does the number of an event")
		assert.NotContains(t, string(m.Data()), `"seq"`)
		before = seq
	}
}

func jsonInt(t testing.TB, s string) (n int64) {
	t.Helper()
	require.NoError(t, json.Unmarshal([]byte(s), &n))
	return n
}

// What a key may not do, and what it may be tried with to reach another clinic.
func TestClinicsAreWallsAtNATS(t *testing.T) {
	k := newKeyed(t, nil)
	north, south := k.practice("north", "north"), k.practice("south", "south")
	require.EqualValues(t, 1, north.send("north", surgeryAt("north")))
	require.EqualValues(t, 1, south.send("south", surgeryAt("south")))
	k.read(south, "ANSWERS", 1)
	k.read(north, "ANSWERS", 1)

	other := events.Reader(k.ids["second"]) // of another practice system of the same clinic
	for _, subject := range []string{
		"nailbridge.records.south", "nailbridge.records.*", "nailbridge.answers.south.S-1", "nailbridge.answers.north.S-1", "nailbridge.changes.north", "nailbridge.changes.south",
		"$JS.API.STREAM.LIST", "$JS.API.STREAM.NAMES", "$JS.API.INFO", "$JS.API.STREAM.INFO.RECORDS", "$JS.API.STREAM.MSG.GET.RECORDS", "$JS.API.STREAM.MSG.GET.ANSWERS",
		"$JS.API.STREAM.PURGE.ANSWERS", "$JS.API.STREAM.DELETE.RECORDS", "$JS.API.STREAM.CREATE.MINE", "$JS.API.STREAM.UPDATE.CHANGES", "$JS.API.DIRECT.GET.RECORDS",
		"$JS.API.CONSUMER.LIST.RECORDS", "$JS.API.CONSUMER.CREATE.RECORDS.mine", "$JS.API.CONSUMER.DELETE.RECORDS.intake-north", "$JS.API.CONSUMER.MSG.NEXT.RECORDS.intake-north",
		"$JS.API.STREAM.INFO.ANSWERS", "$JS.API.CONSUMER.CREATE.ANSWERS.mine", "$JS.API.CONSUMER.DURABLE.CREATE.ANSWERS.mine", "$JS.API.CONSUMER.DELETE.ANSWERS." + north.name,
		"$JS.API.CONSUMER.INFO.ANSWERS." + other, "$JS.API.CONSUMER.MSG.NEXT.ANSWERS." + other, "$JS.ACK.ANSWERS." + other + ".1.1.1.1.1",
		"$JS.ACK.RECORDS.intake-north.1.1.1.1.1", "$SYS.REQ.SERVER.PING", "anything",
	} {
		k.mayNotPublish(north.client, subject)
		k.mayNotPublish(north.reading, subject)
	}
	// To send and to read are apart, for the same key too.
	k.mayNotPublish(north.reading, "nailbridge.records.north")
	for _, subject := range []string{"$JS.API.CONSUMER.INFO.ANSWERS.", "$JS.API.CONSUMER.MSG.NEXT.CHANGES."} {
		k.mayNotPublish(north.client, subject+north.name)
	}
	k.mayNotSubscribe(north.reading, "nailbridge.answers.north.*")
	k.mayNotSubscribe(north.reading, "nailbridge.changes.north")
	for _, subject := range []string{">", "nailbridge.>", "nailbridge.records.*", "nailbridge.records.north", "nailbridge.answers.*.*", "nailbridge.answers.south.*", "nailbridge.changes.*", "nailbridge.changes.south", "$JS.>", "$SYS.>"} {
		k.mayNotSubscribe(north.client, subject)
		k.mayNotSubscribe(north.reading, subject)
	}
	// A reply of the server led to where south's records are taken.
	require.NoError(t, north.conn.PublishRequest("nailbridge.records.north", "nailbridge.records.south", surgeryAt("north")))
	k.read(north, "ANSWERS", 1)
	assert.EqualValues(t, 2, south.send("south", surgeryAt("south")), "nothing came there")
	k.read(south, "ANSWERS", 1)
	assert.Equal(t, 0, k.c.counts.Refused, "nor anything by the other ways")
	require.NoError(t, k.c.db.View(context.Background(), func(r store.Reader) error {
		ds, err := r.Deliveries("south", "S-1")
		assert.Len(t, ds, 1)
		return err
	}))

	// A record of south under north's subject is refused, and kept nowhere.
	require.EqualValues(t, 3, north.send("north", surgeryAt("south", receivetest.Record("S-2"))))
	var a events.Answered
	require.NoError(t, json.Unmarshal(k.read(north, "ANSWERS", 1)[0].Data(), &a))
	assert.Equal(t, receive.Refused, a.Answer.Answer)
	assert.Equal(t, "other-clinic", a.Reasons[0].Code)
	assert.NotContains(t, k.log.String(), "nailbridge.records.south", "what a client tried is not repeated")
}

// A client may name any subject for the reply to what it asks. Where it leads
// one, there is nothing: no request to the streams, no records, no other clinic,
// and no hub (D3.1).
func TestRepliesLedAstrayReachNothing(t *testing.T) {
	k := newKeyed(t, nil)
	north, second, south, hub := k.practice("north", "north"), k.practice("north", "second"), k.practice("south", "south"), k.as("north", "hub")
	heard, err := hub.conn.SubscribeSync("nailbridge.changes.north")
	require.NoError(t, err)
	require.NoError(t, hub.conn.Flush())
	south.send("south", surgeryAt("south"))
	k.read(south, "ANSWERS", 1)
	sent := north.send("north", surgeryAt("north"))
	held := k.read(second, "ANSWERS", 1)[0]
	changes := k.c.outbox(t)
	require.NotEmpty(t, changes)
	for range changes {
		m, err := heard.NextMsg(patience)
		require.NoError(t, err)
		assert.NotEmpty(t, m.Header.Get(events.SequenceHeader))
	}
	var before map[string]*jetstream.StreamInfo
	require.Eventually(t, func() bool { // the relay is behind the answer, and the stream behind those who listen
		before = events.Streams(t, k.s, "north")
		return before["CHANGES"].State.LastSeq == uint64(len(changes))
	}, patience, 10*time.Millisecond)
	for _, astray := range []string{
		"$JS.API.STREAM.PURGE.RECORDS", "$JS.API.STREAM.PURGE.ANSWERS", "$JS.API.STREAM.PURGE.CHANGES",
		"$JS.API.STREAM.DELETE.RECORDS", "$JS.API.STREAM.DELETE.ANSWERS", "$JS.API.STREAM.DELETE.CHANGES",
		"$JS.API.CONSUMER.DELETE.RECORDS.intake-north", "$JS.API.CONSUMER.DELETE.ANSWERS." + second.name, "$JS.API.CONSUMER.MSG.NEXT.RECORDS.intake-north",
		"nailbridge.changes.north", "nailbridge.answers.north.S-1", "nailbridge.records.south", "nailbridge.answers.south.S-1", "nailbridge.changes.south",
		"nailbridge.records.north",
	} {
		for subject, body := range map[string]string{
			"nailbridge.records.north":                        string(surgeryAt("north")),
			"$JS.API.CONSUMER.INFO.ANSWERS." + north.name:     "",
			"$JS.API.CONSUMER.INFO.CHANGES." + north.name:     "",
			"$JS.API.CONSUMER.MSG.NEXT.ANSWERS." + north.name: `{"batch":1,"no_wait":true}`,
			"$JS.API.CONSUMER.MSG.NEXT.CHANGES." + north.name: `{"batch":1,"no_wait":true}`,
			"$JS.ACK.ANSWERS." + north.name + ".1.1.1.1.1":    "+NXT",
		} {
			if subject != "nailbridge.records.north" {
				require.NoError(t, north.reading.conn.PublishRequest(subject, astray, []byte(body)))
				continue
			}
			require.NoError(t, north.conn.PublishRequest(subject, astray, []byte(body)))
			sent++
		}
	}
	for _, c := range []*client{north.client, north.reading} {
		require.NoError(t, c.conn.Flush())
		require.NoError(t, c.conn.LastError(), "all of these may be asked")
	}
	assert.Equal(t, sent+1, north.send("north", surgeryAt("north")), "no record but its own")
	assert.EqualValues(t, 2, south.send("south", surgeryAt("south")), "nor any elsewhere")
	assert.Len(t, k.read(second, "ANSWERS", int(sent)), int(sent), "no answer is gone, nor added")
	after := events.Streams(t, k.s, "north")
	assert.Equal(t, sent+1, after["ANSWERS"].State.LastSeq)
	assert.Equal(t, before["CHANGES"].State.LastSeq, after["CHANGES"].State.LastSeq, "no change is added")
	for name, of := range after {
		assert.EqualValues(t, 1, of.State.FirstSeq, "%s is not emptied", name)
		assert.Equal(t, before[name].State.Consumers, of.State.Consumers, "%s has the consumers that it had", name)
		assert.Equal(t, before[name].Created, of.Created, name)
	}
	assert.NotContains(t, held.Subject(), "changes")
	assert.Equal(t, changes, k.c.outbox(t))
	_, err = heard.NextMsg(200 * time.Millisecond)
	require.ErrorIs(t, err, nats.ErrTimeout, "the hub hears changes alone")
}

// A pull has replies without end, its heartbeats: led to where records are taken,
// and to where another practice system hears its answers, they come to neither.
func TestHeartbeatsLedAstrayReachNothing(t *testing.T) {
	k := newKeyed(t, nil)
	north, second := k.practice("north", "north"), k.practice("north", "second")
	north.send("north", surgeryAt("north"))
	k.read(north, "ANSWERS", 1)
	live, err := second.conn.SubscribeSync("nailbridge.answers.north.*")
	require.NoError(t, err)
	require.NoError(t, second.conn.Flush())
	astray := []string{"nailbridge.records.north", "nailbridge.answers.north.S-1"}
	home, err := north.reading.conn.SubscribeSync("_INBOX.home")
	require.NoError(t, err)
	for _, reply := range append(astray, "_INBOX.home") {
		require.NoError(t, north.reading.conn.PublishRequest("$JS.API.CONSUMER.MSG.NEXT.ANSWERS."+north.name, reply, []byte(`{"batch":1,"expires":20000000000,"idle_heartbeat":1000000}`)))
	}
	for range 20 { // they do beat
		m, err := home.NextMsg(patience)
		require.NoError(t, err)
		require.Equal(t, "100", m.Header.Get("Status"))
	}
	assert.EqualValues(t, 1, events.Streams(t, k.s, "north")["RECORDS"].State.LastSeq, "none is a record")
	assert.EqualValues(t, 2, second.send("north", surgeryAt("north")), "and the door is open")
	m, err := live.NextMsg(patience)
	require.NoError(t, err)
	assert.Contains(t, string(m.Data), `"streamSequence":2`, "nor an answer")
}

// A reader keeps few pulls open, none for long, and hands out no more than it may
// hold unacknowledged.
func TestPullsHaveLimits(t *testing.T) {
	k := newKeyed(t, nil)
	north := k.practice("north", "north")
	north.send("north", surgeryAt("north"))
	k.read(north, "ANSWERS", 1)
	ask := func(body string) (status string) {
		m, err := north.reading.conn.Request("$JS.API.CONSUMER.MSG.NEXT.ANSWERS."+north.name, []byte(body), patience)
		require.NoError(t, err)
		return m.Header.Get("Status") + " " + m.Header.Get("Description")
	}
	assert.Equal(t, "409 Exceeded MaxRequestExpires of 30s", ask(`{"batch":1,"expires":31000000000}`))
	assert.Equal(t, "409 Exceeded MaxRequestBatch of 1000", ask(`{"batch":1001,"no_wait":true}`))
	for range 4 {
		require.NoError(t, north.reading.conn.PublishRequest("$JS.API.CONSUMER.MSG.NEXT.ANSWERS."+north.name, "_INBOX.open", []byte(`{"batch":1,"expires":20000000000}`)))
	}
	assert.Equal(t, "409 Exceeded MaxWaiting", ask(`{"batch":1,"expires":20000000000}`))
}

// The readers of a key end with it, and those of others stay.
func TestReadersEndWithTheirKey(t *testing.T) {
	k := newKeyed(t, nil)
	north, second := k.practice("north", "north"), k.practice("north", "second")
	north.send("north", surgeryAt("north"))
	k.read(north, "ANSWERS", 1)
	k.read(second, "ANSWERS", 1)
	has := events.Streams(t, k.s, "north")["ANSWERS"].State.Consumers
	require.NoError(t, access.RevokeKey(k.path, k.ids["north"]))
	require.Eventually(t, func() bool {
		return events.Streams(t, k.s, "north")["ANSWERS"].State.Consumers == has-1
	}, patience, 20*time.Millisecond)
	second.send("north", surgeryAt("north"))
	k.read(second, "ANSWERS", 1)
}

// How long a reader that is not used stays follows what is said of messages, and
// its place stays with it.
func TestReadersStayAsLongAsMessages(t *testing.T) {
	var o events.Options
	k := newKeyed(t, func(with *events.Options) {
		with.Keep.Answers = time.Hour
		o = *with
	})
	stays := func(p practice) time.Duration {
		c, err := p.reading.js.Consumer(t.Context(), events.AnswersStream, p.name)
		require.NoError(t, err)
		return c.CachedInfo().Config.InactiveThreshold
	}
	north := k.practice("north", "north")
	north.send("north", surgeryAt("north"))
	k.read(north, "ANSWERS", 1)
	assert.Equal(t, time.Hour, stays(north))
	stop(t, k.s)

	o.Keep.Answers = 2 * time.Hour
	k.s = start(t, o)
	north = k.practice("north", "north")
	require.Eventually(t, func() bool { return stays(north) == 2*time.Hour }, patience, 20*time.Millisecond)
	seq := north.send("north", surgeryAt("north"))
	again := k.read(north, "ANSWERS", 1)
	assert.Contains(t, string(again[0].Data()), fmt.Sprintf(`"streamSequence":%d`, seq), "what was read is not read again")
}

// A hub hears the changes of its clinics, one connection for each, and can do
// nothing else.
func TestHubsHearTheirClinicsAlone(t *testing.T) {
	k := newKeyed(t, nil)
	north, south := k.practice("north", "north"), k.practice("south", "south")
	heard := map[string]*nats.Subscription{}
	for _, c := range []struct{ clinic, key string }{{"north", "hub"}, {"north", "both"}, {"south", "both"}} {
		hub := k.as(c.clinic, c.key)
		sub, err := hub.conn.SubscribeSync("nailbridge.changes." + c.clinic)
		require.NoError(t, err)
		require.NoError(t, hub.conn.Flush())
		require.NoError(t, hub.conn.LastError())
		heard[c.key+" at "+c.clinic] = sub
		for _, subject := range []string{"nailbridge.answers.*.*", "nailbridge.changes.*", "nailbridge.records.*", "_INBOX.>", ">"} {
			k.mayNotSubscribe(hub, subject)
		}
		for _, subject := range []string{"nailbridge.records." + c.clinic, "nailbridge.changes." + c.clinic, "$JS.API.STREAM.INFO.CHANGES", "$JS.API.CONSUMER.CREATE.CHANGES.mine"} {
			k.mayNotPublish(hub, subject)
		}
	}
	north.send("north", surgeryAt("north"))
	south.send("south", surgeryAt("south"))
	for name, sub := range heard {
		m, err := sub.NextMsg(patience)
		require.NoError(t, err, name)
		clinic := name[strings.LastIndex(name, " ")+1:]
		assert.Equal(t, "nailbridge.changes."+clinic, m.Subject)
		assert.Contains(t, string(m.Data), `"clinic":"`+clinic+`"`)
	}
}

// Whoever has no key for a clinic is told the same, whatever there is.
func TestWithoutAKeyNobodyIsLetIn(t *testing.T) {
	k := newKeyed(t, nil)
	k.as("north", "north")
	for _, c := range []struct{ user, secret string }{
		{"south", k.secrets["north"]}, {"south", k.secrets["hub"]}, {"west", k.secrets["north"]}, {"north", k.secrets["person"]}, {"", k.secrets["north"]},
		{"north", ""}, {"north", "nailbridge_wrong"}, {"south/reader", k.secrets["north"]}, {"north/reader", k.secrets["hub"]}, {"/reader", k.secrets["north"]}, {k.secrets["north"], ""}, {k.secrets["north"], k.secrets["north"]}, {"", ""}, {"$SYS", k.secrets["both"]},
	} {
		conn, err := k.dial(c.user, c.secret)
		require.ErrorIs(t, err, nats.ErrAuthorization, "%.5s %.12s", c.user, c.secret)
		assert.Nil(t, conn)
	}
	_, err := nats.Connect(k.s.ClientURL(), nats.Token(k.secrets["north"]), nats.MaxReconnects(0))
	require.ErrorIs(t, err, nats.ErrAuthorization)
	require.Eventually(t, func() bool { return strings.Count(k.log.String(), "without a key in force") >= 14 }, patience, 20*time.Millisecond)
	for _, secret := range k.secrets {
		assert.NotContains(t, k.log.String(), secret)
	}
}

// What a client sends that is no NATS is not repeated in the log, in which it
// would be part of a record or of a key.
func TestWhatAClientSendsIsNotLogged(t *testing.T) {
	k := newKeyed(t, nil)
	k.as("north", "north")
	for _, sent := range []string{"PUX zqmarkerqz\r\n", "PUB nailbridge.records.north zqmarkerqz\r\n", strings.Repeat("zqmarkerqz", 1000) + "\r\n", "%d%s zqmarkerqz\r\n"} {
		before := strings.Count(k.log.String(), "did not speak the protocol")
		conn, err := net.Dial("tcp", strings.TrimPrefix(k.s.ClientURL(), "nats://"))
		require.NoError(t, err)
		_, err = conn.Write([]byte(`CONNECT {"user":"north","pass":"` + k.secrets["north"] + `"}` + "\r\n" + sent))
		require.NoError(t, err)
		require.Eventually(t, func() bool { return strings.Count(k.log.String(), "did not speak the protocol") > before }, patience, 20*time.Millisecond, "%s", k.log)
		require.NoError(t, conn.Close())
	}
	assert.NotContains(t, k.log.String(), "zqmarkerqz")
}

// A key that ends closes its connections, and lets nobody in again.
func TestARevokedKeyEndsItsConnections(t *testing.T) {
	k := newKeyed(t, nil)
	closed := make(chan struct{})
	var conn *nats.Conn
	require.Eventually(t, func() (ok bool) {
		var err error
		conn, err = k.dial("north", k.secrets["hub"], nats.ClosedHandler(func(*nats.Conn) { close(closed) }))
		return err == nil
	}, patience, 20*time.Millisecond)
	defer conn.Close()
	stays := k.as("north", "both")
	require.NoError(t, access.RevokeKey(k.path, k.ids["hub"]))
	select {
	case <-closed:
	case <-time.After(patience):
		t.Fatal("the connection stays")
	}
	_, err := k.dial("north", k.secrets["hub"])
	require.ErrorIs(t, err, nats.ErrAuthorization)
	assert.True(t, stays.conn.IsConnected(), "another key is not touched")

	k.add("new", access.Key{Kind: access.HubKey, Clinics: []string{"north"}})
	k.as("north", "new")
}

// Without keys the server serves one clinic, on loopback; with keys and a
// certificate it may be reached from elsewhere, by TLS alone.
func TestWhereTheServerMayBeReached(t *testing.T) {
	web := httptest.NewUnstartedServer(nil) // for its certificate
	web.StartTLS()
	defer web.Close()
	certified := &tls.Config{MinVersion: tls.VersionTLS12, GetCertificate: func(*tls.ClientHelloInfo) (*tls.Certificate, error) { return &web.TLS.Certificates[0], nil }}
	c := newClinic(t)
	for name, edit := range map[string]func(*events.Options){
		"nothing":    func(*events.Options) {},
		"TLS alone":  func(o *events.Options) { o.TLS = certified },
		"keys alone": func(o *events.Options) { o.Keys = nobody{} },
		"two clinics": func(o *events.Options) {
			o.Listen = "127.0.0.1:0"
			o.Clinics = append(o.Clinics, events.Clinic{ID: "south"})
		},
		"a clinic named as a reader": func(o *events.Options) {
			o.Listen, o.Keys = "127.0.0.1:0", nobody{}
			o.Clinics = append(o.Clinics, events.Clinic{ID: "south/reader"})
		},
	} {
		o := embedded(c, c.options(t))
		o.Listen = "0.0.0.0:0"
		edit(&o)
		want := access.ErrNotLoopback
		switch name {
		case "two clinics":
			want = events.ErrClinics
		case "a clinic named as a reader":
			want = events.ErrReader
		}
		_, err := events.Start(o)
		assert.ErrorIs(t, err, want, name)
	}

	k := newKeyed(t, func(o *events.Options) { o.Listen, o.TLS = "0.0.0.0:0", certified })
	pool := x509.NewCertPool()
	pool.AddCert(web.Certificate())
	_, port, found := strings.Cut(strings.TrimPrefix(strings.TrimPrefix(k.s.ClientURL(), "nats://"), "tls://"), ":")
	require.True(t, found)
	var conn *nats.Conn
	require.Eventually(t, func() (ok bool) {
		var err error
		conn, err = nats.Connect("tls://127.0.0.1:"+port, nats.UserInfo("north", k.secrets["north"]), nats.Secure(&tls.Config{RootCAs: pool, MinVersion: tls.VersionTLS12}))
		return err == nil
	}, patience, 20*time.Millisecond)
	defer conn.Close()
	js, err := jetstream.New(conn)
	require.NoError(t, err)
	n := &client{t, conn, js}
	n.send("north", surgeryAt("north"))
}

// nobody knows no key.
type nobody struct{}

func (nobody) Find(string) (access.Caller, bool) { return access.Caller{}, false }

// What came before there were keys stays the clinic's own, and what was not
// taken then is taken now.
func TestKeysComeToAServerThatHadNone(t *testing.T) {
	k := newKeyed(t, nil)
	stop(t, k.s)
	o := embedded(k.c, k.c.options(t))
	o.Fault = func(op string) error {
		if op == "resume" {
			return assert.AnError
		}
		return nil
	}
	k.s = start(t, o)
	n := connect(t, k.s.ClientURL())
	assert.Equal(t, receive.Stored, n.ask("north", surgeryAt("north")).Answer.Answer)
	assert.Equal(t, receive.Refused, n.ask("west", surgeryAt("west")).Answer.Answer, "a wrong subject has an answer where nobody is told apart")
	stop(t, k.s)

	o.Fault = nil
	keys, err := access.OpenKeyFile(k.path, nil)
	require.NoError(t, err)
	o.Keys = keys
	k.s = start(t, o)
	north := k.practice("north", "north")
	require.Len(t, k.read(north, "ANSWERS", 2), 2)
	assert.NotEmpty(t, k.read(north, "CHANGES", len(k.c.outbox(t))), "relayed now")
	assert.EqualValues(t, 3, north.send("north", surgeryAt("north")))
	k.read(north, "ANSWERS", 1)
}
