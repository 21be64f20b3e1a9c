package safetytest

import (
	"math/big"

	"nailbridge/mapping/record"
	"nailbridge/mapping/safety"
)

// Formulary gives a set by name: one of the product, or one that exists in
// tests only, since its figures are no regulator's or were not all read; nil
// for "".
func Formulary(name string) *safety.Formulary {
	if name == "" {
		return nil
	}
	for _, s := range testSets {
		if s.name == name {
			return s.build()
		}
	}
	f, err := safety.Load(name)
	if err != nil {
		panic(err)
	}
	return f
}

type testSet struct {
	name, source string
	tag          safety.Tag
	cap          string // kg
	fromYears    int
	limits       []testLimit
	adrenaline   *safety.AdrenalineLimit
	interval     int // minutes, of each limit
}

type testLimit struct {
	section         string
	agent           record.Code
	vasoconstrictor bool
	mgPerKg         string
	ceiling         string
}

func (s testSet) build() *safety.Formulary {
	f := &safety.Formulary{Name: s.name, Title: s.source, Issuer: s.source, Kind: "local", Adrenaline: s.adrenaline}
	if s.cap != "" {
		f.WeightCapKg = rat(s.cap)
	}
	for _, l := range s.limits {
		e := safety.Limit{Agent: l.agent, Vasoconstrictor: l.vasoconstrictor, FromYears: s.fromYears, Source: s.source, Section: l.section, Tag: s.tag, IntervalMinutes: s.interval}
		if l.mgPerKg != "" {
			e.MgPerKg = rat(l.mgPerKg)
		}
		if l.ceiling != "" {
			e.CeilingMg = rat(l.ceiling)
		}
		f.Entries = append(f.Entries, e)
	}
	return f
}

func rat(text string) *big.Rat {
	r, ok := new(big.Rat).SetString(text)
	if !ok {
		panic("not a number: " + text)
	}
	return r
}

// perPound is mg/lb as mg/kg: 1 lb = 0.45359237 kg.
func perPound(mg string) string { return new(big.Rat).Quo(rat(mg), rat("0.45359237")).String() }

// The sets of tests.
var testSets = []testSet{
	{name: "test-podiatry-dictionary", source: "podiatry dictionary, entry on maximum doses", tag: safety.TagRead, fromYears: 18, limits: []testLimit{
		{"C-8", "lidocaine", false, "3", "200"}, {"C-10", "mepivacaine", false, "6", "400"}, {"C-11", "bupivacaine", false, "2", "150"},
		{"C-12", "levobupivacaine", false, "2", "150"}, {"C-13", "prilocaine", false, "6", "400"}, {"C-14", "ropivacaine", false, "3.5", "250"}}},
	{name: "test-podiatry-slides", source: "podiatry teaching slides \"Local anaesthetic drugs\"", tag: safety.TagRead, cap: "70", fromYears: 18, limits: []testLimit{
		{"C-7", "lidocaine", false, "3", ""}, {"C-10", "mepivacaine", false, "6", ""}, {"C-7", "bupivacaine", false, "2", ""}, {"C-12", "levobupivacaine", false, "2", ""}}},
	{name: "test-practical-procedures", source: "ABC of Practical Procedures, Box 4.1", tag: safety.TagRead, fromYears: 18, limits: []testLimit{
		{"C-6", "bupivacaine", false, "2", ""}, {"C-6", "lidocaine", false, "4", ""}}},
	{name: "test-uk-teaching", source: "UK teaching table, common local anaesthetics", tag: safety.TagRead, fromYears: 18, limits: []testLimit{{"C-6", "lidocaine", false, "3", ""}}},
	{name: "test-au-dental", source: "Australian dental therapeutic table", tag: safety.TagVia, fromYears: 18, limits: []testLimit{
		{"C-9", "lidocaine", true, "4.4", "300"}, {"C-10", "mepivacaine", false, "4.4", "300"}, {"C-11", "bupivacaine", true, "1.3", "90"},
		{"C-13", "prilocaine", false, "6", "400"}, {"C-15", "articaine", true, "7", "500"}}},
	{name: "test-podiatry-uncapped", source: "podiatry teaching slides \"Local anaesthetic drugs\"", tag: safety.TagRead, fromYears: 18, limits: []testLimit{
		{"C-7", "lidocaine", false, "3", ""}, {"C-7", "bupivacaine", false, "2", ""}}},
	{name: "test-own-interval", source: "a clinic's own formulary", tag: safety.TagLocal, fromYears: 18, interval: 120, limits: []testLimit{{"1", "lidocaine", false, "3", "200"}}},
	{name: "test-articaine", source: "Malamed and PMC9379193: 7 mg/kg, no absolute ceiling in the US now", tag: safety.TagRead, fromYears: 18, limits: []testLimit{
		{"C-15", "articaine", true, "7", ""}}},
	{name: "test-canada-dental", source: "PMC9379193 Table 1, after Haas and Lennon", tag: safety.TagRead, limits: []testLimit{
		{"C-9", "lidocaine", true, "7", "500"}, {"C-10", "mepivacaine", false, "6.6", "400"}, {"C-11", "bupivacaine", true, "2", "200"},
		{"C-13", "prilocaine", false, "8", "500"}, {"C-15", "articaine", true, "7", "500"}}},
	{name: "test-us-dental", source: "Malamed, Handbook of Local Anesthesia, dose tables", tag: safety.TagVia, fromYears: 18, limits: []testLimit{
		{"C-10", "mepivacaine", false, "6.6", "400"}, {"C-13", "prilocaine", false, "8", "600"}, {"C-15", "articaine", true, "7", ""}}},
	{name: "test-us-dental-per-pound", source: "cartridge case in a dental hygiene article", tag: safety.TagRead, fromYears: 18,
		limits: []testLimit{{"C-5", "lidocaine", true, perPound("3.2"), "500"}}, adrenaline: dentalAdrenaline},
	{name: "test-us-dental-low", source: "cartridge case in a dental hygiene article", tag: safety.TagRead, fromYears: 18,
		limits: []testLimit{{"C-5", "lidocaine", true, perPound("2"), "300"}}, adrenaline: dentalAdrenaline},
	{name: "test-uk-prilocaine-child", source: "UK prilocaine 1 % SmPC, child over 6 months", tag: safety.TagVia, limits: []testLimit{{"C-13", "prilocaine", false, "5", "400"}}},
	{name: "test-aap", source: "AAP sedation table", tag: safety.TagVia, fromYears: 18, limits: []testLimit{{"C-14", "ropivacaine", false, "2", ""}}},
}

var dentalAdrenaline = &safety.AdrenalineLimit{Ug: rat("200"), CardiacUg: rat("40"), Source: "dental flashcards after Malamed", Section: "C-5", Tag: safety.TagVia}
