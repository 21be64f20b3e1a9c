package terms

import (
	"bytes"
	"crypto/sha256"
	_ "embed"
	"encoding/hex"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"
	"time"

	"nailbridge/mapping/record"
)

// Confirmed names the file by which a deployment confirmed codes (D7.2).
type Confirmed struct {
	File   string // its name, without a path
	SHA256 string // of its bytes, hexadecimal
}

// String is the file as Provenance names it.
func (c Confirmed) String() string { return c.File + ", SHA-256 " + c.SHA256 }

//go:embed confirmed.schema.json
var confirmedSchema []byte

// ConfirmedSchema is the JSON Schema (2020-12) of a file of confirmed codes. What
// it cannot say, Confirm checks besides: that the table lists the code, with
// that display, and the list the local code, that the code fits the element, and
// that nothing is confirmed twice.
func ConfirmedSchema() []byte { return bytes.Clone(confirmedSchema) }

// The types of a file of confirmed codes.
type (
	confirmedFile struct {
		Codes []confirmedCode `json:"codes"`
	}
	confirmedCode struct {
		Code        string `json:"code"`
		Display     string `json:"display"`
		Edition     string `json:"edition"`
		Date        string `json:"date"`
		ConfirmedBy string `json:"confirmedBy"`
		List        string `json:"list"`
		Local       string `json:"local"`
		Equivalence string `json:"equivalence"`
	}
)

// Confirmed names the file of confirmed codes; nil when there is none.
func (t *Terms) Confirmed() *Confirmed { return t.confirmed }

// Confirm gives the code maps with the codes that a deployment confirmed from
// its licensed release of SNOMED CT (D7.2): each stands for its local code
// before what the map says. A row confirms a code of the table of terminology
// that may not leave by itself, and it needs an affiliate licence then. path
// is where the file came from; only its last part is kept. Every fault is
// reported at once, each with its place as an RFC 6901 pointer.
func (t *Terms) Confirm(path string, b []byte) (*Terms, error) {
	var file confirmedFile
	errs := record.DecodeStrict(b, &file)
	if len(file.Codes) == 0 && len(errs) == 0 {
		errs = append(errs, errors.New("/codes: required"))
	}
	sum := sha256.Sum256(b)
	out := t.clone(Confirmed{path[strings.LastIndexAny(path, `/\\`)+1:], hex.EncodeToString(sum[:])})
	seen := map[string]int{}
	for i, c := range file.Codes {
		at := "/codes/" + strconv.Itoa(i)
		faults := t.confirmFaults(at, c)
		key := c.List + "#" + c.Local
		if j, twice := seen[key]; twice {
			faults = append(faults, fmt.Errorf("%s/local: confirmed at /codes/%d already", at, j))
		}
		seen[key] = i
		if errs = append(errs, faults...); len(faults) == 0 {
			out.put(c)
		}
	}
	if len(errs) > 0 {
		return nil, errors.Join(errs...)
	}
	return out, out.reindex()
}

// confirmFaults gives every fault of a row.
func (t *Terms) confirmFaults(at string, c confirmedCode) (errs []error) {
	fault := func(member, format string, args ...any) {
		errs = append(errs, fmt.Errorf(at+"/"+member+": "+format, args...))
	}
	for member, text := range map[string]string{"edition": c.Edition, "confirmedBy": c.ConfirmedBy} {
		if strings.TrimSpace(text) == "" {
			fault(member, "required")
		}
	}
	if _, err := time.Parse(time.DateOnly, c.Date); err != nil {
		fault("date", "want a date that exists, YYYY-MM-DD")
	}
	if c.Equivalence != "equivalent" && c.Equivalence != "wider" {
		fault("equivalence", "want equivalent or wider: a narrower code says more than the record")
	}
	e, known := t.confirmable[c.Code]
	if err := CheckDigit(SNOMEDCT, c.Code); err != nil {
		fault("code", "a wrong check digit")
	} else if _, leaves := t.evidence[SNOMEDCT][c.Code]; leaves {
		fault("code", "it needs no confirming")
	} else if !known {
		fault("code", "not a row of the table of terminology that may be confirmed")
	} else if c.Display != e.Display {
		fault("display", "another than the table's")
	}
	u, ok := t.uses[c.List]
	switch {
	case !ok || u.Map == "":
		fault("list", "no list of local codes with a map to others")
	case known && !slices.Contains(t.tags[u.Element], e.SemanticTag):
		fault("list", "a %s may not stand in %s", e.SemanticTag, u.Element)
	}
	if _, listed := t.index[c.List][c.Local]; ok && !listed {
		fault("local", "not a code of the list")
	}
	slices.SortFunc(errs, func(a, b error) int { return strings.Compare(a.Error(), b.Error()) })
	return errs
}

// clone is a copy of what confirming changes.
func (t *Terms) clone(c Confirmed) *Terms {
	out := *t
	out.confirmed = &c
	out.hash = t.hash + "+" + c.SHA256
	out.maps, out.index, out.evidence = maps.Clone(t.maps), maps.Clone(t.index), maps.Clone(t.evidence)
	out.evidence[SNOMEDCT] = maps.Clone(t.evidence[SNOMEDCT])
	return &out
}

// put puts a confirmed code first among the targets of its local code. A map
// that is not that of the product says so by its version.
func (t *Terms) put(c confirmedCode) {
	e := t.confirmable[c.Code]
	e.Evidence = "confirmed from " + c.Edition + " on " + c.Date
	t.evidence[SNOMEDCT][c.Code] = e
	u := t.uses[c.List]
	source := t.systems[u.Source].URL
	was := t.maps[u.Map]
	m := *was
	m.Version, _, _ = strings.Cut(was.Version, "+")
	m.Version += "+" + t.confirmed.SHA256[:12]
	m.Group = slices.Clone(was.Group)
	i := slices.IndexFunc(m.Group, func(g mapGroup) bool { return g.Source == source && g.Target == SNOMEDCT })
	if i < 0 {
		i, m.Group = len(m.Group), append(m.Group, mapGroup{Source: source, Target: SNOMEDCT})
	}
	local := t.index[c.List][c.Local].local
	target := mapTarget{c.Code, e.Display, c.Equivalence, "Confirmed by the deployment from " + c.Edition + ", " + c.Date + "."}
	elements := slices.Clone(m.Group[i].Element)
	if j := slices.IndexFunc(elements, func(x mapElement) bool { return x.Code == c.Local }); j >= 0 {
		elements[j].Target = append([]mapTarget{target}, elements[j].Target...)
	} else {
		elements = append(elements, mapElement{c.Local, local.Display, []mapTarget{target}})
	}
	m.Group[i].Element = elements
	t.maps[u.Map] = &m
}

// reindex reads the changed maps as Load does, with its checks.
func (t *Terms) reindex() error {
	for _, u := range t.uses {
		if err := t.indexUse(u); err != nil {
			return err
		}
	}
	for id, m := range t.maps {
		if err := t.checkMap(m, id); err != nil {
			return err
		}
	}
	return nil
}
