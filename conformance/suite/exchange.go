package suite

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"regexp"
	"slices"
	"strings"
	"sync/atomic"
	"time"
)

// exchange is a request and its answer.
type exchange struct {
	of           request
	method, path string // path and query as asked, from the root of the target
	sent         http.Header
	public       bool   // asked without a key
	subject      string // on which NATS gave the answer
	told         string // what the NATS server said, where it is no answer of the bridge
	twin         bool   // asked beside another, which alone tells something: nothing is found or wrong here

	status int
	header http.Header
	body   []byte
	tree   any   // of a JSON body
	err    error // no answer came

	taken    int64 // of a flood, when the answer came
	read     bool
	verdicts []judged // on its resources, once they were judged

	addressed bool
	gives     []string // addresses, once they were gathered
}

// maxBody is how much of an answer is read.
const maxBody = 32 << 20

// request is what is asked.
type request struct {
	method, path string
	key          string
	header       []string // in pairs
	body         []byte
	flood        *flood // instead of a body
}

// do asks, and keeps the exchange for the checks of everything that was seen.
func (s *session) do(ctx context.Context, r request) *exchange {
	if s.again != nil {
		if x := s.again(r); x != nil {
			s.keep(x)
			return x
		}
	}
	x := &exchange{of: r, method: r.method, path: r.path, public: r.key == "", sent: http.Header{}}
	s.keep(x)
	var body io.Reader = bytes.NewReader(r.body)
	if r.flood != nil {
		body = r.flood
	}
	req, err := http.NewRequestWithContext(ctx, r.method, s.o.Target+r.path, body)
	if err != nil {
		x.err = err
		return x
	}
	if r.key != "" {
		req.Header.Set("Authorization", "Bearer "+r.key)
	}
	for i := 0; i+1 < len(r.header); i += 2 {
		req.Header.Set(r.header[i], r.header[i+1])
		x.sent.Set(r.header[i], r.header[i+1])
	}
	if r.flood != nil {
		req.ContentLength = -1
	}
	res, err := s.o.Client.Do(req)
	if r.flood != nil {
		x.taken = r.flood.taken.Load()
	}
	if err != nil {
		x.err = err
		return x
	}
	defer func() { _ = res.Body.Close() }()
	x.status, x.header = res.StatusCode, res.Header
	if x.body, x.err = io.ReadAll(io.LimitReader(res.Body, maxBody)); x.err != nil {
		return x
	}
	if strings.Contains(x.header.Get("Content-Type"), "json") {
		x.tree = parse(x.body)
	}
	return x
}

// flood is a body of unknown length that is far beyond any limit. Who reads it whole
// gets floodSize of it; it comes slowly after a while, so that an answer can overtake it.
type flood struct {
	start string
	taken atomic.Int64
}

const (
	floodSize = 32 << 20
	floodFast = 8 << 20
)

func newFlood(start string) *flood { return &flood{start: start} }

// Read gives what comes next of the body.
func (f *flood) Read(p []byte) (int, error) {
	taken := f.taken.Load()
	if taken >= floodSize {
		return 0, io.EOF
	}
	if taken > floodFast {
		time.Sleep(time.Millisecond)
	}
	for i := range p {
		p[i] = 'x'
	}
	if taken == 0 {
		copy(p, f.start)
	}
	f.taken.Add(int64(len(p)))
	return len(p), nil
}

// keep keeps an exchange for the checks of everything that was seen.
func (s *session) keep(x *exchange) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.seen = append(s.seen, x)
}

// told are parameters whose values say nothing of a person: only these are shown
// in the report.
var told = []string{
	"_count", "_sort", "_summary", "_elements", "_include", "_revinclude", "_format", "_total", "_lastUpdated", "_since", "_tag", "_profile", "_security", "_source",
	"status", "date", "activity-date", "onset-date", "encounter.date", "code", "category", "list", "dry-run", "foo", "value-quantity", "_id", "patient", "subject", "based-on", "encounter", "target", "implicated", "part-of",
}

// asked is the request as the report shows it: no header with a key, and of the
// query only what is no demographic value.
func (x *exchange) asked() string {
	path, query, has := strings.Cut(x.path, "?")
	out := x.method + " " + strings.TrimPrefix(path, "/fhir/")
	if has {
		var parts []string
		for p := range strings.SplitSeq(query, "&") {
			name, value, _ := strings.Cut(p, "=")
			bare, further, _ := strings.Cut(name, ":")
			if !slices.Contains(told, bare) || strings.Contains(further, ".") {
				value = "..."
			}
			if plain, err := url.QueryUnescape(value); err == nil {
				value = plain
			}
			parts = append(parts, name+"="+value)
		}
		out += "?" + strings.Join(parts, "&")
	}
	for _, h := range []string{"Accept", "Content-Type", "Prefer", "If-None-Match", "If-Modified-Since"} {
		if v := x.sent.Get(h); v != "" && (h != "Content-Type" || !strings.HasPrefix(path, "/records")) {
			out += " [" + h + ": " + v + "]"
		}
	}
	return printable(out)
}

// answered is the answer as the report shows it: its status and what kind of thing
// it is, and nothing that it holds.
func (x *exchange) answered() string {
	if x.err != nil {
		return "no answer"
	}
	out := fmt.Sprint(x.status)
	if x.method == viaNATS {
		if out = "on " + x.subject + ":"; x.told != "" {
			return printable(x.told)
		}
	}
	switch typ := text(x.tree, "resourceType"); {
	case typ == "Bundle":
		out += fmt.Sprintf(" Bundle %s, %d entries", text(x.tree, "type"), len(list(x.tree, "entry")))
		if total := text(x.tree, "total"); total != "" {
			out += " of " + total
		}
	case typ == "OperationOutcome":
		var codes []string
		for _, i := range list(x.tree, "issue") {
			codes = append(codes, text(i, "severity")+" "+text(i, "code"))
		}
		out += " OperationOutcome " + strings.Join(slices.Compact(codes), ", ")
	case typ != "":
		out += " " + typ
	case text(x.tree, "answer") != "":
		out += " " + text(x.tree, "answer")
	case len(x.body) > 0:
		media, _, _ := strings.Cut(x.header.Get("Content-Type"), ";")
		out += " " + media
	}
	for _, h := range []string{"Allow", "ETag", "Last-Modified"} {
		if v := x.header.Get(h); v != "" && x.method != viaNATS {
			out += " [" + h + ": " + v + "]"
		}
	}
	return printable(out)
}

// What differs between exchanges of one kind: ids and values of what is asked, and how
// many were found.
var (
	numerals = regexp.MustCompile(`[0-9A-Za-z.-]*[0-9][0-9A-Za-z.-]*`)
	counted  = regexp.MustCompile(`[0-9]+ entries( of [0-9]+)?`)
)

// kind is an exchange without what it names or counts; its headers and its status stay.
func (x *exchange) kind() string {
	asked, headers, _ := strings.Cut(x.asked(), " [")
	answered, _, _ := strings.Cut(x.answered(), " [")
	answered = counted.ReplaceAllString(answered, "entries")
	if x.method == viaNATS {
		answered = numerals.ReplaceAllString(answered, "0") // it names the record
	}
	return numerals.ReplaceAllString(asked, "0") + headers + " " + answered
}

// printable keeps what a line of a report may hold.
func printable(s string) string {
	s = strings.Map(func(r rune) rune {
		if r < ' ' || r == 0x7f {
			return '?'
		}
		return r
	}, strings.ToValidUTF8(s, "?"))
	if len(s) > 300 {
		s = strings.ToValidUTF8(s[:300], "") + "..."
	}
	return s
}

// fhir reports an exchange with the read side.
func (x *exchange) fhir() bool {
	return x.path == "/fhir" || strings.HasPrefix(x.path, "/fhir/") || strings.HasPrefix(x.path, "/fhir?")
}
