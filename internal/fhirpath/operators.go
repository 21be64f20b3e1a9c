package fhirpath

import (
	"fmt"
	"strings"

	"nailbridge/internal/fhirpath/syntax"
	"nailbridge/internal/fhirpath/value"
)

// logic is one of and, or, xor, implies: three-valued (N1 6.5). The right side
// is left out where the left decides, as N1 allows.
type logic struct {
	node *syntax.Binary
	l, r expr
}

func (e *logic) eval(m *machine, f *frame, out []Item) ([]Item, error) {
	t, err := e.truth(m, f)
	return m.emitTruth(out, t), err
}

func (e *logic) truth(m *machine, f *frame) (Truth, error) {
	if err := m.step(1); err != nil {
		return Unknown, err
	}
	a, err := m.truth(e.l, f)
	if err != nil {
		return Unknown, fault(e.node, "left of "+e.node.Op, err)
	}
	switch {
	case e.node.Op == "and" && a == False:
		return False, nil
	case e.node.Op == "or" && a == True, e.node.Op == "implies" && a == False:
		return True, nil
	case e.node.Op == "xor" && a == Unknown:
		return Unknown, nil
	}
	b, err := m.truth(e.r, f)
	if err != nil {
		return Unknown, fault(e.node, "right of "+e.node.Op, err)
	}
	return combine(e.node.Op, a, b), nil
}

// combine follows the tables of N1 6.5.
func combine(op string, a, b Truth) Truth {
	switch op {
	case "and":
		if a == False || b == False {
			return False
		}
		return truthIf(a == True && b == True, True)
	case "or":
		if a == True || b == True {
			return True
		}
		return truthIf(a == False && b == False, False)
	case "xor":
		if a == Unknown || b == Unknown {
			return Unknown
		}
		return value.TruthOf(a != b)
	}
	if a == True {
		return b
	}
	return truthIf(a == False || b == True, True)
}

func truthIf(cond bool, t Truth) Truth {
	if cond {
		return t
	}
	return Unknown
}

// equality is one of = != ~ !~ (N1 6.1).
type equality struct {
	node *syntax.Binary
	l, r expr
}

func (e *equality) eval(m *machine, f *frame, out []Item) ([]Item, error) {
	t, err := e.truth(m, f)
	return m.emitTruth(out, t), err
}

func (e *equality) truth(m *machine, f *frame) (Truth, error) {
	if err := m.step(1); err != nil {
		return Unknown, err
	}
	x, err := m.collect(e.l, f)
	if err != nil {
		return Unknown, err
	}
	y, err := m.collect(e.r, f)
	if err != nil {
		return Unknown, err
	}
	how := value.Equality(strings.HasSuffix(e.node.Op, "~"))
	t := Unknown
	if how == value.Equivalent || len(x) > 0 && len(y) > 0 {
		t = m.equalLists(x, y, how)
	}
	m.release(x)
	m.release(y)
	if e.node.Op[0] == '!' {
		t = t.Not()
	}
	return t, m.step(0)
}

// comparison is one of < <= > >= (N1 6.2).
type comparison struct {
	node *syntax.Binary
	l, r expr
}

func (e *comparison) eval(m *machine, f *frame, out []Item) ([]Item, error) {
	t, err := e.truth(m, f)
	return m.emitTruth(out, t), err
}

func (e *comparison) truth(m *machine, f *frame) (Truth, error) {
	if err := m.step(1); err != nil {
		return Unknown, err
	}
	a, okA, err := m.operand(e.l, f)
	if err != nil {
		return Unknown, fault(e.node, "left of "+e.node.Op, err)
	}
	b, okB, err := m.operand(e.r, f)
	if err != nil {
		return Unknown, fault(e.node, "right of "+e.node.Op, err)
	}
	if !okA || !okB {
		return Unknown, nil
	}
	m.steps -= a.Cost() + b.Cost()
	order, known, err := value.Compare(a, b)
	if err != nil {
		return Unknown, fault(e.node, e.node.Op, err)
	}
	if !known {
		return Unknown, nil
	}
	switch e.node.Op {
	case "<":
		return value.TruthOf(order < 0), nil
	case "<=":
		return value.TruthOf(order <= 0), nil
	case ">":
		return value.TruthOf(order > 0), nil
	}
	return value.TruthOf(order >= 0), nil
}

// union is the operator | (N1 6.4.1).
type union struct {
	node *syntax.Binary
	l, r expr
}

func (e *union) eval(m *machine, f *frame, out []Item) ([]Item, error) {
	if err := m.step(1); err != nil {
		return out, err
	}
	x, err := m.collect(e.l, f)
	if err != nil {
		return out, err
	}
	if x, err = e.r.eval(m, f, x); err != nil {
		return out, err
	}
	out, err = m.distinct(x, out)
	m.release(x)
	return out, err
}

// distinct appends the items of list that are not equal to one before them.
func (m *machine) distinct(list, out []Item) ([]Item, error) {
	if len(list) > 8 && m.allStrings(list) {
		return m.distinctStrings(list, out)
	}
	from := len(out)
	for i := range list {
		if err := m.step(1); err != nil {
			return out, err
		}
		if !m.contains(out[from:], &list[i]) {
			out = m.emit(out, list[i])
		}
	}
	return out, nil
}

// distinctStrings does so in time that grows with the list, not its square.
func (m *machine) distinctStrings(list, out []Item) ([]Item, error) {
	const each = 32 // bytes of a map's entry
	m.memory -= each * len(list)
	seen := make(map[string]bool, len(list))
	for i := range list {
		if err := m.step(1); err != nil {
			return out, err
		}
		if s := list[i].Val.(string); !seen[s] {
			seen[s] = true
			out = m.emit(out, list[i])
		}
	}
	m.memory += each * len(list)
	return out, nil
}

func (m *machine) allStrings(list []Item) bool {
	for i := range list {
		if !m.plainString(&list[i]) {
			return false
		}
	}
	return true
}

// plainString reports whether an item is a String, or an element that stands
// for one.
func (m *machine) plainString(it *Item) bool {
	_, ok := it.Val.(string)
	return ok && (it.Kind == text || it.Kind == node && m.tree.KindOf(it.Type) == text)
}

// membership is in or contains (N1 6.4.2, 6.4.3).
type membership struct {
	node       *syntax.Binary
	item, list expr
}

func (e *membership) eval(m *machine, f *frame, out []Item) ([]Item, error) {
	t, err := e.truth(m, f)
	return m.emitTruth(out, t), err
}

func (e *membership) truth(m *machine, f *frame) (Truth, error) {
	if err := m.step(1); err != nil {
		return Unknown, err
	}
	it, ok, err := m.one(e.item, f)
	if err != nil {
		return Unknown, fault(e.node, e.node.Op, err)
	}
	list, err := m.collect(e.list, f)
	if err != nil {
		return Unknown, err
	}
	defer m.release(list)
	if !ok {
		return Unknown, nil
	}
	return value.TruthOf(m.contains(list, &it)), m.step(0)
}

// indexer is [index] (N1 5.3.1).
type indexer struct {
	node      *syntax.Indexer
	on, index expr
}

func (e *indexer) eval(m *machine, f *frame, out []Item) ([]Item, error) {
	if err := m.step(1); err != nil {
		return out, err
	}
	n, ok, err := m.integerOf(e.index, f)
	if err != nil {
		return out, fault(e.node, "index", err)
	}
	list, err := m.collect(e.on, f)
	if err != nil {
		return out, err
	}
	if ok && n >= 0 && n < int64(len(list)) {
		out = m.emit(out, list[n])
	}
	m.release(list)
	return out, nil
}

// integerOf evaluates an argument that must be an Integer, or empty.
func (m *machine) integerOf(e expr, f *frame) (int64, bool, error) {
	v, ok, err := m.operand(e, f)
	if err != nil || !ok {
		return 0, false, err
	}
	if v.Kind != integer {
		return 0, false, fmt.Errorf("an Integer is wanted")
	}
	return v.Int, true, nil
}

// stringOf evaluates an argument that must be a String, or empty.
func (m *machine) stringOf(e expr, f *frame) (string, bool, error) {
	v, ok, err := m.operand(e, f)
	if err != nil || !ok {
		return "", false, err
	}
	if v.Kind != text {
		return "", false, fmt.Errorf("a String is wanted")
	}
	return v.Text(), true, nil
}
