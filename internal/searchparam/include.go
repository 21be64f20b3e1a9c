package searchparam

import (
	"fmt"
	"slices"
	"strings"
)

// Include is one _include or _revinclude: the references that a parameter of a
// type finds, to resources of Target; "" is every type (search.html#include).
type Include struct {
	Type, Param, Target string
}

// ParseInclude reads the value of _include, or with reverse of _revinclude, in a
// search of a type.
func (x Index) ParseInclude(typ, value string, reverse bool) (Include, *Problem) {
	name := "_include"
	if reverse {
		name = "_revinclude"
	}
	parts := strings.Split(value, ":")
	if len(parts) < 2 || len(parts) > 3 {
		return Include{}, &Problem{Refused, "value", name + " is Type:parameter or Type:parameter:TargetType"}
	}
	i := Include{Type: parts[0], Param: parts[1]}
	d := x.find(i.Type, i.Param)
	switch {
	case d == nil || !slices.Contains(CareTypes(), i.Type) || !d.refers():
		return Include{}, &Problem{Unknown, "not-supported", fmt.Sprintf("%s of %s is not offered", name, shown(value))}
	case !reverse && i.Type != typ:
		return Include{}, &Problem{Refused, "value", fmt.Sprintf("%s of %s: the type is not the one searched", name, shown(value))}
	case reverse && !slices.Contains(d.targets(), typ):
		return Include{}, &Problem{Refused, "value", fmt.Sprintf("%s of %s: it does not refer to %s", name, shown(value), typ)}
	}
	if len(parts) == 3 {
		if i.Target = parts[2]; !slices.Contains(d.targets(), i.Target) || reverse && i.Target != typ {
			return Include{}, &Problem{Refused, "value", fmt.Sprintf("%s of %s: the parameter does not refer to that type", name, shown(value))}
		}
	}
	return i, nil
}

// Includes are what may be asked for beside a type by _include, as declared in
// the CapabilityStatement.
func (x Index) Includes(typ string) (out []string) {
	for _, d := range x.Definitions(typ) {
		if d.refers() {
			out = append(out, typ+":"+d.Name)
		}
	}
	return out
}

// RevIncludes are what may be asked for beside a type by _revinclude.
func (x Index) RevIncludes(typ string) (out []string) {
	for _, source := range CareTypes() {
		for _, d := range x.Definitions(source) {
			if d.refers() && slices.Contains(d.targets(), typ) {
				out = append(out, source+":"+d.Name)
			}
		}
	}
	return out
}

// Sortable gives the rows, by name and kind, by which a search of a type is sorted
// by a parameter: any but composites, which have no value of their own.
func (x Index) Sortable(typ, name string) (rows string, kind Kind, ok bool) {
	d := x.find(typ, name)
	switch {
	case d == nil || d.Kind == Composite:
		return "", "", false
	case d.Kind == String:
		return d.Name + sortedRows, String, true
	}
	return d.Name, d.Kind, true
}

// refers reports whether a parameter finds references to stored resources.
func (d *Definition) refers() bool {
	return d.Kind == Reference && d.Element != "canonical" && slices.ContainsFunc(d.targets(), func(t string) bool { return slices.Contains(CareTypes(), t) })
}
