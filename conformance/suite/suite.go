// Package suite holds a running bridge to the requirements that are in force, from
// outside: over HTTP, and over NATS where it is given, with the keys of a hub and of
// test clinics. It knows FHIR and the doors of the bridge, and nothing of how the
// bridge is made.
//
// Each requirement has one check. It passes only where its subject occurred: an
// answer that holds it, or, where it forbids something, a refusal. A server that
// answers everything with an empty searchset passes nothing.
//
// The suite brings records of its own, of nobody. It writes into clinics that
// the target declares as test clinics (their lists say "test": true) and ends by
// withdrawing and declining what it wrote.
package suite

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"strconv"
	"strings"
	"sync"
	"time"

	"nailbridge/internal/validate/engine"
)

// Clinic is a test clinic and the key of its practice system.
type Clinic struct {
	ID, Key string
	NATSKey string // "": as Key
}

// Options say whom to ask and how.
type Options struct {
	Target   string        // URL of the bridge, above /records and /fhir
	HubKey   string        // of a hub that sees the first clinic and not the second
	Clinics  []Clinic      // test clinics to write into: one, and another for the walls
	NATS     string        // URL of the NATS server of its second door; "": it is not tried
	Patience time.Duration // how long an answer over NATS may take; 0: a minute
	Client   *http.Client
	Now      time.Time
	Clock    func() time.Time // how long each check takes is told by it; nil: it is not told
	Quick    bool             // what rows name large numbers of is tried in small; the report says how often
	Progress func(done, all int, what string)
}

// session is one run.
type session struct {
	o     Options
	run   string // names what the run writes
	began time.Time

	again func(request) *exchange // an answer that is known without asking; nil: none is

	mu    sync.Mutex
	seen  []*exchange
	saves int
	wrote []*sent

	manyVersions string // an observation with a version of every save
	firstOfMany  any    // its first version, as it was then
	at           struct {
		done, all int
		what      string
	} // how far the run is
	kept        map[string]once  // by what it is
	allowed     map[string]bool  // clinics that the target declares as tests
	lines       map[string]*line // to the second door, by clinic
	busFault    string           // why nothing can be sent there
	w           world
	statement   *exchange // the CapabilityStatement
	base        string
	validator   *engine.Validator
	definitions string // a digest of what the target defines
}

func newSession(o Options) *session {
	if o.Patience == 0 {
		o.Patience = time.Minute
	}
	if o.Client == nil {
		o.Client = &http.Client{Timeout: time.Minute}
	}
	o.Target = strings.TrimSuffix(o.Target, "/")
	s := &session{o: o, began: o.Now, run: "x" + strconv.FormatInt(o.Now.UnixNano(), 36), allowed: map[string]bool{}, lines: map[string]*line{}, kept: map[string]once{}}
	s.w.day = o.Now.UTC().AddDate(0, 0, -1).Format("2006-01-02")
	return s
}

// clock is the time by the clock of the run; without one it stands.
func (s *session) clock() time.Time {
	if s.o.Clock == nil {
		return s.o.Now
	}
	return s.o.Clock()
}

// publicBase is what links of the target begin with.
func (s *session) publicBase() string { return s.base }

// check is what shows one row.
type check struct {
	id  string
	run func(*trial)
}

// Run runs every check against the target.
func Run(ctx context.Context, o Options) Report {
	s, all := newSession(o), checks()
	defer s.hangUp()
	s.at.all, s.at.what = len(all), "writing the records of the suite"
	s.step(0, 0)
	s.open(ctx)
	return s.report(ctx, all)
}

// Reach holds the target to what a run stands on, and writes nothing: that it serves
// FHIR, that the keys open it and that it declares the clinics as tests. Where it does
// not there is nothing to hold to anything.
func Reach(ctx context.Context, o Options) error {
	s := newSession(o)
	x := s.do(ctx, request{method: http.MethodGet, path: "/fhir/metadata"})
	if x.err != nil {
		return fmt.Errorf("the target does not answer: %w", x.err)
	}
	t := s.try(ctx, func(t *trial) {
		t.must(text(x.tree, "resourceType") == "CapabilityStatement", "the target is no FHIR server: /fhir/metadata gives %s", x.answered())
		hub := t.get("CarePlan?_count=0").status
		closed := hub == http.StatusUnauthorized || hub == http.StatusForbidden
		t.must(!closed || o.HubKey != "", "the read side asks for the key of a hub (%d)", hub)
		t.must(!closed, "the read side does not open by the key of the hub (%d)", hub)
		for _, c := range o.Clinics {
			t.opens(c)
			if o.NATS != "" {
				t.dial(c).conn.Close()
			}
		}
		t.saw("it serves FHIR, and opens")
	})
	if !t.passed() {
		return errors.New(t.faults[0])
	}
	return nil
}

// open reads what the target says of itself, and writes the records of the suite.
func (s *session) open(ctx context.Context) {
	s.try(ctx, (*trial).state)
	s.try(ctx, (*trial).define)
	if t := s.try(ctx, (*trial).prepare); !t.passed() {
		s.w.fault = t.faults[0]
	}
	s.openNATS(ctx)
}

// openNATS opens the second door, where there is one.
func (s *session) openNATS(ctx context.Context) {
	if s.o.NATS == "" {
		return
	}
	if t := s.try(ctx, (*trial).connect); !t.passed() {
		s.busFault = t.faults[0]
	}
}

// state reads the CapabilityStatement.
func (t *trial) state() {
	t.statement = t.ask(request{method: http.MethodGet, path: "/fhir/metadata"})
	t.base = text(t.statement.tree, "implementation", "url")
}

// report runs the checks and makes the report. Those of everything that was seen
// come last.
func (s *session) report(ctx context.Context, checks []check) Report {
	results, cut := map[string]*trial{}, 0
	for i, c := range checks {
		if !s.tries(c) {
			continue
		}
		s.at.done, s.at.all, s.at.what = i, len(checks), c.id
		s.step(0, 0)
		run := c.run
		if ctx.Err() != nil {
			run = func(t *trial) { t.hold(false, "the run ended before its check") }
		}
		results[c.id] = s.try(ctx, run)
		if ctx.Err() != nil {
			cut++
		}
	}
	r := newReport(s, results)
	if cut > 0 {
		r.Ended = fmt.Sprintf("the run was ended from outside: %d of %d checks were not tried to their end", cut, len(checks))
	}
	for _, why := range []string{s.w.fault, s.busFault} {
		if why != "" {
			r.Untried = append(r.Untried, why)
		}
	}
	if s.at.done, s.at.what = len(checks), "taking back what was written"; len(s.wrote) > 0 {
		r.Left = s.try(context.WithoutCancel(ctx), (*trial).cleanUp).faults // also of a run that was ended
	}
	return r
}

// tries reports a check that the run can make.
func (s *session) tries(c check) bool { return s.o.NATS != "" || withoutNATS[c.id] == "" }

// checks are those of all rows and rules, in the order in which they run: first
// what only asks, then what writes, then what looks at all that was seen.
func checks() []check {
	var out []check
	for _, area := range [][]check{
		httpChecks, readChecks, outcomeChecks, capabilityChecks, searchChecks, parameterChecks, pageChecks,
		contentChecks, termChecks, provenanceChecks, firstChecks, planChecks,
		historyChecks, receivingChecks, seenChecks,
	} {
		out = append(out, area...)
	}
	return out
}

// quote is a text of somebody else in a fault.
func quote(s string) string { return fmt.Sprintf("%q", s) }
