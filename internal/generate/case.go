package generate

import (
	"fmt"
	"hash/fnv"
	"math/rand/v2"
	"reflect"
	"slices"
	"strings"
	"time"

	"nailbridge/mapping/record"
)

// saved is one delivery with the instant at which it was saved.
type saved struct {
	*record.Record
	at time.Time
}

// makeCase makes every delivery of the case, in the order of saving.
func (m *maker) makeCase() []*record.Record {
	sitting := m.at
	surgery := m.surgeryRecord()
	visits := m.visitRecords(surgery)
	var all []saved
	if !m.scenario.orphan || len(visits) == 0 {
		all = m.history(surgery)
	}
	for _, v := range visits {
		all = append(all, m.history(v)...)
	}
	slices.SortStableFunc(all, func(a, b saved) int { return a.at.Compare(b.at) })
	m.state(all)
	if m.scenario.dies {
		m.die(all, sitting)
	}
	all = append(all, m.mergeRecords(all)...)
	out := make([]*record.Record, len(all))
	for i, s := range all {
		out[i] = s.Record
	}
	return out
}

// newRecord makes a record with its header; the caller adds the tree.
func (m *maker) newRecord(kind record.Code) *record.Record {
	r := &record.Record{}
	m.fill(reflect.ValueOf(r).Elem(), "")
	r.SchemaVersion = keep(r.SchemaVersion, record.SchemaVersion)
	r.Clinic, r.Record, r.Kind, r.Status = m.o.Clinic, m.id(strings.ToUpper(string(kind[:1]))), kind, "final"
	r.Historical = m.scenario.historical
	if r.Author.Key() == "" || r.Author.StaffKey == "" && r.Author.Registration.System == "" {
		author := staff[0]
		r.Author = &author
	}
	if r.Historical {
		convert(r)
	}
	r.Patient = m.mention()
	return r
}

// convert says where an old record was converted from, as a run over a file does,
// whether its plan is followed, and that nobody knows who wrote it. It is drawn by
// the record's id, and moves no other draw.
func convert(r *record.Record) {
	sum := fnv.New64a()
	sum.Write([]byte(r.Record))
	own := rand.New(rand.NewPCG(sum.Sum64(), 0))
	r.Followed = own.IntN(5) == 0
	if own.IntN(4) == 0 {
		r.Author = nil
	}
	if own.IntN(2) == 0 {
		return
	}
	r.Converted = &record.Converted{}
	c, row := r.Converted, int64(2+own.IntN(5000))
	if own.IntN(8) > 0 {
		c.File = "surgeries.csv"
	}
	if own.IntN(8) > 0 {
		c.Row = &row
	}
	if own.IntN(8) > 0 {
		c.Layout = "surgeries.layout.json 1"
	}
	if own.IntN(3) == 0 || c.File == "" && c.Row == nil && c.Layout == "" {
		c.DecidedBy = []string{"A. Quill", "B. Moss"}[:1+own.IntN(2)]
	}
}

// mention is the patient as one record states it: the number, and what else the
// form had.
func (m *maker) mention() *record.Patient {
	p := *m.patient
	if m.chance(0.4) {
		seen := m.newPatient(0)
		drop := reflect.ValueOf(seen).Elem()
		mine := reflect.ValueOf(&p).Elem()
		for i := range mine.NumField() {
			if drop.Field(i).IsZero() && mine.Type().Field(i).Name != "Identifier" {
				mine.Field(i).SetZero()
			}
		}
	}
	if m.chance(0.1) {
		p.Phone = keep(p.Phone, fmt.Sprintf("01632 960%03d", m.IntN(1000)))
	}
	return &p
}

// newPatient invents a patient with a number.
func (m *maker) newPatient(number int) *record.Patient {
	p := &record.Patient{}
	m.fill(reflect.ValueOf(p).Elem(), "/patient")
	p.Identifier = m.number(number)
	return p
}

// history makes the deliveries of one record id out of its first final content:
// drafts, amendments, withdrawals, repeats, and two contents under one revision.
func (m *maker) history(first *record.Record) []saved {
	at := m.at.Add(time.Duration(20+m.IntN(300)) * time.Minute)
	if visitTime, ok := whenOf(first); ok {
		at = visitTime.Add(time.Duration(20+m.IntN(300)) * time.Minute)
	}
	if m.chance(0.08) { // written up days later
		at = at.Add(time.Duration(1+m.IntN(40)) * day)
	}
	revision := int64(m.IntN(2))
	var out []saved
	save := func(r *record.Record, status record.Code) {
		r.Status = status
		m.stamp(r, at, revision)
		out = append(out, saved{r, at})
		at = at.Add(time.Duration(1+m.IntN(5000)) * time.Minute)
		revision++
	}
	if m.chance(0.12) {
		draft := clone(first)
		m.change(draft)
		save(draft, "draft")
	}
	save(first, "final")
	last := first
	for m.chance(0.22) && len(out) < 4 {
		last = clone(last)
		m.change(last)
		if m.chance(0.15) {
			revision-- // the sender forgot to count
		}
		save(last, "amended")
	}
	if m.scenario.moves && (first.Kind == "surgery" || m.chance(0.5)) {
		last = clone(last)
		last.Patient = m.newPatient(m.o.Number + 500000)
		save(last, "amended")
	}
	switch {
	case m.chance(0.07):
		save(clone(last), "withdrawn")
		if m.chance(0.3) {
			save(clone(last), "final")
		}
	case m.chance(0.06):
		draft := clone(last)
		m.change(draft)
		save(draft, "draft")
	case m.chance(0.08): // the same content once more
		revision--
		save(clone(last), last.Status)
	}
	return out
}

// stamp writes revision and saved-at as the sender does; one of them is there
// (D2.1).
func (m *maker) stamp(r *record.Record, at time.Time, revision int64) {
	r.Revision, r.SavedAt = &revision, ptr(m.savedAt(at))
	switch m.scenario.counter {
	case uncounted:
		r.Revision = nil
	case mixed:
		if m.chance(0.4) {
			r.Revision = nil
		}
	default:
		if m.chance(0.06) {
			r.SavedAt = nil
		}
	}
}

// savedAt is mostly to the second with an offset.
func (m *maker) savedAt(at time.Time) record.When {
	if m.chance(0.1) {
		return m.when(at, false)
	}
	return parse(at.In(m.o.Zone).Format(time.RFC3339))
}

// state lets the records state the patient's word on sharing one after another.
func (m *maker) state(all []saved) {
	words := m.scenario.sharing
	for i, s := range all {
		s.Sharing = words[min(i*len(words)/max(1, len(all)), len(words)-1)]
	}
}

// die puts a date of death on the records saved last.
func (m *maker) die(all []saved, sitting time.Time) {
	if len(all) == 0 {
		return
	}
	death := ptr(m.date(sitting.Add(time.Duration(2+m.IntN(90))*day), true))
	for _, s := range all[len(all)-1-m.IntN(min(2, len(all))):] {
		s.Patient.DeathDate = death
	}
}

// clone copies a record without shared memory.
func clone(r *record.Record) *record.Record {
	b, err := record.Encode(r)
	if err != nil {
		panic(fmt.Sprintf("generate: %v", err))
	}
	return record.Decode(b).Record
}

// whenOf is when what the record tells of took place, to the day at least.
func whenOf(r *record.Record) (time.Time, bool) {
	var w *record.When
	switch {
	case r.Surgery != nil:
		w = r.Surgery.Start
	case r.Review != nil:
		w = r.Review.At
	case r.Contact != nil:
		w = r.Contact.At
	}
	if w == nil || w.Partial() {
		return time.Time{}, false
	}
	t, _ := w.In(time.UTC)
	return t, true
}

// leaf is one value of a record that can be drawn again.
type leaf struct {
	value reflect.Value
	path  string
	rule  rule
}

// change draws one to three values of a record's tree again, or takes them
// away; what says which surgery or toe it is about is seldom touched.
func (m *maker) change(r *record.Record) {
	if t, ok := whenOf(r); ok {
		m.at = t
	}
	if s := r.Surgery; s != nil && s.Start != nil && m.chance(0.2) { // the wrong day
		s.Start = ptr(m.when(m.at.AddDate(0, 0, 1+m.IntN(3)), false))
	}
	var all []leaf
	leaves(reflect.ValueOf(r).Elem().FieldByName(strings.ToUpper(string(r.Kind[:1]))+string(r.Kind[1:])), "/"+string(r.Kind), rule{}, &all)
	for range 1 + m.IntN(3) {
		l := pick(m, all)
		p := places()[l.path]
		fixed := p.Type == record.IDPath || p.Identifies
		switch {
		case fixed && (!strings.HasSuffix(l.path, "/side") && !strings.HasSuffix(l.path, "/digit") || !m.chance(0.3)):
		case p.Identifies || !m.chance(0.2):
			m.value(l.value, l.path, l.rule)
		case !strings.HasSuffix(l.path, "/*"):
			l.value.SetZero()
		}
	}
}

// leaves lists the values under v that are there.
func leaves(v reflect.Value, path string, r rule, out *[]leaf) {
	p := places()[path]
	switch {
	case v.IsZero():
	case p.Type == record.ObjectPath:
		if v.Kind() == reflect.Pointer {
			v = v.Elem()
		}
		for i := range v.NumField() {
			name, _, _ := strings.Cut(v.Type().Field(i).Tag.Get("json"), ",")
			leaves(v.Field(i), path+"/"+name, rules[v.Type().Name()+"."+name], out)
		}
	case p.Type == record.ListPath:
		for i := range v.Len() {
			leaves(v.Index(i), path+"/*", r, out)
		}
	default:
		*out = append(*out, leaf{v, path, r})
	}
}
