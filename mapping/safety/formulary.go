package safety

import (
	"bytes"
	"embed"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math/big"
	"path"
	"regexp"
	"sort"
	"strings"

	"nailbridge/mapping/record"
)

// Formulary is one set of dose limits: of one regulator or one guideline,
// never merged with another (C-16).
type Formulary struct {
	Name         string // kebab-case, as chosen in the settings
	Title        string // as shown beside every figure
	Issuer       string
	Kind         string // "regulator", "guideline" or "local"
	Jurisdiction string // ISO 3166-1 alpha-2, where the set belongs to a country
	// WeightCapKg, where set, is the greatest weight that the set multiplies
	// (C-7 b); nil: the weight as recorded.
	WeightCapKg *big.Rat
	Entries     []Limit
	Ages        []AgeRule
	// Adrenaline, where set, is the set's ceiling per visit (C-5).
	Adrenaline *AdrenalineLimit
}

// Limit is the limit of one agent, plain or with a vasoconstrictor, for an age
// band. One of MgPerKg and CeilingMg may be nil, never both.
type Limit struct {
	Agent           record.Code // of record.AnaestheticSet
	Vasoconstrictor bool
	FromYears       int      // ages from this, in completed years
	ToYears         *int     // up to but not including this; nil: no end
	MgPerKg         *big.Rat // mg/kg
	CeilingMg       *big.Rat // mg, absolute
	Note            string   // about the figure, shown with it
	Source          string
	Section         string // number of the clinical fact
	Tag             Tag
}

// AgeRule says that an agent is not advised under an age, in years.
type AgeRule struct {
	Agent     record.Code
	FromYears int
	Source    string
	Section   string
	Tag       Tag
}

// AdrenalineLimit is a set's ceiling of adrenaline per visit, in ug.
type AdrenalineLimit struct {
	Ug        *big.Rat
	CardiacUg *big.Rat // with significant cardiac disease; nil: Ug
	Source    string
	Section   string
	Tag       Tag
}

//go:embed formulary/*.json
var files embed.FS

// Names lists the sets of the product, sorted.
func Names() []string {
	found, err := fs.Glob(files, "formulary/*.json")
	if err != nil {
		return nil
	}
	for i, f := range found {
		found[i] = strings.TrimSuffix(path.Base(f), ".json")
	}
	sort.Strings(found)
	return found
}

// Load gives a set of the product by name. There is no default set.
func Load(name string) (*Formulary, error) {
	for _, n := range Names() {
		if n != name {
			continue
		}
		b, err := files.ReadFile("formulary/" + n + ".json")
		if err != nil {
			return nil, fmt.Errorf("formulary %s: %w", n, err)
		}
		f, err := Parse(b)
		if err != nil {
			return nil, fmt.Errorf("formulary %s: %w", n, err)
		}
		if f.Name != n {
			return nil, fmt.Errorf("formulary %s: the file names the set %q", n, f.Name)
		}
		return f, nil
	}
	return nil, fmt.Errorf("no formulary named %q; the sets are %s", name, strings.Join(Names(), ", "))
}

type fileLimit struct {
	Agent           string `json:"agent"`
	Vasoconstrictor *bool  `json:"vasoconstrictor"`
	FromYears       *int   `json:"fromYears"`
	ToYears         *int   `json:"toYears"`
	MgPerKg         string `json:"mgPerKg"`
	CeilingMg       string `json:"ceilingMg"`
	Note            string `json:"note"`
	fileSource
}

type fileSource struct {
	Source  string `json:"source"`
	Section string `json:"section"`
	Tag     Tag    `json:"tag"`
}

type fileSet struct {
	Name         string      `json:"name"`
	Title        string      `json:"title"`
	Issuer       string      `json:"issuer"`
	Kind         string      `json:"kind"`
	Jurisdiction string      `json:"jurisdiction"`
	WeightCapKg  string      `json:"weightCapKg"`
	Entries      []fileLimit `json:"entries"`
	Ages         []struct {
		Agent     string `json:"agent"`
		FromYears *int   `json:"fromYears"`
		fileSource
	} `json:"ages"`
	Adrenaline *struct {
		Ug        string `json:"ug"`
		CardiacUg string `json:"cardiacUg"`
		fileSource
	} `json:"adrenaline"`
}

// Parse reads a formulary file, the clinic's own included. It is strict:
// unknown members, figures that are not positive decimals, overlapping age
// bands, and sources tagged other than "read" or "local" are errors, all
// reported at once.
func Parse(b []byte) (*Formulary, error) {
	if err := checkMembers(b); err != nil {
		return nil, err
	}
	dec := json.NewDecoder(bytes.NewReader(b))
	dec.DisallowUnknownFields()
	var s fileSet
	if err := dec.Decode(&s); err != nil {
		return nil, err
	}
	if _, err := dec.Token(); !errors.Is(err, io.EOF) {
		return nil, errors.New("trailing data after the set")
	}
	p := &parser{}
	f := p.set(s)
	if len(p.errs) > 0 {
		return nil, errors.Join(p.errs...)
	}
	return f, nil
}

// checkMembers refuses what encoding/json takes silently: a member given twice
// in one object, also in another case.
func checkMembers(b []byte) error {
	dec := json.NewDecoder(bytes.NewReader(b))
	var open []map[string]bool // nil: an array
	key := false               // the next string is a member name
	for {
		t, err := dec.Token()
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return err
		}
		name, isString := t.(string)
		if key && isString {
			if name != exactMember(name) || open[len(open)-1][name] {
				return fmt.Errorf("member %q is unknown or given twice", name)
			}
			open[len(open)-1][name] = true
			key = false
			continue
		}
		switch t {
		case json.Delim('{'):
			open = append(open, map[string]bool{})
		case json.Delim('['):
			open = append(open, nil)
		case json.Delim('}'), json.Delim(']'):
			open = open[:len(open)-1]
		}
		key = len(open) > 0 && open[len(open)-1] != nil
	}
}

// exactMember gives the member of the file format that name spells, or "".
func exactMember(name string) string {
	for _, m := range []string{"name", "title", "issuer", "kind", "jurisdiction", "weightCapKg", "entries", "ages", "adrenaline",
		"agent", "vasoconstrictor", "fromYears", "toYears", "mgPerKg", "ceilingMg", "note", "source", "section", "tag", "ug", "cardiacUg"} {
		if m == name {
			return m
		}
	}
	return ""
}

type parser struct{ errs []error }

func (p *parser) errorf(format string, args ...any) {
	p.errs = append(p.errs, fmt.Errorf(format, args...))
}

var (
	kebab   = regexp.MustCompile(`^[a-z0-9]+(-[a-z0-9]+)*$`)
	decimal = regexp.MustCompile(`^[0-9]{1,6}(\.[0-9]{1,6})?$`)
)

func (p *parser) set(s fileSet) *Formulary {
	f := &Formulary{Name: s.Name, Title: s.Title, Issuer: s.Issuer, Kind: s.Kind, Jurisdiction: s.Jurisdiction}
	if !kebab.MatchString(s.Name) {
		p.errorf("name: %q is not kebab-case", s.Name)
	}
	if s.Title == "" || s.Issuer == "" {
		p.errorf("title and issuer are required")
	}
	if s.Kind != "regulator" && s.Kind != "guideline" && s.Kind != "local" {
		p.errorf("kind: %q is not regulator, guideline or local", s.Kind)
	}
	f.WeightCapKg = p.figure("weightCapKg", s.WeightCapKg)
	if len(s.Entries) == 0 {
		p.errorf("entries: none")
	}
	for i, e := range s.Entries {
		f.Entries = append(f.Entries, p.limit(fmt.Sprintf("entries/%d", i), e))
	}
	for i, a := range s.Ages {
		at := fmt.Sprintf("ages/%d", i)
		p.source(at, a.fileSource)
		r := AgeRule{Agent: p.agent(at, a.Agent), Source: a.Source, Section: a.Section, Tag: a.Tag}
		r.FromYears = p.years(at+"/fromYears", a.FromYears)
		f.Ages = append(f.Ages, r)
	}
	if a := s.Adrenaline; a != nil {
		p.source("adrenaline", a.fileSource)
		f.Adrenaline = &AdrenalineLimit{Ug: p.figure("adrenaline/ug", a.Ug), CardiacUg: p.figure("adrenaline/cardiacUg", a.CardiacUg),
			Source: a.Source, Section: a.Section, Tag: a.Tag}
		if f.Adrenaline.Ug == nil {
			p.errorf("adrenaline/ug: required")
		}
	}
	p.overlaps(f.Entries)
	return f
}

func (p *parser) limit(at string, e fileLimit) Limit {
	p.source(at, e.fileSource)
	l := Limit{Agent: p.agent(at, e.Agent), ToYears: e.ToYears, Note: e.Note,
		Source: e.Source, Section: e.Section, Tag: e.Tag,
		MgPerKg: p.figure(at+"/mgPerKg", e.MgPerKg), CeilingMg: p.figure(at+"/ceilingMg", e.CeilingMg)}
	if e.Vasoconstrictor == nil {
		p.errorf("%s/vasoconstrictor: required", at)
	} else {
		l.Vasoconstrictor = *e.Vasoconstrictor
	}
	l.FromYears = p.years(at+"/fromYears", e.FromYears)
	if e.ToYears != nil && *e.ToYears <= l.FromYears {
		p.errorf("%s/toYears: not after fromYears", at)
	}
	if l.MgPerKg == nil && l.CeilingMg == nil {
		p.errorf("%s: neither mgPerKg nor ceilingMg", at)
	}
	return l
}

func (p *parser) years(at string, y *int) int {
	if y == nil || *y < 0 || *y > 150 {
		p.errorf("%s: required, completed years from 0 to 150", at)
		return 0
	}
	return *y
}

func (p *parser) agent(at, code string) record.Code {
	if !record.AnaestheticSet.Has(record.Code(code)) {
		p.errorf("%s/agent: %q is not listed", at, code)
	}
	return record.Code(code)
}

func (p *parser) source(at string, s fileSource) {
	if s.Source == "" || s.Section == "" {
		p.errorf("%s: source and section are required", at)
	}
	if s.Tag != TagRead && s.Tag != TagLocal {
		p.errorf("%s/tag: %q; a file holds only figures tagged read or local", at, s.Tag)
	}
}

func (p *parser) figure(at, text string) *big.Rat {
	if text == "" {
		return nil
	}
	r, ok := new(big.Rat).SetString(text)
	if !ok || !decimal.MatchString(text) || r.Sign() <= 0 {
		p.errorf("%s: %q is not a decimal greater than 0", at, text)
		return nil
	}
	return r
}

// overlaps finds two limits for one agent, kind and age.
func (p *parser) overlaps(ls []Limit) {
	for i, a := range ls {
		for j, b := range ls[:i] {
			if a.Agent == b.Agent && a.Vasoconstrictor == b.Vasoconstrictor &&
				(a.ToYears == nil || b.FromYears < *a.ToYears) && (b.ToYears == nil || a.FromYears < *b.ToYears) {
				p.errorf("entries/%d: overlaps entries/%d", i, j)
			}
		}
	}
}

// find gives the limit for an agent, kind and age. An age under the youngest
// band gives that band with child true: a child's limit is never derived from
// it, yet a dose over it is over any (C-21). A nil age takes the oldest band.
func (f *Formulary) find(agent record.Code, vasoconstrictor bool, age *int) (l *Limit, child bool) {
	for i := range f.Entries {
		e := &f.Entries[i]
		switch {
		case e.Agent != agent || e.Vasoconstrictor != vasoconstrictor:
		case age == nil:
			if l == nil || e.FromYears > l.FromYears {
				l = e
			}
		case *age < e.FromYears:
			if l == nil || e.FromYears < l.FromYears {
				l, child = e, true
			}
		case e.ToYears == nil || *age < *e.ToYears:
			return e, false
		}
	}
	return l, child
}
