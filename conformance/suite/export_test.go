package suite

import (
	"context"
	"fmt"
	"maps"
	"net/http"
	"slices"
	"strings"
	"sync"
	"time"
)

// Checked are the ids that have a check.
func Checked() (out []string) {
	for _, c := range checks() {
		out = append(out, c.id)
	}
	return out
}

// ObservedElsewhere are the rows that are observed elsewhere, and where, by a run with
// NATS or without.
func ObservedElsewhere(nats bool) map[string]string {
	out := maps.Clone(elsewhere)
	if !nats {
		maps.Copy(out, withoutNATS)
	}
	return out
}

// Rules are the rules that are no rows.
func Rules() map[string]string { return rules }

// Demographics are what no report may show.
func Demographics() []string { return demographics }

// Opened is a run whose records are written, to ask after them again.
type Opened struct {
	s      *session
	looked map[string]*trial // when all checks ran
}

// Open writes the records of the suite.
func Open(ctx context.Context, o Options) (*Opened, string) {
	s := newSession(o)
	s.open(ctx)
	s.hangUp()
	return &Opened{s: s}, s.w.fault
}

// Main names what a fault may be about: a plan, its first version, its patient, and
// a plan of a patient who declined.
func (o *Opened) Main() (plan, first, patient, gone, other string) {
	w := o.s.w
	return w.main.one("CarePlan"), text(w.planFirst.tree, "meta", "versionId"), w.main.one("Patient"), w.declined.one("CarePlan"), w.other.one("Patient")
}

// Base is the public base of the target.
func (o *Opened) Base() string { return o.s.base }

// Read is what was read, with its headers.
type Read struct {
	Body               []byte
	ETag, LastModified string
}

// FirstPlan is the plan as it was first read.
func (o *Opened) FirstPlan() Read {
	x := o.s.w.planFirst
	return Read{x.body, x.header.Get("ETag"), x.header.Get("Last-Modified")}
}

// Ways are the addresses of both doors.
type Ways struct{ Target, NATS string }

// Again runs every check once more through other addresses, and gives beside the
// report which faults the exchanges of each check had on them, and which two were on
// one exchange. With only, the other checks keep what they found when all ran: no
// exchange of theirs is another now. With the names of faults, what none of these was on
// when all ran is not asked again either.
func (o *Opened) Again(ctx context.Context, ways Ways, now time.Time, only func(string) bool, names ...string) (r Report, touched map[string][]string, together map[[2]string]bool) {
	opts := o.s.o
	opts.Target, opts.NATS, opts.Now = ways.Target, ways.NATS, now
	s := newSession(opts)
	s.w, s.allowed = o.s.w, o.s.allowed
	results := map[string]*trial{}
	try := func(id string, run func(*trial)) *trial {
		if before := o.looked[id]; before != nil && names != nil {
			s.again = before.known(names)
		}
		results[id] = s.try(ctx, run)
		s.again = nil
		return results[id]
	}
	try("", func(t *trial) { t.state(); t.define() })
	s.openNATS(ctx)
	defer s.hangUp()
	touched, together = map[string][]string{}, map[[2]string]bool{}
	for _, c := range checks() {
		if !s.tries(c) {
			continue
		}
		if before := o.looked[c.id]; before != nil && only != nil && !only(c.id) {
			results[c.id] = before
			s.seen = append(s.seen, before.exchanges...)
			continue
		}
		for _, x := range try(c.id, c.run).exchanges {
			if x.header != nil {
				touched[c.id] = append(touched[c.id], x.header.Values(faultHeader)...)
			}
		}
	}
	for _, x := range s.seen {
		for _, a := range x.header.Values(faultHeader) {
			for _, b := range x.header.Values(faultHeader) {
				together[[2]string{a, b}] = true
			}
		}
	}
	if only == nil {
		o.looked = maps.Clone(results)
	}
	delete(results, "")
	return newReport(s, results), touched, together
}

// faultHeader names the faults that were on an exchange.
const faultHeader = "X-Fault"

// known gives the answers of a trial on which none of the faults was, each once, in
// their order. One that wrote is asked whole, but for its dry runs: what it reads is
// of what it writes.
func (t *trial) known(names []string) func(request) *exchange {
	wrote := slices.ContainsFunc(t.exchanges, func(x *exchange) bool { return x.method == viaNATS || x.of.writes() })
	queues := map[string][]*exchange{}
	for _, x := range t.exchanges {
		if x.err == nil && x.of.flood == nil && x.method != viaNATS && (!wrote || x.of.dry()) {
			queues[x.of.text()] = append(queues[x.of.text()], x)
		}
	}
	var mu sync.Mutex
	return func(r request) *exchange {
		mu.Lock()
		defer mu.Unlock()
		q := queues[r.text()]
		if len(q) == 0 {
			return nil
		}
		queues[r.text()] = q[1:]
		on := q[0].header.Values(faultHeader)
		if slices.ContainsFunc(names, func(n string) bool { return slices.Contains(on, n) }) {
			return nil
		}
		x := *q[0]
		x.header = x.header.Clone()
		x.header.Del(faultHeader)
		return &x
	}
}

func (r request) dry() bool { return strings.HasSuffix(r.path, "?dry-run=true") }

func (r request) writes() bool {
	return r.method == http.MethodPost && strings.HasPrefix(r.path, "/records") && !r.dry()
}

// text is the request in one text.
func (r request) text() string {
	return fmt.Sprintf("%s %s %s %q %s", r.method, r.path, r.key, r.header, r.body)
}

// OfAll reports a check that looks at everything that was exchanged.
func OfAll(id string) bool {
	return slices.ContainsFunc(seenChecks, func(c check) bool { return c.id == id })
}
