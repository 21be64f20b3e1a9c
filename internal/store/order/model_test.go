package order_test

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/store/order"
)

// The model goes through every interleaving of three writers and two pollers
// of three steps each, and lets each poller read on to the end from wherever
// that left it. Places, bounds and what stands under a bound come from package
// order, as the store's do; lock, commit and pages are the model's own.
//
// A writer locks, takes a place and writes, commits. The first two put the
// shared resource x and one of their own, the last deletes x and puts its own;
// their clocks stand, or are behind. A poller asks for pages of one entry: one
// by search, ascending, for what is later than the last entry of its last whole
// walk; one by history, newest first, for what is at or after the first entry
// of it (http.html#history).
const (
	writers = 3
	pollers = 2
	steps   = 3
)

var clocks = [writers]int64{5, 5, 3}

// rules are what the model can be made to do wrong.
type rules struct {
	next  func(p order.Place, clock int64) order.Place
	bound func(head, asked int64) int64
	early bool // the place is taken before the lock
	hasty bool // a poller goes on from the last entry of a page, not of a walk
	piece bool // a commit becomes visible resource by resource
	blind bool // nobody looks at the order of commits itself, but at what pollers are told
}

var right = rules{next: order.Place.Next, bound: order.Bound}

// row is one version in the model's store.
type row struct {
	order.Version
	ID string
	At int64
}

type writer struct {
	Step  int
	Place order.Place
	Open  []row // what the transaction sees, once it wrote
}

// poller is a hub; its walk lasts while More.
type poller struct {
	Step  int
	Token int64 // an instant
	Bound int64
	First int64 // the instant of the walk's first entry
	After *row
	More  bool
	Walk  []row          // entries of the walk so far
	Has   map[string]row // last told of each resource
}

type state struct {
	Head   order.Place
	Given  order.Place // the last place taken, when it is taken before the lock
	Locked int         // by this writer; -1: free
	Rows   []row       // committed
	W      [writers]writer
	P      [pollers]poller
	path   string // the steps that led here
}

const (
	bySearch  = 0
	byHistory = 1
)

func begin() state {
	s := state{Locked: -1}
	for i := range s.P {
		s.P[i].Has = map[string]row{}
	}
	return s
}

// copy gives a state that shares nothing that a step changes.
func (s state) copy() state {
	s.Rows = slices.Clone(s.Rows)
	for i := range s.P {
		has := map[string]row{}
		for k, v := range s.P[i].Has {
			has[k] = v
		}
		s.P[i].Has, s.P[i].Walk = has, slices.Clone(s.P[i].Walk)
	}
	return s
}

// String is the state in one line, without the way to it.
func (s state) String() string {
	var b strings.Builder
	fmt.Fprintf(&b, "head %d@%d lock %d rows", s.Head.Seq, s.Head.At, s.Locked)
	for _, r := range s.Rows {
		b.WriteString(" " + r.String())
	}
	for i, w := range s.W {
		fmt.Fprintf(&b, " | w%d step %d place %d@%d %v", i, w.Step, w.Place.Seq, w.Place.At, w.Open)
	}
	for i, p := range s.P {
		fmt.Fprintf(&b, " | p%d step %d token %d bound %d more %t walk %v has %v", i, p.Step, p.Token, p.Bound, p.More, p.Walk, p.Has)
	}
	return b.String()
}

// String is a version: resource, life in the order, instant.
func (r row) String() string {
	until := "on"
	if r.Until != order.Current {
		until = fmt.Sprint(r.Until)
	}
	mark := ""
	if r.Deleted {
		mark += "deleted"
	}
	if r.Hidden {
		mark += "hidden"
	}
	return fmt.Sprintf("%s[%d,%s)@%d%s", r.ID, r.Seq, until, r.At, mark)
}

// write makes the step of a writer; ok is false while another holds the lock.
func (m rules) write(s *state, i int) (ok bool) {
	w := &s.W[i]
	lockStep := 0
	if m.early {
		lockStep = 1
	}
	if w.Step == lockStep {
		if s.Locked >= 0 {
			return false
		}
		s.Locked = i
	}
	switch {
	case w.Step == 0 && m.early:
		s.Given = m.next(s.Given, clocks[i])
		w.Place = s.Given
	case w.Step == 1:
		if !m.early {
			w.Place = m.next(s.Head, clocks[i])
		}
		w.Open = m.put(s.Rows, i, w.Place)
		if m.piece {
			s.Rows, s.Head = w.Open[:len(w.Open)-1], w.Place
		}
	case w.Step == 2:
		s.Rows = w.Open
		if w.Place.Seq > s.Head.Seq {
			s.Head = w.Place
		}
		s.Locked, w.Open = -1, nil
	}
	w.Step++
	return true
}

// put gives the rows with those of a writer's commit.
func (m rules) put(rows []row, i int, p order.Place) []row {
	out := slices.Clone(rows)
	last := i == writers-1
	for j := range out {
		if out[j].ID == "x" {
			out[j].Until = min(out[j].Until, p.Seq)
			out[j].Hidden = out[j].Hidden || last
		}
	}
	return append(out,
		row{order.Version{Seq: p.Seq, Until: order.Current, Deleted: last}, "x", p.At},
		row{order.Version{Seq: p.Seq, Until: order.Current}, string(rune('a' + i)), p.At})
}

// ask makes one request of a poller; the answer is of the committed state.
func (m rules) ask(s *state, i int) error {
	p := &s.P[i]
	begins := !p.More
	if begins {
		p.Walk, p.After, p.Bound, p.First = nil, nil, 0, p.Token
	}
	p.Bound = m.bound(s.Head.Seq, p.Bound)
	all := s.under(i, p.Token, p.Bound)
	rest := all
	if p.After != nil {
		rest = slices.DeleteFunc(slices.Clone(all), func(r row) bool { return walkOrder(i, r, *p.After) <= 0 })
	}
	p.More = len(rest) > 1
	if len(rest) > 0 {
		if err := p.take(i, rest[0], begins); err != nil {
			return err
		}
	}
	switch {
	case !p.More:
		return p.finish(i, all)
	case m.hasty && i == bySearch:
		p.Token, p.More = p.After.At, false
	}
	return nil
}

// take adds an entry to a walk and to what the hub has.
func (p *poller) take(i int, r row, begins bool) error {
	for _, had := range p.Walk {
		if had.ID == r.ID && (i == bySearch || had.Seq == r.Seq) {
			return fmt.Errorf("a walk gave %s twice: %v and %v", r.ID, had, r)
		}
	}
	p.Walk = append(p.Walk, r)
	if old, ok := p.Has[r.ID]; !ok || r.Seq > old.Seq {
		p.Has[r.ID] = r
	}
	p.After = &r
	if begins {
		p.First = r.At
	}
	return nil
}

// finish ends a walk: it must have given all that stands under its bound, so
// that a commit is there whole or not at all.
func (p *poller) finish(i int, all []row) error {
	for _, r := range all {
		if !slices.ContainsFunc(p.Walk, func(x row) bool { return x.ID == r.ID && x.Seq == r.Seq }) {
			return fmt.Errorf("a walk under %d left out %v", p.Bound, r)
		}
	}
	switch {
	case i == byHistory:
		p.Token = p.First
	case p.After != nil:
		p.Token = p.After.At
	}
	return nil
}

// under is the whole walk of a poller as the committed state gives it now.
func (s *state) under(i int, token, bound int64) (out []row) {
	first := int64(1)
	for _, r := range s.Rows {
		// lastUpdated rises with Seq, so that an instant is a place (the store
		// asks its list of places).
		if r.At < token || i == bySearch && r.At == token {
			first = max(first, r.Seq+1)
		}
	}
	for _, r := range s.Rows {
		if i == bySearch && r.Seq >= first && r.Stands(bound) || i == byHistory && r.Told(first, bound) {
			out = append(out, r)
		}
	}
	slices.SortFunc(out, func(a, b row) int { return walkOrder(i, a, b) })
	return out
}

// walkOrder is the order of a poller's walk: (Seq, id), rising for the search.
func walkOrder(i int, a, b row) int {
	c := cmp.Or(cmp.Compare(a.Seq, b.Seq), cmp.Compare(a.ID, b.ID))
	if i == byHistory {
		return -c
	}
	return c
}

// told holds once everything is committed and each poller has read on: it knows
// the last version of everything that it can be told of.
func (s *state) told() error {
	for i, p := range s.P {
		for _, r := range s.Rows {
			if r.Until != order.Current || r.Deleted && i == bySearch {
				continue // a search tells no deletion
			}
			if has, ok := p.Has[r.ID]; !ok || has.Seq != r.Seq {
				return fmt.Errorf("poller %d was never told %v", i, r)
			}
		}
	}
	return nil
}

// drain lets the pollers read on, until long after nothing is new.
func (m rules) drain(s state) error {
	const enough = 24 // requests; the longest walk takes 6
	s = s.copy()
	for i := range s.P {
		for n := 0; n < enough || s.P[i].More; n++ {
			if err := m.ask(&s, i); err != nil {
				return err
			}
		}
	}
	return s.told()
}

// step makes the step of an actor, writers first; ok is false where it cannot.
func (m rules) step(s state, actor int) (next state, ok bool, err error) {
	next = s.copy()
	head := s.Head
	switch i := actor - writers; {
	case i < 0 && s.W[actor].Step < steps:
		if !m.write(&next, actor) {
			return s, false, nil
		}
		next.path += fmt.Sprintf("w%d ", actor)
	case i >= 0 && s.P[i].Step < steps:
		err = m.ask(&next, i)
		next.P[i].Step++
		next.path += fmt.Sprintf("p%d ", i)
	default:
		return s, false, nil
	}
	if h := next.Head; err == nil && !m.blind && h != head && (h.Seq != head.Seq+1 || head.Seq > 0 && h.At <= head.At) {
		err = fmt.Errorf("head %d@%d after %d@%d", h.Seq, h.At, head.Seq, head.At)
	}
	return next, true, err
}

// outcome is what a run through all states found.
type outcome struct {
	depth []int // states first reached after so many steps
	moves int
	ends  int // states in which nobody has a step left
	bad   error
	at    state // in which it was found
}

// explore goes through every state that can be reached, breadth first, so that
// what it finds wrong is found in the fewest steps.
func (m rules) explore(t *testing.T) (o outcome) {
	seen := map[string]bool{}
	level := []state{begin()}
	for len(level) > 0 {
		o.depth = append(o.depth, len(level))
		var after []state
		for _, s := range level {
			stuck := true
			for actor := range writers + pollers {
				next, ok, err := m.step(s, actor)
				if !ok {
					continue
				}
				stuck = false
				o.moves++
				if err != nil {
					o.bad, o.at = err, next
					return o
				}
				if key := next.String(); !seen[key] {
					seen[key] = true
					after = append(after, next)
				}
			}
			if stuck {
				o.ends++
				require.Len(t, strings.Fields(s.path), steps*(writers+pollers), "nobody waits for ever")
				if err := m.drain(s); err != nil {
					o.bad, o.at = err, s
					return o
				}
			}
		}
		level = after
	}
	return o
}

// R-PAGE-07, R-HIST-11, R-HIST-12: under every interleaving, each walk is
// complete and without repeats, each commit is seen whole, lastUpdated rises
// with the order, and a poller that reads on from its last whole walk misses
// nothing.
func TestR_HIST_12_ModelOfEveryInterleaving(t *testing.T) {
	o := right.explore(t)
	total := 0
	for depth, n := range o.depth {
		t.Logf("after %2d steps: %6d states", depth, n)
		total += n
	}
	t.Logf("%d writers, %d pollers, %d steps each: %d states, %d steps between them, %d ends", writers, pollers, steps, total, o.moves, o.ends)
	require.NoError(t, o.bad, "after %s\n%v", o.at.path, o.at)
	assert.Len(t, o.depth, steps*(writers+pollers)+1)
	assert.Positive(t, o.ends)
}

// The model is no use unless it finds what is wrong: each rule broken alone.
func TestR_HIST_12_ModelFindsWhatIsWrong(t *testing.T) {
	for _, c := range []struct {
		name   string
		change func(*rules)
		found  string
	}{
		{"the place is taken before the lock", func(m *rules) { m.early = true }, "a walk under 2 left out a[1,on)@5"},
		{"lastUpdated is the clock's time alone", func(m *rules) {
			m.next = func(p order.Place, clock int64) order.Place { return order.Place{Seq: p.Seq + 1, At: clock} }
		}, "never told"},
		{"a walk has no bound", func(m *rules) { m.bound = func(head, _ int64) int64 { return head } }, "left out"},
		{"a poller goes on from within a walk", func(m *rules) { m.hasty = true }, "never told"},
		{"a commit becomes visible in pieces", func(m *rules) { m.piece = true }, "left out"},
	} {
		t.Run(c.name, func(t *testing.T) {
			m := right
			m.blind = true
			c.change(&m)
			o := m.explore(t)
			require.ErrorContains(t, o.bad, c.found)
			t.Logf("%v\nafter %s\nin %v", o.bad, o.at.path, o.at)
		})
	}
}
