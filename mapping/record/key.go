package record

import (
	"net/url"
	"strings"
)

// Key names a person within the clinic: by registration, else by the clinic's
// staff key (D5.2). It is "" when neither is given.
func (p *Person) Key() string {
	switch {
	case p == nil:
		return ""
	case p.Registration != nil && p.Registration.Value != "":
		return "registration:" + p.Registration.Key()
	case p.StaffKey != "":
		return "staff:" + p.StaffKey
	}
	return ""
}

// Key writes system and value as one text, from which ParseIdentifierKey reads
// them again; no two identifiers share one.
func (i Identifier) Key() string { return url.QueryEscape(i.System) + "|" + url.QueryEscape(i.Value) }

// ParseIdentifierKey reads what Key wrote.
func ParseIdentifierKey(s string) (Identifier, bool) {
	system, value, ok := strings.Cut(s, "|")
	if !ok {
		return Identifier{}, false
	}
	sys, err1 := url.QueryUnescape(system)
	val, err2 := url.QueryUnescape(value)
	return Identifier{System: sys, Value: val}, err1 == nil && err2 == nil
}
