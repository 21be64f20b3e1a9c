package suite_test

import (
	"bufio"
	"bytes"
	"fmt"
	"io"
	"net"
	"strconv"
	"strings"
	"sync"
	"testing"

	"github.com/stretchr/testify/require"
)

// message is one that NATS carries, as its protocol has it (docs.nats.io, client
// protocol): PUB and HPUB of a client, MSG and HMSG of a server.
type message struct {
	subject, sid, reply string
	header, body        []byte
	dropped             bool
}

// replace replaces a text of the body; it reports whether it was there.
func (m *message) replace(old, by string) bool {
	was := m.body
	m.body = bytes.ReplaceAll(m.body, []byte(old), []byte(by))
	return !bytes.Equal(was, m.body)
}

// of reports a message that names a record of the suite.
func (m *message) of(id string) bool { return bytes.Contains(m.body, []byte(id+`"`)) }

func (m *message) answer() bool { return strings.HasPrefix(m.subject, "nailbridge.answers.") }

// mark adds the names of faults to the headers.
func (m *message) mark(names []string) {
	if len(names) == 0 {
		return
	}
	if len(m.header) == 0 {
		m.header = []byte("NATS/1.0\r\n\r\n")
	}
	m.header = bytes.TrimSuffix(m.header, []byte("\r\n"))
	for _, n := range names {
		m.header = fmt.Appendf(m.header, "X-Fault: %s\r\n", n)
	}
	m.header = append(m.header, "\r\n"...)
}

// write writes the message as a client or a server does.
func (m *message) write(w io.Writer, verb string) error {
	parts := []string{verb, m.subject}
	for _, p := range []string{m.sid, m.reply} {
		if p != "" {
			parts = append(parts, p)
		}
	}
	if len(m.header) > 0 {
		parts[0] = "H" + verb
		parts = append(parts, strconv.Itoa(len(m.header)))
	}
	parts = append(parts, strconv.Itoa(len(m.header)+len(m.body)))
	_, err := fmt.Fprintf(w, "%s\r\n%s%s\r\n", strings.Join(parts, " "), m.header, m.body)
	return err
}

// wire stands between the suite and the NATS server of a bridge, and does what is
// wrong; as a trial it does nothing, and says of each message which faults would have
// been on it.
type wire struct {
	faults []fault
	trial  bool
	opens  func(connect string) string // may change what a client connects with; nil: does not

	mu      sync.Mutex
	asked   map[string][]string // faults of a message, by where its acknowledgement goes
	records int                 // messages that were published as records
}

// listen gives the address of the wire.
func (w *wire) listen(t *testing.T, target string) string {
	t.Helper()
	w.asked = map[string][]string{}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	t.Cleanup(func() { _ = l.Close() })
	go func() {
		for {
			in, err := l.Accept()
			if err != nil {
				return
			}
			out, err := net.Dial("tcp", strings.TrimPrefix(target, "nats://"))
			if err != nil {
				_ = in.Close()
				return
			}
			go w.pump(in, out, "PUB", w.published)
			go w.pump(out, in, "MSG", w.heard)
		}
	}()
	return "nats://" + l.Addr().String()
}

// pump carries what comes, message by message.
func (w *wire) pump(from, to net.Conn, verb string, edit func(*message)) {
	defer func() { _, _ = from.Close(), to.Close() }()
	r := bufio.NewReader(from)
	for {
		line, err := r.ReadString('\n')
		if err != nil {
			return
		}
		f := strings.Fields(line)
		if len(f) == 0 || f[0] != verb && f[0] != "H"+verb {
			if w.opens != nil && verb == "PUB" && len(f) > 0 && f[0] == "CONNECT" {
				line = w.opens(line)
			}
			if _, err := io.WriteString(to, line); err != nil {
				return
			}
			continue
		}
		m, ok := read(r, f, verb)
		if !ok {
			return
		}
		if edit(m); !m.dropped && m.write(to, verb) != nil {
			return
		}
	}
}

// read reads a message of which the first line is there.
func read(r *bufio.Reader, f []string, verb string) (*message, bool) {
	m, sizes := &message{subject: f[1]}, 1
	if f[0] != verb {
		sizes = 2
	}
	between := f[2 : len(f)-sizes]
	if verb == "MSG" {
		m.sid, between = between[0], between[1:]
	}
	if len(between) > 0 {
		m.reply = between[0]
	}
	all, err := strconv.Atoi(f[len(f)-1])
	if err != nil {
		return nil, false
	}
	head := 0
	if sizes == 2 {
		if head, err = strconv.Atoi(f[len(f)-2]); err != nil {
			return nil, false
		}
	}
	b := make([]byte, all+2)
	if _, err := io.ReadFull(r, b); err != nil {
		return nil, false
	}
	m.header, m.body = b[:head:head], b[head:all:all]
	return m, true
}

// each gives a message to the faults, and what they are that are on it.
func (w *wire) each(m *message, of func(fault) func(*message) bool) (on []string) {
	w.mu.Lock()
	defer w.mu.Unlock()
	for _, f := range w.faults {
		edit := of(f)
		if edit == nil {
			continue
		}
		to := m
		if w.trial {
			a := *m
			to = &a
		}
		if edit(to) {
			on = append(on, f.name)
		}
	}
	return on
}

func (w *wire) published(m *message) {
	if strings.HasPrefix(m.subject, "nailbridge.records.") {
		w.mu.Lock()
		w.records++
		w.mu.Unlock()
	}
	if on := w.each(m, func(f fault) func(*message) bool { return f.published }); len(on) > 0 {
		w.mu.Lock()
		w.asked[m.reply] = on
		w.mu.Unlock()
	}
}

func (w *wire) heard(m *message) {
	on := w.each(m, func(f fault) func(*message) bool { return f.heard })
	w.mu.Lock()
	on = append(on, w.asked[m.subject]...)
	w.mu.Unlock()
	m.mark(on)
}

// busFaults are the faults of the second door, each with the rows that it fails.
func busFaults() []fault {
	lost := fault{name: "an answer is lost on the bus", rows: "ING-04",
		published: func(m *message) bool { return m.of("-late-nats") },
		heard: func(m *message) bool {
			m.dropped = m.dropped || m.answer() && m.of("-late-nats")
			return m.answer() && m.of("-late-nats")
		},
	}
	return []fault{
		lost,
		{name: "the answer of another record", rows: "receiving-conflict", heard: answers("-conflict-nats", `"record":"`, `"record":"x`)},
		unkept("an update is answered on the bus and not kept", "ING-03", "-update-nats", 2),
		unkept("the last of a row is not kept by the bus", "ING-12", "-order1-nats", 8),
		unkept("a withdrawal is not kept by the bus", "receiving-withdrawal", "-withdrawn-nats", 2),
		{name: "a refusal is stored on the bus", rows: "ING-08", heard: answers("-refused-nats", `"answer":"refused"`, `"answer":"stored"`)},
		twice(),
		{name: "an answer names other versions", rows: "receiving-answer", heard: answers("-answered-nats", `"versionId":"`, `"versionId":"x`)},
		{name: "an answer comes elsewhere", rows: "receiving-order", heard: func(m *message) bool {
			if !m.answer() || !m.of("-early-review-nats") {
				return false
			}
			m.subject += "x"
			return true
		}},
		{name: "the bus makes something else of a case", rows: "ING-01", published: func(m *message) bool {
			return m.of("-alike-nats") && m.replace(`"tissueSent":"no"`, `"tissueSent":"yes"`)
		}},
		{name: "a record of another clinic is taken", rows: "ING-15", heard: func(m *message) bool {
			return m.answer() && m.of("other-clinic") && m.replace(`"answer":"refused"`, `"answer":"stored"`)
		}},
		{name: "main is stored again by the bus", rows: "receiving-repeat", heard: answers("-S-1", `"answer":"unchanged"`, `"answer":"stored"`)},
		{name: "no reasons", rows: "receiving-refusal", heard: answers("-malformed-nats", `"reasons":`, `"remarks":`)},
	}
}

// answers replaces a text in the answers about a record.
func answers(id, old, by string) func(*message) bool {
	return func(m *message) bool { return m.answer() && m.of(id) && m.replace(old, by) }
}

// unkept has a revision of a record answered as stored, where an earlier content was
// sent in its place.
func unkept(name, rows, id string, revision int) fault {
	var before []byte
	return fault{name: name, rows: rows,
		published: func(m *message) bool {
			switch {
			case !m.of(id):
				return false
			case !bytes.Contains(m.body, fmt.Appendf(nil, `"revision":%d,`, revision)):
				before = bytes.Clone(m.body)
				return false
			}
			m.body = bytes.Clone(before)
			return true
		},
		heard: func(m *message) bool {
			if !m.answer() || !m.of(id) {
				return false
			}
			was := m.replace(`"answer":"unchanged"`, `"answer":"stored"`)
			return m.replace(`"answer":"superseded"`, `"answer":"stored"`) || was
		},
	}
}

// twice makes of a repeat a second content, and answers it as a repeat.
func twice() fault {
	seen := map[string]bool{}
	return fault{name: "a repeat counts as two", rows: "ING-02",
		published: func(m *message) bool {
			if !m.of("-again-nats") {
				return false
			}
			if is := seen[string(m.body)]; !is {
				seen[string(m.body)] = true
				return false
			}
			m.replace(`"revision":1,`, `"revision":2,`)
			m.replace(`"kg":70.50`, `"kg":79.50`)
			return true
		},
		heard: func(m *message) bool {
			return m.answer() && m.of("-again-nats") && bytes.Contains(m.body, []byte(`"revision":2`)) && m.replace(`"answer":"stored"`, `"answer":"unchanged"`)
		},
	}
}
