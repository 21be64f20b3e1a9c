package fhirpath

import (
	"fmt"
	"strings"

	"nailbridge/internal/fhirpath/syntax"
	"nailbridge/internal/fhirpath/value"
	"nailbridge/internal/spec"
)

// typeSpec is the type that is, as and ofType are asked about (N1 6.3). A name
// without a namespace means a type of FHIR or of FHIRPath's own, where the
// name fits both, either.
type typeSpec struct {
	fhir   spec.TypeID
	system value.Kind
}

// typeSpec resolves the name of a type. An unknown name is an error, but for
// one with a namespace, which no item is of: the suite's testType22 asks
// whether a Patient is a System.Patient.
func (p *Program) typeSpec(names []string) (typeSpec, error) {
	space := ""
	if len(names) > 1 && (names[0] == "FHIR" || names[0] == "System") {
		space, names = names[0], names[1:]
	}
	name := strings.Join(names, ".")
	var t typeSpec
	if space != "System" {
		t.fhir = p.tree.Model.Named(name)
	}
	if space != "FHIR" {
		t.system = value.Named(name)
	}
	if t == (typeSpec{}) && space == "" {
		return t, fmt.Errorf("unknown type %s", name)
	}
	return t, nil
}

// matches reports whether an item is of the type or of one derived from it.
func (p *Program) matches(it *Item, t typeSpec) bool {
	if it.Kind == node {
		return t.fhir != spec.None && p.tree.Model.Is(it.Type, t.fhir)
	}
	return t.system != none && it.Kind == t.system
}

// isOp is the operator is and the function is() (N1 6.3.1, 6.3.2).
type isOp struct {
	node syntax.Node
	x    expr
	spec typeSpec
}

func (e *isOp) eval(m *machine, f *frame, out []Item) ([]Item, error) {
	t, err := e.truth(m, f)
	return m.emitTruth(out, t), err
}

func (e *isOp) truth(m *machine, f *frame) (Truth, error) {
	if err := m.step(1); err != nil {
		return Unknown, err
	}
	it, ok, err := m.one(e.x, f)
	if err != nil {
		return Unknown, fault(e.node, "is", err)
	}
	if !ok {
		return Unknown, nil
	}
	return value.TruthOf(m.matches(&it, e.spec)), nil
}

// asOp is the operator as and the function as() (N1 6.3.3, 6.3.4), and with
// many the function ofType() (N1 5.2.4).
type asOp struct {
	node syntax.Node
	x    expr
	spec typeSpec
	many bool
}

func (e *asOp) eval(m *machine, f *frame, out []Item) ([]Item, error) {
	if err := m.step(1); err != nil {
		return out, err
	}
	list, err := m.collect(e.x, f)
	if err != nil {
		return out, err
	}
	if len(list) > 1 && !e.many {
		return out, fault(e.node, "as", fmt.Errorf("several items where one is wanted (N1 6.3.3)"))
	}
	for i := range list {
		if m.matches(&list[i], e.spec) {
			out = m.emit(out, list[i])
		}
	}
	m.release(list)
	return out, nil
}
