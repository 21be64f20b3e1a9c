package fhirpath

import (
	"fmt"
	"unsafe"

	"nailbridge/internal/fhirpath/syntax"
	"nailbridge/internal/fhirpath/value"
)

// expr is a compiled expression: it appends its items to out.
type expr interface {
	eval(m *machine, f *frame, out []Item) ([]Item, error)
}

// logical is an expression whose result is at most one Boolean, found without
// making an item.
type logical interface {
	truth(m *machine, f *frame) (Truth, error)
}

// frame holds the variables of an iteration (N1 5, functions with expressions).
type frame struct {
	this  Item // $this; none for an empty focus
	index int  // $index
	total []Item
}

// machine is one evaluation: what it may still spend, and buffers for items
// between one step and the next.
type machine struct {
	*Program
	env                          *Env
	context, resource, container Item
	steps, memory                int
	rest                         int // of the steps, to be handed out when those are spent
	outer                        frame
	free                         [][]Item
	frames                       []*frame
}

const itemSize = int(unsafe.Sizeof(Item{}))

// step takes n steps off the budget.
func (m *machine) step(n int) error {
	m.steps -= n
	if m.steps < 0 || m.memory < 0 {
		return m.more()
	}
	return nil
}

// stepsAtOnce is how many steps are handed out before it is asked whether the
// evaluation is still wanted.
const stepsAtOnce = 50_000

// more hands out further steps, as long as there are any and somebody waits for
// the result.
func (m *machine) more() error {
	if m.memory < 0 {
		return ErrBudget
	}
	select {
	case <-m.env.Done:
		return ErrEnded
	default:
	}
	for m.steps < 0 && m.rest > 0 {
		n := min(m.rest, stepsAtOnce)
		m.rest -= n
		m.steps += n
	}
	if m.steps < 0 {
		return ErrBudget
	}
	return nil
}

// emit appends an item and takes its cost off the budget; the next step tells
// if that was too much.
func (m *machine) emit(out []Item, it Item) []Item {
	m.steps--
	m.memory -= itemSize
	return append(out, it)
}

// charge takes n items off the budget that others appended.
func (m *machine) charge(n int) {
	m.steps -= n
	m.memory -= n * itemSize
}

// buffer gives an empty buffer, to be given back with release.
func (m *machine) buffer() []Item {
	if n := len(m.free); n > 0 {
		b := m.free[n-1]
		m.free = m.free[:n-1]
		return b
	}
	return make([]Item, 0, 8)
}

func (m *machine) release(b []Item) {
	m.memory += len(b) * itemSize
	clear(b)
	if cap(b) <= 4096 && len(m.free) < 64 {
		m.free = append(m.free, b[:0])
	}
}

// enter gives a frame for an iteration, to be given back with leave.
func (m *machine) enter(f *frame) *frame {
	inner := new(frame)
	if n := len(m.frames); n > 0 {
		inner, m.frames = m.frames[n-1], m.frames[:n-1]
	}
	inner.total = f.total
	return inner
}

func (m *machine) leave(f *frame) {
	*f = frame{}
	m.frames = append(m.frames, f)
}

// collect evaluates e into a buffer of its own.
func (m *machine) collect(e expr, f *frame) ([]Item, error) { return e.eval(m, f, m.buffer()) }

// newString makes a String and takes its size off the budget.
func (m *machine) newString(s string) Item {
	m.memory -= len(s)
	m.steps -= len(s) / 64
	return Item{Kind: text, Val: s}
}

// truth is what an expression counts as where a Boolean is wanted (N1 4.5,
// singleton evaluation of collections).
func (m *machine) truth(e expr, f *frame) (Truth, error) {
	if l, ok := e.(logical); ok {
		return l.truth(m, f)
	}
	b, err := m.collect(e, f)
	if err != nil {
		return Unknown, err
	}
	t, err := m.truthOf(b)
	m.release(b)
	return t, err
}

func (m *machine) truthOf(items []Item) (Truth, error) {
	switch len(items) {
	case 0:
		return Unknown, nil
	case 1:
		v, ok := m.tree.Native(items[0])
		if ok && v.Kind == boolean {
			return value.TruthOf(v.Int != 0), nil
		}
		return True, nil
	}
	return Unknown, fmt.Errorf("several items where a Boolean is wanted (N1 4.5)")
}

// emitTruth appends the Boolean of t, or nothing.
func (m *machine) emitTruth(out []Item, t Truth) []Item {
	if t == Unknown {
		return out
	}
	return m.emit(out, value.Boolean(t == True))
}

// one evaluates e where a single item is wanted: the item's value, or false if
// there is none (N1 4.5).
func (m *machine) one(e expr, f *frame) (Item, bool, error) {
	b, err := m.collect(e, f)
	if err != nil {
		return Item{}, false, err
	}
	it, ok, err := single(b)
	m.release(b)
	return it, ok, err
}

func single(items []Item) (Item, bool, error) {
	switch len(items) {
	case 0:
		return Item{}, false, nil
	case 1:
		return items[0], true, nil
	}
	return Item{}, false, fmt.Errorf("several items where one is wanted (N1 4.5)")
}

// fault puts the place of a node before an error, once. That an evaluation was
// cut off has no place in the expression.
func fault(n syntax.Node, what string, err error) error {
	if _, placed := err.(*placed); placed || err == ErrBudget || err == ErrEnded {
		return err
	}
	return &placed{n.Offset(), what, err}
}

// placed is an error with its place in the expression.
type placed struct {
	offset int
	what   string
	err    error
}

// Error tells the place, what stands there, and the error.
func (p *placed) Error() string { return fmt.Sprintf("at offset %d, %s: %v", p.offset, p.what, p.err) }

// Unwrap gives the error without its place.
func (p *placed) Unwrap() error { return p.err }
