package suite

import (
	"context"
	"maps"
	"slices"
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
// exchange of theirs is another now.
func (o *Opened) Again(ctx context.Context, ways Ways, now time.Time, only func(string) bool) (r Report, touched map[string][]string, together map[[2]string]bool) {
	opts := o.s.o
	opts.Target, opts.NATS, opts.Now = ways.Target, ways.NATS, now
	s := newSession(opts)
	s.w, s.allowed = o.s.w, o.s.allowed
	s.try(ctx, (*trial).state)
	s.try(ctx, (*trial).define)
	s.openNATS(ctx)
	defer s.hangUp()
	results := map[string]*trial{}
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
		t := s.try(ctx, c.run)
		results[c.id] = t
		for _, x := range t.exchanges {
			if x.header != nil {
				touched[c.id] = append(touched[c.id], x.header.Values("X-Fault")...)
			}
		}
	}
	for _, x := range s.seen {
		for _, a := range x.header.Values("X-Fault") {
			for _, b := range x.header.Values("X-Fault") {
				together[[2]string{a, b}] = true
			}
		}
	}
	if only == nil {
		o.looked = results
	}
	return newReport(s, results), touched, together
}

// OfAll reports a check that looks at everything that was exchanged.
func OfAll(id string) bool {
	return slices.ContainsFunc(seenChecks, func(c check) bool { return c.id == id })
}
