// Package generate invents clinic records: cases of toenail surgery with
// their reviews, contacts, amendments, withdrawals and drafts, and now and then a
// merge of patient numbers, for tests and demonstrations. Nothing in them is real:
// the names are made of words that no register holds, the clinics do not exist,
// and the numbers are counters.
//
// Values are filled in by walking the types of mapping/record along
// record.Paths, so that a field added there is generated without a change here;
// the tables of rules.go make single fields plausible, and the shaping of
// surgery.go and visits.go makes the parts of a case fit one another. Not every
// record is good: doses over a limit, a tourniquet without release, answers
// left out and dates that disagree are what a bridge has to live with. None is
// refused (D2.1).
//
// Everything comes from the source of randomness given, so that one seed gives
// the same records for good.
package generate

import (
	"fmt"
	"math/rand/v2"
	"time"

	"nailbridge/mapping/record"
)

// Options say for whom records are made.
type Options struct {
	// Clinic is the clinic of the headers; "" is "thistledown".
	Clinic string
	// Zone is the clinic's zone; nil is UTC, which has no daylight-saving time.
	Zone *time.Location
	// Number is the number of the case; record ids and the patient's number are
	// made of it.
	Number int
	// Previous is an earlier case whose patient has this case too; nil: a
	// patient of its own.
	Previous []*record.Record
}

// Case invents the records of one case in the order in which they were saved:
// each element is one delivery, so that an amended record occurs as often as it
// was saved. Records share no memory that a caller may not change.
func Case(r *rand.Rand, o Options) []*record.Record {
	if o.Clinic == "" {
		o.Clinic = "thistledown"
	}
	if o.Zone == nil {
		o.Zone = time.UTC
	}
	m := newMaker(r, o)
	return m.makeCase()
}

// Cases invents n cases, each from the seed and its own number. About one in
// six is of the patient of the case before.
func Cases(seed uint64, n int, o Options) [][]*record.Record {
	out := make([][]*record.Record, n)
	for i := range out {
		r := rand.New(rand.NewPCG(seed, uint64(i)))
		each := o
		each.Number = o.Number + i + 1
		if i > 0 && r.IntN(6) == 0 {
			each.Previous = out[i-1]
		}
		out[i] = Case(r, each)
	}
	return out
}

// scenario is what is peculiar about a case, drawn once.
type scenario struct {
	density    float64 // of optional fields: under 1 sparse, over 1 full
	historical bool
	counter    counter
	night      night
	twoToes    bool
	dies       bool
	orphan     bool // the surgery's record is never sent
	moves      bool // an amendment names another patient
	sharing    []record.Code
}

// counter says whether the sender keeps a revision counter.
type counter int

const (
	counted counter = iota
	uncounted
	mixed
)

// night says that the sitting falls in the night in which clocks change.
type night int

const (
	noNight night = iota
	springNight
	autumnNight
)

func newMaker(r *rand.Rand, o Options) *maker {
	m := &maker{Rand: r, o: o}
	s := &m.scenario
	s.density = []float64{0.5, 1, 1, 1, 1.5}[r.IntN(5)]
	s.historical = m.chance(0.06)
	s.counter = []counter{counted, counted, counted, counted, counted, counted, uncounted, uncounted, mixed}[r.IntN(9)]
	if !s.historical {
		s.night = []night{springNight, autumnNight, noNight, noNight, noNight, noNight, noNight, noNight, noNight, noNight, noNight, noNight}[r.IntN(12)]
	}
	s.twoToes, s.dies, s.orphan = m.chance(0.2), m.chance(0.04), m.chance(0.05)
	s.moves = !s.orphan && m.chance(0.05)
	s.sharing = [][]record.Code{{""}, {"agreed"}, {"agreed"}, {"agreed", ""}, {"agreed", ""}, {"declined"}, {"declined", "agreed"}, {"agreed", "declined", ""}}[r.IntN(8)]
	m.at = m.sittingTime()
	m.patient = m.person()
	return m
}

// sittingTime draws the instant at which the sitting starts.
func (m *maker) sittingTime() time.Time {
	year := 2023 + m.IntN(3)
	if m.scenario.historical {
		year = 2009 + m.IntN(8)
	}
	if p := m.previousSitting(); !p.IsZero() && m.chance(0.6) {
		return p.Add(time.Duration(2+m.IntN(30)) * time.Hour)
	}
	t := time.Date(year, time.January, 1+m.IntN(365), 8+m.IntN(9), m.IntN(60), m.IntN(60), 0, m.o.Zone)
	spring, autumn := changes(m.o.Zone, year)
	switch {
	case m.scenario.night == springNight && !spring.IsZero():
		t = spring.Add(time.Duration(-60+m.IntN(60)) * time.Minute)
	case m.scenario.night == autumnNight && !autumn.IsZero():
		t = autumn.Add(time.Duration(-60+m.IntN(60)) * time.Minute)
	}
	return t.In(m.o.Zone)
}

// previousSitting is the start of the sitting of the earlier case, as far as it
// is known to the day.
func (m *maker) previousSitting() time.Time {
	for _, r := range m.o.Previous {
		if r.Surgery != nil && r.Surgery.Start != nil && !r.Surgery.Start.Partial() && !r.Historical {
			t, _ := r.Surgery.Start.In(m.o.Zone)
			return t
		}
	}
	return time.Time{}
}

// changes finds the instants of a year at which the zone's clocks go forward
// and back; zero where they do not.
func changes(zone *time.Location, year int) (spring, autumn time.Time) {
	t := time.Date(year, time.January, 1, 0, 0, 0, 0, time.UTC)
	for ; t.Year() == year; t = t.Add(30 * time.Minute) {
		_, before := t.In(zone).Zone()
		_, after := t.Add(30 * time.Minute).In(zone).Zone()
		switch {
		case after > before:
			spring = t.Add(30 * time.Minute)
		case after < before:
			autumn = t.Add(30 * time.Minute)
		}
	}
	return spring, autumn
}

// id makes a record id of the case.
func (m *maker) id(kind string) string {
	m.ids++
	return fmt.Sprintf("%s-%05d-%d", kind, m.o.Number, m.ids)
}
