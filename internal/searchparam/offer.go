package searchparam

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"maps"
	"slices"
	"strings"
	"sync/atomic"
)

// Offer is what searches may use: all parameters but those that are withheld,
// since not every resource has its rows of them yet. The zero Offer withholds
// nothing; it may be used by many goroutines at once.
type Offer struct {
	withheld atomic.Pointer[map[string]bool]
	changes  atomic.Int64
}

// Withhold takes parameters, as Type.name, out of what is offered, in place of
// those that were out before.
func (o *Offer) Withhold(names []string) {
	out := make(map[string]bool, len(names))
	for _, n := range names {
		out[n] = true
	}
	o.withheld.Store(&out)
	o.changes.Add(1)
}

// Changes counts how often the offer has changed.
func (o *Offer) Changes() int64 {
	if o == nil {
		return 0
	}
	return o.changes.Load()
}

// Withholds reports whether anything is withheld.
func (o *Offer) Withholds() bool {
	if o == nil {
		return false
	}
	out := o.withheld.Load()
	return out != nil && len(*out) > 0
}

// has reports whether a parameter of a type is offered: a composite where its
// parts are, one of a search over several types where it is of each.
func (o *Offer) has(typ string, d *Definition) bool {
	if !o.Withholds() {
		return true
	}
	out := o.withheld.Load()
	types := []string{typ}
	if typ == "" {
		types = CareTypes()
	}
	for _, t := range types {
		for _, name := range append(strings.Fields(d.Parts), d.Name) {
			if (*out)[t+"."+name] {
				return false
			}
		}
	}
	return true
}

// find is the definition of a parameter that is offered, or nil.
func (x Index) find(typ, name string) *Definition {
	if d := registry[typ][name]; d != nil && x.Offer.has(typ, d) {
		return d
	}
	return nil
}

// Offers reports whether all of some parameters, as Type.name, are offered.
func (x Index) Offers(names []string) bool {
	return !slices.ContainsFunc(names, func(n string) bool {
		typ, name, _ := strings.Cut(n, ".")
		return x.find(typ, name) == nil
	})
}

// Definitions are the parameters offered for a type, sorted by name.
func (x Index) Definitions(typ string) []*Definition {
	return slices.DeleteFunc(slices.Clone(Definitions(typ)), func(d *Definition) bool { return !x.Offer.has(typ, d) })
}

// rowsVersion is to be raised when the rows of resources change though no
// definition does: they are then all made anew.
const rowsVersion = 2

// Made names what index rows rest on besides the resources: what all of them do,
// and the definition of each parameter, as Type.name.
type Made struct {
	All  string            `json:"all"`
	Each map[string]string `json:"each"`
}

// Made is what rows made now rest on.
func (x Index) Made() Made {
	out := Made{All: digest(rowsVersion, x.Base, x.zone().String()), Each: map[string]string{}}
	for _, typ := range CareTypes() {
		for _, d := range Definitions(typ) {
			if d.Name != LastUpdatedName && d.Kind != Composite { // those have no rows of their own
				out.Each[typ+"."+d.Name] = digest(d.Kind, d.Element, d.System, d.Expression)
			}
		}
	}
	return out
}

// Behind lists the parameters, as Type.name, that rows made under m do not tell
// of, or tell otherwise than now.
func (m Made) Behind(now Made) []string {
	var out []string
	for _, name := range slices.Sorted(maps.Keys(now.Each)) {
		if m.Each[name] != now.Each[name] {
			out = append(out, name)
		}
	}
	return out
}

// Still is what of m is made so now, and under the same name.
func (m Made) Still(now Made) Made {
	out := Made{All: m.All, Each: map[string]string{}}
	for name, digest := range m.Each {
		if now.Each[name] == digest {
			out.Each[name] = digest
		}
	}
	return out
}

// Digest names the whole in a few digits.
func (m Made) Digest() string { return digest(m) }

func digest(values ...any) string {
	b, err := json.Marshal(values)
	if err != nil {
		panic("searchparam: what rows rest on is no JSON")
	}
	sum := sha256.Sum256(b)
	return hex.EncodeToString(sum[:8])
}
