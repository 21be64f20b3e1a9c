package suite

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"regexp"
	"sync"
	"time"

	"github.com/nats-io/nats.go"

	"nailbridge/internal/events"
)

// viaNATS is the method of an exchange with the second door: a record published, and
// what was answered on the stream of answers.
const viaNATS = "NATS"

// line is a connection to the NATS server of the target as a clinic's practice system
// has it: it sends records, and hears answers and changes as they come.
type line struct {
	conn *nats.Conn

	mu      sync.Mutex
	answers map[uint64]*nats.Msg // by the sequence of the record's message
	changes []any
	came    chan struct{} // closed when something came
}

// dial connects with a clinic's key. One that does not open the clinic is an error.
func dial(url string, c Clinic, patience time.Duration) (*line, error) {
	l := &line{answers: map[uint64]*nats.Msg{}, came: make(chan struct{})}
	opts := []nats.Option{
		nats.Name("conformance"), nats.Timeout(patience), nats.NoReconnect(),
		nats.ErrorHandler(func(*nats.Conn, *nats.Subscription, error) {}), // what is forbidden is asked for with LastError
	}
	if key := cmp.Or(c.NATSKey, c.Key); key != "" {
		opts = append(opts, nats.UserInfo(c.ID, key))
	}
	var err error
	if l.conn, err = nats.Connect(url, opts...); err != nil {
		return nil, err
	}
	for subject, heard := range map[string]func(*nats.Msg){
		answersTo(c):                l.answered,
		events.ChangesSubject(c.ID): func(m *nats.Msg) { l.note(func() { l.changes = append(l.changes, parse(m.Data)) }) },
	} {
		var sub *nats.Subscription
		if sub, err = l.conn.Subscribe(subject, heard); err == nil {
			err = sub.SetPendingLimits(-1, -1)
		}
		if err != nil {
			break
		}
	}
	if err = errors.Join(err, l.forbidden()); err != nil {
		l.conn.Close()
		return nil, err
	}
	return l, nil
}

// answersTo is the subject of all answers to a clinic.
func answersTo(c Clinic) string { return "nailbridge.answers." + events.Token(c.ID) + ".*" }

// forbidden is what the server forbade of what was asked last.
func (l *line) forbidden() error {
	if err := l.conn.Flush(); err != nil {
		return err
	}
	if err := l.conn.LastError(); errors.Is(err, nats.ErrPermissionViolation) {
		return err
	}
	return nil
}

func (l *line) answered(m *nats.Msg) {
	var of struct {
		StreamSequence uint64 `json:"streamSequence"`
	}
	if json.Unmarshal(m.Data, &of) != nil {
		return
	}
	l.note(func() {
		if l.answers[of.StreamSequence] == nil { // a repeat says the same of an earlier commit, or less
			l.answers[of.StreamSequence] = m
		}
	})
}

// note keeps something that came, and tells who waits.
func (l *line) note(keep func()) {
	l.mu.Lock()
	defer l.mu.Unlock()
	keep()
	close(l.came)
	l.came = make(chan struct{})
}

// wait waits until something that came fits.
func (l *line) wait(ctx context.Context, fits func() bool) error {
	for {
		l.mu.Lock()
		ok, came := fits(), l.came
		l.mu.Unlock()
		if ok {
			return nil
		}
		select {
		case <-came:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

// publish publishes a record in a clinic's name, and gives what waits for its answer.
// The exchange has the answer's headers, beside those of the acknowledgement.
func (s *session) publish(ctx context.Context, c Clinic, content []byte) func() *exchange {
	x := &exchange{method: viaNATS, path: events.RecordsSubject(c.ID), sent: http.Header{}, header: http.Header{}}
	s.keep(x)
	l := s.lines[c.ID]
	var ack struct{ Seq uint64 }
	taken, cancel := context.WithTimeout(ctx, s.o.Patience)
	defer cancel()
	m, err := l.conn.RequestWithContext(taken, x.path, content)
	if err == nil {
		x.add(m.Header)
		err = json.Unmarshal(m.Data, &ack)
	}
	if err == nil && ack.Seq == 0 {
		err = errors.New("the stream did not take it")
	}
	return func() *exchange {
		ctx, cancel := context.WithTimeout(ctx, s.o.Patience) // from here on: the answers before it came
		defer cancel()
		if err == nil {
			err = l.wait(ctx, func() bool { return l.answers[ack.Seq] != nil })
		}
		if x.err = err; err != nil {
			return x
		}
		l.mu.Lock()
		m := l.answers[ack.Seq]
		l.mu.Unlock()
		x.add(m.Header)
		x.subject, x.body, x.tree = m.Subject, m.Data, parse(m.Data)
		return x
	}
}

// add adds headers of a message.
func (x *exchange) add(h nats.Header) {
	for name, values := range h {
		x.header[http.CanonicalHeaderKey(name)] = append(x.header[http.CanonicalHeaderKey(name)], values...)
	}
}

// publishAll publishes records of a clinic one after another, before any answer is
// waited for.
func (t *trial) publishAll(c Clinic, contents ...[]byte) (out []*exchange) {
	t.must(t.allowed[c.ID], "nothing is written: the target does not declare %q a test clinic", c.ID)
	var waits []func() *exchange
	for _, content := range contents {
		waits = append(waits, t.publish(t.ctx, c, content))
	}
	for i, wait := range waits {
		x := wait()
		t.exchanges = append(t.exchanges, x)
		t.must(x.err == nil, "%s: no answer came", x.asked())
		record := text(parse(contents[i]), "record")
		t.hold(text(x.tree, "record") == record, "the answer is of another record")
		t.hold(x.subject == events.AnswersSubject(c.ID, record), "an answer does not come on the subject of its record")
		out = append(out, x)
	}
	return out
}

// dial opens the second door for a clinic.
func (t *trial) dial(c Clinic) *line {
	l, err := dial(t.o.NATS, c, t.o.Patience)
	t.must(err == nil, "the NATS server does not open for the practice system of %q: %v", c.ID, err)
	return l
}

// connect opens the second door for each clinic. It sends nothing there before a record
// that the target took over HTTP was announced there: it is the same bridge, which
// declared its test clinics.
func (t *trial) connect() {
	t.ready()
	for _, c := range t.o.Clinics {
		t.lines[c.ID] = t.dial(c)
	}
	ctx, cancel := context.WithTimeout(t.ctx, t.o.Patience)
	defer cancel()
	for _, c := range t.o.Clinics {
		r := t.own("announced")
		if c != t.o.Clinics[0] {
			r = t.fill(c, "surgery", "announced", "P-announced")
		}
		t.stored(r)
		version := fmt.Sprintf("%s/_history/%s", r.one("CarePlan"), versionIn(r.answer, r.one("CarePlan")))
		l := t.lines[c.ID]
		err := l.wait(ctx, func() bool {
			for _, e := range l.changes {
				for _, v := range list(e, "resources") {
					if v == version {
						return true
					}
				}
			}
			return false
		})
		t.must(err == nil, "nothing is sent over NATS: what clinic %q stored over HTTP is not announced there", c.ID)
	}
	t.saw("what was stored over HTTP is announced over NATS")
}

// hangUp closes the connections.
func (s *session) hangUp() {
	for _, l := range s.lines {
		l.conn.Close()
	}
}

// byEachDoor runs a check through the door over HTTP, and again through NATS where the
// run has it. What comes of it is read over HTTP each time.
func byEachDoor(check func(*trial)) func(*trial) {
	return func(t *trial) {
		check(t)
		if t.o.NATS != "" {
			t.throughNATS(check)
		}
	}
}

func (t *trial) throughNATS(check func(*trial)) {
	t.must(t.busFault == "", "over NATS: %s", t.busFault)
	t.overNATS = true
	defer func() { t.overNATS = false }()
	check(t)
}

// named is a name for what a check writes, another for each door.
func (t *trial) named(name string) string {
	if t.overNATS {
		return name + "-nats"
	}
	return name
}

// article is "a" before the name of a type that begins with a vowel.
var article = regexp.MustCompile(`\b([Aa]) ([AEIO][a-z])`)

// spoken is what a check says, with the door where it is not HTTP.
func (t *trial) spoken(format string, args ...any) string {
	s := article.ReplaceAllString(fmt.Sprintf(format, args...), "${1}n $2")
	if t.overNATS {
		s = "over NATS: " + s
	}
	return printable(s)
}
