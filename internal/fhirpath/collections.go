package fhirpath

import (
	"fmt"

	"nailbridge/internal/fhirpath/value"
)

// The functions of N1 5.1 (existence), 5.2 (filtering and projection), 5.3
// (subsetting), 5.4 (combining) and 7 (aggregates).

func runEmpty(m *machine, f *frame, c *call, list []Item) (Truth, error) {
	t := value.TruthOf(len(list) == 0)
	return t, nil
}

// runExists is exists([criteria]) (N1 5.1.2).
func runExists(m *machine, f *frame, c *call, list []Item) (Truth, error) {
	if len(c.args) == 0 {
		return value.TruthOf(len(list) > 0), nil
	}
	found := False
	err := m.each(list, f, func(_ *Item, inner *frame) error {
		t, err := m.truth(c.args[0], inner)
		if t == True {
			found = True
			return errDone
		}
		return err
	})
	return found, done(err)
}

// runAll is all(criteria): true for each item, where empty is not true
// (N1 5.1.3).
func runAll(m *machine, f *frame, c *call, list []Item) (Truth, error) {
	all := True
	err := m.each(list, f, func(_ *Item, inner *frame) error {
		t, err := m.truth(c.args[0], inner)
		if t != True && err == nil {
			all = False
			return errDone
		}
		return err
	})
	return all, done(err)
}

func runNot(m *machine, f *frame, c *call) (Truth, error) {
	t, err := m.truth(c.on, f)
	return t.Not(), err
}

// quantified makes allTrue, anyTrue, allFalse and anyFalse (N1 5.1.4 to 5.1.7):
// the result is found if an item is of the value, else the opposite.
func quantified(of bool, found Truth) tester {
	return ofList(func(m *machine, _ *frame, _ *call, list []Item) (Truth, error) {
		result := found.Not()
		for i := range list {
			v, ok := m.tree.Native(list[i])
			if !ok || v.Kind != boolean {
				return Unknown, fmt.Errorf("an item that is no Boolean")
			}
			if (v.Int != 0) == of {
				result = found
			}
		}
		return result, nil
	})
}

// subset makes subsetOf and supersetOf (N1 5.1.8, 5.1.9).
func subset(inputIsPart bool) tester {
	return func(m *machine, f *frame, c *call) (Truth, error) {
		part, err := m.input(f, c)
		if err != nil {
			return Unknown, err
		}
		whole, err := m.collect(c.args[0], f)
		if err != nil {
			return Unknown, err
		}
		defer m.release(part)
		defer m.release(whole)
		if !inputIsPart {
			part, whole = whole, part
		}
		for i := range part {
			if err := m.step(1); err != nil {
				return Unknown, err
			}
			if !m.contains(whole, &part[i]) {
				return False, m.step(0)
			}
		}
		return True, nil
	}
}

func runIsDistinct(m *machine, f *frame, c *call, list []Item) (Truth, error) {
	unique, err := m.distinct(list, m.buffer())
	t := value.TruthOf(len(unique) == len(list))
	m.release(unique)
	return t, err
}

func runDistinct(m *machine, f *frame, c *call, list, out []Item) ([]Item, error) {
	out, err := m.distinct(list, out)
	return out, err
}

func runCount(m *machine, f *frame, c *call, list, out []Item) ([]Item, error) {
	out = m.emit(out, Item{Kind: integer, Int: int64(len(list))})
	return out, nil
}

func runWhere(m *machine, f *frame, c *call, list, out []Item) ([]Item, error) {
	err := m.each(list, f, func(it *Item, inner *frame) error {
		t, err := m.truth(c.args[0], inner)
		if t == True {
			out = m.emit(out, *it)
		}
		return err
	})
	return out, err
}

func runSelect(m *machine, f *frame, c *call, list, out []Item) ([]Item, error) {
	err := m.each(list, f, func(_ *Item, inner *frame) error {
		var err error
		out, err = c.args[0].eval(m, inner, out)
		return err
	})
	return out, err
}

// runRepeat is repeat(projection): what the projection yields, and again of
// that, as long as new items come (N1 5.2.3).
func runRepeat(m *machine, f *frame, c *call, out []Item) ([]Item, error) {
	list, err := m.input(f, c)
	if err != nil {
		return out, err
	}
	from := len(out)
	for len(list) > 0 {
		found := m.buffer()
		err := m.each(list, f, func(_ *Item, inner *frame) error {
			var err error
			found, err = c.args[0].eval(m, inner, found)
			return err
		})
		if err != nil {
			return out, err
		}
		m.release(list)
		list = m.buffer()
		for i := range found {
			if err := m.step(1); err != nil {
				return out, err
			}
			if !m.contains(out[from:], &found[i]) {
				out = m.emit(out, found[i])
				list = m.emit(list, found[i])
			}
		}
		m.release(found)
	}
	m.release(list)
	return out, m.step(0)
}

// runSingle is single() (N1 5.3.2).
func runSingle(m *machine, f *frame, c *call, out []Item) ([]Item, error) {
	it, ok, err := m.one(c.on, f)
	if err != nil || !ok {
		return out, err
	}
	return m.emit(out, it), nil
}

// part makes first, last and tail (N1 5.3.3 to 5.3.5).
func part(of func([]Item) []Item) runner {
	return onList(func(m *machine, _ *frame, _ *call, list, out []Item) ([]Item, error) {
		if len(list) > 0 {
			for _, it := range of(list) {
				out = m.emit(out, it)
			}
		}
		return out, nil
	})
}

// counted makes skip(n) and take(n) (N1 5.3.6, 5.3.7).
func counted(of func(list []Item, n int) []Item) runner {
	return onList(func(m *machine, f *frame, c *call, list, out []Item) ([]Item, error) {
		n, ok, err := m.integerOf(c.args[0], f)
		if err != nil || !ok {
			return out, err
		}
		for _, it := range of(list, int(min(max(n, 0), int64(len(list))))) {
			out = m.emit(out, it)
		}
		return out, nil
	})
}

// runIntersect is intersect(other), without duplicates (N1 5.3.8).
func runIntersect(m *machine, f *frame, c *call, out []Item) ([]Item, error) {
	list, other, err := m.two(f, c)
	if err != nil {
		return out, err
	}
	from := len(out)
	for i := range list {
		if err := m.step(1); err != nil {
			return out, err
		}
		if m.contains(other, &list[i]) && !m.contains(out[from:], &list[i]) {
			out = m.emit(out, list[i])
		}
	}
	m.release(list)
	m.release(other)
	return out, m.step(0)
}

// runExclude is exclude(other); duplicates stay (N1 5.3.9).
func runExclude(m *machine, f *frame, c *call, out []Item) ([]Item, error) {
	list, other, err := m.two(f, c)
	if err != nil {
		return out, err
	}
	for i := range list {
		if err := m.step(1); err != nil {
			return out, err
		}
		if !m.contains(other, &list[i]) {
			out = m.emit(out, list[i])
		}
	}
	m.release(list)
	m.release(other)
	return out, m.step(0)
}

// two collects the input and the one argument. The caller releases both.
func (m *machine) two(f *frame, c *call) (list, other []Item, err error) {
	if list, err = m.input(f, c); err != nil {
		return nil, nil, err
	}
	other, err = m.collect(c.args[0], f)
	return list, other, err
}

// runUnion is union(other) (N1 5.4.1).
func runUnion(m *machine, f *frame, c *call, out []Item) ([]Item, error) {
	list, err := m.input(f, c)
	if err != nil {
		return out, err
	}
	if list, err = c.args[0].eval(m, f, list); err != nil {
		return out, err
	}
	out, err = m.distinct(list, out)
	m.release(list)
	return out, err
}

// runCombine is combine(other), with duplicates (N1 5.4.2).
func runCombine(m *machine, f *frame, c *call, out []Item) ([]Item, error) {
	out, err := c.on.eval(m, f, out)
	if err != nil {
		return out, err
	}
	return c.args[0].eval(m, f, out)
}

// runAggregate is aggregate(aggregator [, init]) (N1 7.1).
func runAggregate(m *machine, f *frame, c *call, list, out []Item) ([]Item, error) {
	total := m.buffer()
	var err error
	if len(c.args) > 1 {
		if total, err = c.args[1].eval(m, f, total); err != nil {
			return out, err
		}
	}
	err = m.each(list, f, func(_ *Item, inner *frame) error {
		inner.total = total
		next, err := m.collect(c.args[0], inner)
		if err != nil {
			return err
		}
		m.release(total)
		total = next
		return nil
	})
	if err != nil {
		return out, err
	}
	for _, it := range total {
		out = m.emit(out, it)
	}
	m.release(total)
	return out, nil
}

// runIif is iif(criterion, true-result [, otherwise-result]) (N1 5.5.1). It
// evaluates only the result it gives, on the item it is called on.
func runIif(m *machine, f *frame, c *call, out []Item) ([]Item, error) {
	inner := *f
	if c.node.On != nil {
		it, _, err := m.one(c.on, f)
		if err != nil {
			return out, err
		}
		inner.this, inner.index = it, 0
	}
	t, err := m.truth(c.args[0], &inner)
	if err != nil {
		return out, err
	}
	if t == True {
		return c.args[1].eval(m, &inner, out)
	}
	if len(c.args) > 2 {
		return c.args[2].eval(m, &inner, out)
	}
	return out, nil
}
