package safety

import (
	"bytes"
	_ "embed"
	"errors"
	"fmt"
	"math/big"
	"regexp"
	"strings"
	"time"

	"nailbridge/mapping/record"
)

// FormularySchemaID is the $id of the JSON Schema of a formulary file.
const FormularySchemaID = "https://nailbridge.example/schema/formulary-1.json"

//go:embed formulary.schema.json
var formularySchema []byte

// FormularySchema is the JSON Schema (2020-12) of a clinic's own formulary file.
// What it cannot say, Parse checks besides: that age bands neither overlap nor
// run backwards, and that a date exists.
func FormularySchema() []byte { return bytes.Clone(formularySchema) }

// The types of a formulary file. Figures are decimal text, so that none passes
// through floating point.
type (
	fileSet struct {
		Name         string          `json:"name"`
		Title        string          `json:"title"`
		Issuer       string          `json:"issuer"`
		Kind         string          `json:"kind"`
		Jurisdiction string          `json:"jurisdiction"`
		Route        string          `json:"route"`
		Population   string          `json:"population"`
		ReadIn       string          `json:"readIn"`
		Date         string          `json:"date"`
		DateNote     string          `json:"dateNote"`
		ApprovedBy   string          `json:"approvedBy"`
		WeightCapKg  string          `json:"weightCapKg"`
		Entries      []fileLimit     `json:"entries"`
		Ages         []fileAge       `json:"ages"`
		Adrenaline   *fileAdrenaline `json:"adrenaline"`
	}
	fileLimit struct {
		Agent           string `json:"agent"`
		Vasoconstrictor *bool  `json:"vasoconstrictor"`
		FromYears       *int64 `json:"fromYears"`
		ToYears         *int64 `json:"toYears"`
		MgPerKg         string `json:"mgPerKg"`
		CeilingMg       string `json:"ceilingMg"`
		WithinHours     *int64 `json:"withinHours"`
		Per24hMg        string `json:"per24hMg"`
		IntervalMinutes *int64 `json:"intervalMinutes"`
		Note            string `json:"note"`
		Source          string `json:"source"`
		Section         string `json:"section"`
		Tag             string `json:"tag"`
	}
	fileAge struct {
		Agent     string `json:"agent"`
		FromYears *int64 `json:"fromYears"`
		Source    string `json:"source"`
		Section   string `json:"section"`
		Tag       string `json:"tag"`
	}
	fileAdrenaline struct {
		Ug        string `json:"ug"`
		CardiacUg string `json:"cardiacUg"`
		Source    string `json:"source"`
		Section   string `json:"section"`
		Tag       string `json:"tag"`
	}
)

// Parse reads a formulary file of a clinic's own. It is strict: unknown members
// and members given twice, figures that are not positive decimals, overlapping
// age bands, sources tagged other than "read" or "local", and a file that says
// neither its date nor who approved it are errors, all reported at once, each
// with its place as an RFC 6901 pointer.
func Parse(b []byte) (*Formulary, error) { return parse(b, false) }

// parse reads a file of the product or of a clinic.
func parse(b []byte, product bool) (*Formulary, error) {
	p := &parser{product: product}
	var s fileSet
	p.errs = record.DecodeStrict(b, &s)
	if len(s.Entries) == 0 && s.Name == "" && len(p.errs) > 0 {
		return nil, errors.Join(p.errs...) // nothing could be read that could be checked
	}
	f := p.set(s)
	if len(p.errs) > 0 {
		return nil, errors.Join(p.errs...)
	}
	return f, nil
}

// parser gathers every fault of a file.
type parser struct {
	product bool
	errs    []error
}

func (p *parser) errorf(at, format string, args ...any) {
	p.errs = append(p.errs, fmt.Errorf("%s: %s", at, fmt.Sprintf(format, args...)))
}

func (p *parser) required(at, text string) {
	if strings.TrimSpace(text) == "" {
		p.errorf(at, "required")
	}
}

var (
	kebab   = regexp.MustCompile(`^[a-z0-9]+(-[a-z0-9]+)*$`)
	country = regexp.MustCompile(`^[A-Z]{2}$`)
	decimal = regexp.MustCompile(`^[0-9]{1,6}(\.[0-9]{1,6})?$`)
)

func (p *parser) set(s fileSet) *Formulary {
	f := &Formulary{Name: s.Name, Title: s.Title, Issuer: s.Issuer, Kind: s.Kind, Jurisdiction: s.Jurisdiction, Route: s.Route,
		Population: s.Population, ReadIn: s.ReadIn, Date: s.Date, DateNote: s.DateNote, ApprovedBy: s.ApprovedBy}
	p.head(s)
	f.WeightCapKg = p.figure("/weightCapKg", s.WeightCapKg)
	if len(s.Entries) == 0 {
		p.errorf("/entries", "none")
	}
	for i, e := range s.Entries {
		f.Entries = append(f.Entries, p.limit(fmt.Sprintf("/entries/%d", i), e))
	}
	for i, a := range s.Ages {
		at := fmt.Sprintf("/ages/%d", i)
		p.source(at, a.Source, a.Section, a.Tag)
		f.Ages = append(f.Ages, AgeRule{Agent: p.agent(at, a.Agent), FromYears: p.years(at+"/fromYears", a.FromYears),
			Source: a.Source, Section: a.Section, Tag: Tag(a.Tag)})
	}
	if a := s.Adrenaline; a != nil {
		p.source("/adrenaline", a.Source, a.Section, a.Tag)
		p.required("/adrenaline/ug", a.Ug)
		f.Adrenaline = &AdrenalineLimit{Ug: p.figure("/adrenaline/ug", a.Ug), CardiacUg: p.figure("/adrenaline/cardiacUg", a.CardiacUg),
			Source: a.Source, Section: a.Section, Tag: Tag(a.Tag)}
	}
	p.overlaps(f.Entries)
	return f
}

// head checks what the file says of itself. A clinic's own file says its date
// and who approved it; a file of the product where, for whom and by which route
// its source holds, and of which date it is or that none is known.
func (p *parser) head(s fileSet) {
	if !kebab.MatchString(s.Name) {
		p.errorf("/name", "%q is not kebab-case", s.Name)
	}
	p.required("/title", s.Title)
	p.required("/issuer", s.Issuer)
	if s.Kind != "regulator" && s.Kind != "guideline" && s.Kind != "local" {
		p.errorf("/kind", "%q is not regulator, guideline or local", s.Kind)
	}
	if s.Jurisdiction != "" && !country.MatchString(s.Jurisdiction) {
		p.errorf("/jurisdiction", "%q is not two capital letters of ISO 3166-1", s.Jurisdiction)
	}
	if s.Date != "" && !dated(s.Date) {
		p.errorf("/date", "%q is not YYYY, YYYY-MM or YYYY-MM-DD", s.Date)
	}
	if !p.product {
		p.required("/date", s.Date)
		p.required("/approvedBy", s.ApprovedBy)
		return
	}
	p.required("/jurisdiction", s.Jurisdiction)
	p.required("/route", s.Route)
	p.required("/population", s.Population)
	p.required("/readIn", s.ReadIn)
	if (s.Date == "") == (s.DateNote == "") {
		p.errorf("/date", "either a date, or in dateNote why none is known")
	}
	if s.ApprovedBy != "" {
		p.errorf("/approvedBy", "nobody at a clinic approved a set of the product")
	}
}

func dated(text string) bool {
	for _, layout := range []string{"2006", "2006-01", time.DateOnly} {
		if _, err := time.Parse(layout, text); err == nil {
			return true
		}
	}
	return false
}

func (p *parser) limit(at string, e fileLimit) Limit {
	p.source(at, e.Source, e.Section, e.Tag)
	l := Limit{Agent: p.agent(at, e.Agent), Note: e.Note, Source: e.Source, Section: e.Section, Tag: Tag(e.Tag),
		MgPerKg: p.figure(at+"/mgPerKg", e.MgPerKg), CeilingMg: p.figure(at+"/ceilingMg", e.CeilingMg), Per24hMg: p.figure(at+"/per24hMg", e.Per24hMg)}
	if e.Vasoconstrictor == nil {
		p.errorf(at+"/vasoconstrictor", "required")
	} else {
		l.Vasoconstrictor = *e.Vasoconstrictor
	}
	l.FromYears = p.years(at+"/fromYears", e.FromYears)
	if e.ToYears != nil {
		to := p.years(at+"/toYears", e.ToYears)
		l.ToYears = &to
		if to <= l.FromYears {
			p.errorf(at+"/toYears", "not after fromYears")
		}
	}
	l.WithinHours = p.whole(at+"/withinHours", e.WithinHours, 24)
	l.IntervalMinutes = p.whole(at+"/intervalMinutes", e.IntervalMinutes, 24*60)
	if e.MgPerKg == "" && e.CeilingMg == "" {
		if e.Per24hMg == "" {
			p.errorf(at, "none of mgPerKg, ceilingMg and per24hMg")
		}
		if e.WithinHours != nil {
			p.errorf(at+"/withinHours", "neither mgPerKg nor ceilingMg, to which it belongs")
		}
	}
	return l
}

func (p *parser) years(at string, y *int64) int {
	if y == nil || *y < 0 || *y > 150 {
		p.errorf(at, "required, completed years from 0 to 150")
		return 0
	}
	return int(*y)
}

// whole reads a whole number from 1 to most that may be absent.
func (p *parser) whole(at string, n *int64, most int64) int {
	switch {
	case n == nil:
		return 0
	case *n < 1 || *n > most:
		p.errorf(at, "not from 1 to %d", most)
		return 0
	}
	return int(*n)
}

func (p *parser) agent(at, code string) record.Code {
	if !record.AnaestheticSet.Has(record.Code(code)) {
		p.errorf(at+"/agent", "%q is not listed", code)
	}
	return record.Code(code)
}

func (p *parser) source(at, source, section, tag string) {
	p.required(at+"/source", source)
	p.required(at+"/section", section)
	if Tag(tag) != TagRead && (p.product || Tag(tag) != TagLocal) {
		p.errorf(at+"/tag", "%q; a file holds only figures tagged read or, a clinic's own, local", tag)
	}
}

func (p *parser) figure(at, text string) *big.Rat {
	if text == "" {
		return nil
	}
	r, ok := new(big.Rat).SetString(text)
	if !ok || !decimal.MatchString(text) || r.Sign() <= 0 {
		p.errorf(at, "%q is not a decimal greater than 0", text)
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
				p.errorf(fmt.Sprintf("/entries/%d", i), "overlaps /entries/%d", j)
			}
		}
	}
}
