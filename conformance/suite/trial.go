package suite

import (
	"context"
	"net/http"
	"slices"
	"strings"
	"time"
)

// trial is the run of one check: what it asked, what it saw of its subject, and
// what did not hold.
type trial struct {
	*session
	ctx       context.Context
	exchanges []*exchange
	facts     []string // of the exchanges in which the subject occurred
	faults    []string
	overNATS  bool      // records go through NATS
	about     *exchange // what is judged now, where it is not the last
	shows     *exchange // that tells the first fault, or else the last of the facts
	took      time.Duration
}

// judging is the exchange that is judged now: the last, and of twins the one beside
// which they were asked.
func (t *trial) judging() *exchange {
	if t.about != nil || len(t.exchanges) == 0 {
		return t.about
	}
	for _, x := range slices.Backward(t.exchanges) {
		if !x.twin {
			return x
		}
	}
	return t.exchanges[len(t.exchanges)-1]
}

// of makes an exchange the one that is judged, until what it gives is called.
func (t *trial) of(x *exchange) func() {
	was := t.about
	t.about = x
	return func() { t.about = was }
}

// stopped ends a check that cannot go on; what stopped it is a fault.
type stopped struct{}

// hold notes a fault where something does not hold.
func (t *trial) hold(ok bool, format string, args ...any) bool {
	if !ok {
		if len(t.faults) == 0 {
			t.shows = t.judging()
		}
		t.faults = append(t.faults, t.spoken(format, args...))
	}
	return ok
}

// must is hold of what the rest of the check stands on.
func (t *trial) must(ok bool, format string, args ...any) {
	if !t.hold(ok, format, args...) {
		panic(stopped{})
	}
}

// saw says that the subject of the row occurred, and how. A check that never says
// so has not passed.
func (t *trial) saw(format string, args ...any) {
	if len(t.faults) == 0 {
		t.shows = t.judging()
	}
	t.facts = append(t.facts, t.spoken(format, args...))
}

// sawIn is saw of another exchange than the last.
func (t *trial) sawIn(x *exchange, format string, args ...any) {
	defer t.of(x)()
	t.saw(format, args...)
}

// try runs a check.
func (s *session) try(ctx context.Context, run func(*trial)) (t *trial) {
	t = &trial{session: s, ctx: ctx}
	began := s.clock()
	defer func() {
		t.took = s.clock().Sub(began)
		if p := recover(); p != nil {
			if _, is := p.(stopped); !is {
				panic(p)
			}
		}
		if len(t.facts) == 0 && len(t.faults) == 0 {
			t.faults = append(t.faults, "its subject did not occur")
		}
	}()
	run(t)
	return t
}

// passed reports a check whose subject occurred, and in which all held.
func (t *trial) passed() bool { return len(t.faults) == 0 && len(t.facts) > 0 }

// ask sends a request and keeps it for the report.
func (t *trial) ask(r request) *exchange {
	x := t.do(t.ctx, r)
	t.exchanges = append(t.exchanges, x)
	t.must(x.err == nil, "%s %s: no answer came", r.method, pathOnly(r.path))
	return x
}

func pathOnly(path string) string { p, _, _ := strings.Cut(path, "?"); return p }

// get reads from the read side, with the key of the hub; headers in pairs.
func (t *trial) get(path string, header ...string) *exchange {
	return t.ask(request{method: http.MethodGet, path: "/fhir/" + path, key: t.o.HubKey, header: header})
}

// ok is get of a 200.
func (t *trial) ok(path string, header ...string) *exchange {
	x := t.get(path, header...)
	t.must(x.status == http.StatusOK, "%s is answered %d", x.asked(), x.status)
	t.must(x.tree != nil, "%s has no JSON", x.asked())
	return x
}

// send sends something to the read side.
func (t *trial) send(method, path, media string, body []byte, header ...string) *exchange {
	if media != "" {
		header = append(header, "Content-Type", media)
	}
	return t.ask(request{method: method, path: "/fhir/" + path, key: t.o.HubKey, header: header, body: body})
}

// refused holds an answer to a status, and to an OperationOutcome that says an
// error, with one of the codes where some are named.
func (t *trial) refused(x *exchange, status int, codes ...string) {
	defer t.of(x)()
	if t.hold(x.status == status, "%s is answered %d, not %d", x.asked(), x.status, status) && t.isError(x, codes...) {
		t.saw("refused with %d", status)
	}
}

func (t *trial) isError(x *exchange, codes ...string) bool {
	if !t.hold(text(x.tree, "resourceType") == "OperationOutcome", "%s: %d without an OperationOutcome", x.asked(), x.status) {
		return false
	}
	for _, i := range list(x.tree, "issue") {
		s := text(i, "severity")
		if (s == "error" || s == "fatal") && (len(codes) == 0 || slices.Contains(codes, text(i, "code"))) {
			return true
		}
	}
	return t.hold(false, "%s: the OperationOutcome has no error of code %s", x.asked(), strings.Join(codes, " or "))
}

// bundle is a page of a search or a history.
type bundle struct {
	*exchange
	matches, includes, outcomes []any // resources
	total                       string
	self, next                  string
	related                     []string // relations of links
}

func readBundle(x *exchange) bundle {
	b := bundle{exchange: x, total: text(x.tree, "total")}
	for _, e := range list(x.tree, "entry") {
		r := get(e, "resource")
		switch text(e, "search", "mode") {
		case "match":
			b.matches = append(b.matches, r)
		case "include":
			b.includes = append(b.includes, r)
		case "outcome":
			b.outcomes = append(b.outcomes, r)
		}
	}
	for _, l := range list(x.tree, "link") {
		b.related = append(b.related, text(l, "relation"))
		switch text(l, "relation") {
		case "self":
			b.self = text(l, "url")
		case "next":
			b.next = text(l, "url")
		}
	}
	return b
}

// search is a page of a searchset.
func (t *trial) search(path string, header ...string) bundle {
	x := t.ok(path, header...)
	t.must(text(x.tree, "resourceType") == "Bundle" && text(x.tree, "type") == "searchset", "%s is answered with no searchset", x.asked())
	return readBundle(x)
}

// found is search of which there must be matches.
func (t *trial) found(path string, header ...string) bundle {
	b := t.search(path, header...)
	t.must(len(b.matches) > 0, "%s finds nothing, and should", b.asked())
	return b
}

// none is a search that must find nothing.
func (t *trial) none(path string) {
	b := t.search(path)
	defer t.of(b.exchange)()
	b.twin = true
	t.hold(len(b.matches) == 0, "%s finds %d, and should find nothing", b.asked(), len(b.matches))
}

// same holds the matches of a search to what they should be.
func (t *trial) same(path string, want []string, header ...string) {
	got := refs(t.all(path, header...))
	t.hold(slices.Equal(got, want), "%s finds %d, of which %d should be; %d should", "GET "+pathOnly(path)+" by "+names(path), len(got), common(got, want), len(want))
}

// names are the names of the parameters of a path.
func names(path string) string {
	_, query, _ := strings.Cut(path, "?")
	var out []string
	for p := range strings.SplitSeq(query, "&") {
		n, _, _ := strings.Cut(p, "=")
		out = append(out, n)
	}
	return strings.Join(out, ", ")
}

func common(a, b []string) (n int) {
	for _, x := range a {
		if slices.Contains(b, x) {
			n++
		}
	}
	return n
}

// maxPages bounds a walk that does not end.
const maxPages = 400

// pages walks a search or a history to its end.
func (t *trial) pages(path string, header ...string) (out []bundle) {
	for range maxPages {
		b := readBundle(t.ok(path, header...))
		out = append(out, b)
		if b.next == "" {
			return out
		}
		path = t.local(b.next)
	}
	t.must(false, "a walk of %d pages does not end", maxPages)
	return nil
}

// all are the matches of all pages.
func (t *trial) all(path string, header ...string) (out []any) {
	for _, b := range t.pages(path, header...) {
		out = append(out, b.matches...)
	}
	return out
}

// local is a link of the target, which stands under its public base, as it is
// reached from here.
func (t *trial) local(link string) string {
	rest, ours := strings.CutPrefix(link, t.publicBase()+"/")
	t.must(ours, "a link does not stand under the base of the target")
	return rest
}
