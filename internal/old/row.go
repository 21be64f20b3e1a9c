package old

import (
	"encoding/json"
	"slices"
	"strings"

	"nailbridge/internal/old/layout"
	"nailbridge/internal/old/table"
	"nailbridge/mapping/record"
	"nailbridge/mapping/shorthand"
)

// Result is what became of a row: Record, or the reason why there is none in Skip, or
// in Findings that reject, or in Questions that a person must answer first.
type Result struct {
	Skip     string
	RecordID string
	Surgery  string // record id of the surgery, of a review or contact
	Record   []byte // JSON of the clinic record
	Patient  record.Identifier
	SavedAt  *record.When
	Sites    []Site // of a surgery
	// Untold: a review or contact names no toe, and nobody knows its surgery, which would tell.
	Untold    bool
	Findings  []Finding
	Questions []Question
	Decided   []string // who decided something of this row
}

// Rejected reports whether the row was rejected for a reason that a mended file
// removes.
func (r Result) Rejected() bool {
	return slices.ContainsFunc(r.Findings, func(f Finding) bool { return f.Reject })
}

// Question is a line of the worksheet: what a cell may mean.
type Question struct {
	Column   string // or the group of columns
	Original string
	Reading  string
	Others   []string
	Rule     string
}

// Decision is a person's answer to a question of a row.
type Decision struct {
	Kind string // accept, correct or leave
	Text string // of correct: the words that stand for the cell
	Who  string
	// Record is the record id of the row that the person saw, and Originals its words, of
	// each line that says the same. Another row, which stands in its place since lines
	// moved in a mended file, is not decided by it.
	Record    string
	Originals []string
}

// Site is a toe and border that was treated.
type Site struct{ Side, Digit, Border record.Code }

// SitesOf are the sites that a surgery treated; none where a toe of it is not told.
func SitesOf(s record.Surgery) (out []Site) {
	for _, t := range s.Toes {
		if t.Side == "" || t.Digit == "" {
			return nil
		}
		if len(t.Borders) == 0 {
			out = append(out, Site{Side: t.Side, Digit: t.Digit})
		}
		for _, b := range t.Borders {
			out = append(out, Site{t.Side, t.Digit, b.Border})
		}
	}
	return out
}

// Row turns a row into a record. decided has the answers to its questions, by column.
func (c *Converter) Row(r table.Row, decided map[string]Decision) Result {
	if r.Broken != "" {
		return Result{Findings: []Finding{{Code: BrokenRow, Text: r.Broken, Reject: true}}}
	}
	cells, fs := c.cells(r)
	if cells == nil {
		return Result{Findings: fs}
	}
	if why := c.skipped(cells); why != "" {
		return Result{Skip: why}
	}
	if !c.own(cells) {
		return Result{Findings: append(fs, Finding{Column: c.Table.Note.Where.Column, Code: NoTable, Text: "no table of the layout takes rows of what the cell says", Reject: true})}
	}
	b := &builder{Converter: c, row: r.Number, decided: decided, doc: map[string]any{}, findings: fs, moments: map[string]layout.Moment{}}
	b.read(cells)
	b.header()
	b.texts()
	return b.result()
}

// builder builds the record of one row.
type builder struct {
	*Converter
	row       int
	decided   map[string]Decision
	doc       map[string]any
	cellText  []string
	findings  []Finding
	questions []Question
	who       []string
	moments   map[string]layout.Moment // by column, of dates and times
	words     []*wording
	named     *wording // the first that names a toe
	notes     []string
	recordID  string
	ownID     string // recordID by the row's own key
	surgery   string
	untold    bool
}

// wording is what is read as shorthand: a cell, or the cells of a group.
type wording struct {
	name   string
	title  string
	kinds  []shorthand.Kind
	text   string
	parts  []part // of text, by column
	became bool   // a date that a spreadsheet made of words is in it
}

func (b *builder) found(f Finding) { b.findings = append(b.findings, f) }

// read cleans every cell, reads dates first, for the times that need them, and
// then puts each value where the layout says.
func (b *builder) read(cells []string) {
	b.cellText = make([]string, len(cells))
	for _, i := range b.order {
		col := b.columns[i]
		if col == nil {
			continue
		}
		text, fs := col.clean(cells[i])
		b.findings = append(b.findings, fs...)
		b.cellText[i] = text
		if text == "" {
			if col.Required {
				b.found(Finding{Column: col.Name, Code: Missing, Text: "required, and empty", Reject: true})
			}
			continue
		}
		switch col.Datatype.Base {
		case "date", "datetime", "time":
			m, fs := col.moment(text)
			b.findings = append(b.findings, fs...)
			b.moments[col.Name] = m
		}
	}
	for _, i := range b.order {
		if col := b.columns[i]; col != nil && b.cellText[i] != "" {
			b.place(col, b.cellText[i])
		}
	}
}

// place puts the value of a cell where its column says.
func (b *builder) place(col *column, text string) {
	switch {
	case len(col.Note.Read) > 0:
		b.word(col, text)
	case col.Note.Path == "":
		if b.key(col, text) == "" {
			return
		}
	default:
		v, ok := b.value(col, text)
		if ok {
			b.set(col.Note.Path, v)
		} else if b.misread(col) {
			b.note(col.Titles[0], text)
		}
	}
}

// misread reports that what a cell says of the visit is no value of its column, and is
// not in the note yet: the words are kept there. What is said of the patient and by whom
// is not put among the words of a visit.
func (b *builder) misread(col *column) bool {
	if !strings.HasPrefix(col.Note.Path, "/"+string(b.Table.Note.Kind)+"/") {
		return false
	}
	return slices.ContainsFunc(b.findings, func(f Finding) bool {
		return f.Column == col.Name && slices.Contains([]string{BadNumber, BadUnit, BadDate, TwoDigitYear, NotInCrosswalk}, f.Code)
	})
}

// key is the value of a cell that is part of a key.
func (b *builder) key(col *column, text string) string {
	v, fs := col.text(text)
	if col.crosswalk != nil && v != "" {
		v = col.crosswalk[v]
	}
	for _, f := range fs {
		if !slices.Contains(b.findings, f) {
			b.found(f)
		}
	}
	return v
}

// word gathers what is read as shorthand.
func (b *builder) word(col *column, text string) {
	became := becameDate(text, col.workbook) && !slices.Contains(col.Note.Read, shorthand.Tourniquet)
	if became {
		b.found(Finding{Column: col.Name, Code: BecameDate, Text: "a date stands where the column has words; a spreadsheet made it, and what it was is lost"})
		text = col.shown(text)
	}
	w := b.wordingOf(col)
	if w.text != "" {
		w.text += " "
	}
	w.parts = append(w.parts, part{col.Name, len(w.text)})
	w.text, w.became = w.text+text, w.became || became
}

// wordingOf is the wording that a column is part of.
func (b *builder) wordingOf(col *column) *wording {
	name := b.nameOf(col)
	if i := slices.IndexFunc(b.words, func(w *wording) bool { return w.name == name }); i >= 0 {
		return b.words[i]
	}
	w := &wording{name: name, title: col.Titles[0], kinds: col.Note.Read}
	b.words = append(b.words, w)
	return w
}

func (b *builder) nameOf(col *column) string {
	if col.Note.Group != "" {
		return col.Note.Group
	}
	return col.Name
}

// value is a cell as the record has it at the column's path.
func (b *builder) value(col *column, text string) (any, bool) {
	p, _ := layout.Place(col.Note.Path)
	if col.codes != nil || p.Type == record.CodePath {
		return b.code(col, p, text)
	}
	switch p.Type {
	case record.WhenPath:
		return b.when(col)
	case record.DecimalPath, record.IntegerPath:
		s, fs := col.number(text)
		b.findings = append(b.findings, fs...)
		return json.Number(s), s != ""
	case record.BooleanPath:
		yes, no, _ := strings.Cut(col.Datatype.Format, "|")
		switch {
		case strings.EqualFold(text, yes):
			return true, true
		case strings.EqualFold(text, no):
			return nil, false
		}
		b.found(Finding{Column: col.Name, Code: NoCode, Text: "neither of the two words that the layout declares"})
		return nil, false
	}
	s, fs := col.text(text)
	b.findings = append(b.findings, fs...)
	if s != "" && col.crosswalk != nil {
		now, ok := col.crosswalk[s]
		if !ok {
			b.found(Finding{Column: col.Name, Code: NotInCrosswalk, Text: "the crosswalk does not have the value", Reject: p.Identifies})
		}
		s = now
	}
	return s, s != ""
}

// code is a value of the record's list: by the code map, or as it stands.
func (b *builder) code(col *column, p record.PathInfo, text string) (any, bool) {
	v, ok := col.codes[strings.ToLower(text)]
	if !ok && p.Set != nil && p.Set.Has(record.Code(strings.ToLower(text))) {
		v, ok = strings.ToLower(text), true
	}
	if ok && p.Set != nil && !p.Set.Has(record.Code(v)) {
		ok = false
	}
	if !ok {
		if becameDate(text, col.workbook) {
			b.found(Finding{Column: col.Name, Code: BecameDate, Text: "a date stands where the column has codes; a spreadsheet made it", Reject: p.Refuses})
			return nil, false
		}
		b.found(Finding{Column: col.Name, Code: NoCode, Text: "no value of the list " + setName(p) + " for what the cell says", Reject: p.Refuses})
		b.note(col.Titles[0], text)
	}
	return v, ok && v != ""
}

func setName(p record.PathInfo) string {
	if p.Set == nil {
		return ""
	}
	return p.Set.Name
}

// when is the moment of a column, with the date of its date column where it is a
// time alone, and with the offset of the layout's zone where it has a time.
func (b *builder) when(col *column) (any, bool) {
	m := b.moments[col.Name]
	if d := col.Note.DateColumn; d != "" {
		day := b.moments[d]
		m.Year, m.Month, m.Day = day.Year, day.Month, day.Day
		if m.Day < 0 {
			if m.Hour >= 0 {
				b.found(Finding{Column: col.Name, Code: BadDate, Text: "a time of a day that is not known"})
			}
			return nil, false
		}
	}
	return b.zoned(col.Name, m)
}

// zoned is a moment with its offset. A time that the zone has twice or not at all
// keeps its day only.
func (b *builder) zoned(name string, m layout.Moment) (any, bool) {
	if m.Year < 0 {
		return nil, false
	}
	text := m.When()
	if m.Hour < 0 {
		return text, true
	}
	w, err := record.ParseWhen(text)
	if err != nil {
		return nil, false
	}
	at, res := w.In(b.zone)
	if res == record.Ambiguous || res == record.NonExistent {
		b.found(Finding{Column: name, Code: AmbiguousTime, Text: "a local time that occurs twice or never; its day is kept"})
		m.Hour = -1
		return m.When(), true
	}
	return text + at.Format("-07:00"), true
}

func (b *builder) note(title, text string) { b.notes = append(b.notes, title+": "+text) }

// decision is what a person decided of a column, or group, that says some words.
func (b *builder) decision(column, words string) Decision {
	d, ok := b.decided[column]
	if !ok || d.Record == b.ownID && slices.ContainsFunc(d.Originals, func(o string) bool { return sameWords(o, words) }) {
		return d
	}
	if f := (Finding{Column: column, Code: OtherWords, Text: "a decision is of another row or other words, and is not applied"}); !slices.Contains(b.findings, f) {
		b.found(f)
	}
	return Decision{}
}

// sameWords reports whether a worksheet has the words of a row, but for what a
// spreadsheet does to blanks and to the look of a date.
func sameWords(a, b string) bool {
	return slices.Equal(strings.Fields(a), strings.Fields(b)) || becameDate(a, false) && becameDate(b, false)
}

func (b *builder) ask(q Question) {
	if d := b.decision(q.Column, q.Original); d.Kind == "leave" {
		b.who = append(b.who, d.Who)
		b.found(Finding{Column: q.Column, Code: LeftByDecision, Text: "left out by a person's decision",
			Reject: q.Rule == NoSite || q.Rule == NoKey})
		return
	}
	b.questions = append(b.questions, q)
}

// header sets what every record has, and the ids.
func (b *builder) header() {
	n := b.Table.Note
	b.recordID = b.id(n.RecordPrefix, b.Table.Schema.PrimaryKey)
	b.decidedKey()
	for path, v := range n.Constants {
		if p, _ := layout.Place(path); p.Type == record.BooleanPath {
			b.set(path, v == "true")
		} else {
			b.set(path, v)
		}
	}
	b.set("/schemaVersion", record.SchemaVersion)
	b.set("/clinic", n.Clinic)
	b.set("/record", b.recordID)
	b.set("/kind", string(n.Kind))
	b.set("/status", "final")
	b.set("/historical", true)
	if len(b.Table.Schema.ForeignKeys) > 0 {
		f := b.Table.Schema.ForeignKeys[0]
		b.surgery = b.id(b.SurgeryPrefix, f.ColumnReference)
		if b.surgery == "" {
			b.found(Finding{Code: Missing, Text: "the row does not say which surgery it belongs to", Reject: true})
		}
		b.set("/"+string(n.Kind)+"/surgery", b.surgery)
	}
}

// decidedKey is the key that a person wrote, of a row that has none or that has one with
// another. A row without any asks for it.
func (b *builder) decidedKey() {
	b.ownID = b.recordID
	prefix, column := b.Table.Note.RecordPrefix, strings.Join(b.Table.Schema.PrimaryKey, "+")
	if b.ownID == "" {
		b.found(Finding{Code: NoKey, Text: "the row has no stable key"})
	}
	switch d := b.decision(column, b.ownID); {
	case d.Kind == "correct":
		b.recordID, b.who = prefix+d.Text, append(b.who, d.Who)
	case b.ownID == "":
		b.ask(Question{Column: column, Rule: NoKey})
	case d.Kind == "leave":
		b.who = append(b.who, d.Who)
		b.found(Finding{Column: column, Code: LeftByDecision, Text: "left out by a person's decision", Reject: true})
	}
}

// id is a record id of the cells of some columns; "" where one is empty.
func (b *builder) id(prefix string, names []string) string {
	parts := []string{}
	for _, k := range names {
		i := b.byName[k]
		if b.columns[i] == nil || b.cellText[i] == "" {
			return ""
		}
		v := b.key(b.columns[i], b.cellText[i])
		if v == "" {
			return ""
		}
		parts = append(parts, v)
	}
	return prefix + strings.Join(parts, "-")
}

// result makes the record, with saved-at from the row's own date.
func (b *builder) result() Result {
	out := Result{RecordID: b.recordID, Surgery: b.surgery, Findings: b.findings, Questions: b.questions, Decided: slices.Compact(slices.Sorted(slices.Values(b.who)))}
	if out.Rejected() || len(out.Questions) > 0 {
		return out
	}
	if len(b.notes) > 0 {
		path := "/" + string(b.Table.Note.Kind) + "/note"
		if b.Table.Note.Kind == "contact" {
			path = "/contact/reasonText"
		}
		if own, ok := b.get(path).(string); ok {
			b.notes = append([]string{own}, b.notes...)
		}
		b.set(path, strings.Join(b.notes, "; "))
	}
	b.savedAt()
	b.followed()
	b.converted(out.Decided)
	text, err := json.Marshal(b.doc)
	if err != nil {
		out.Findings = append(out.Findings, Finding{Code: NotARecord, Text: "no record could be made", Reject: true})
		return out
	}
	out.Record = text
	d := record.Read(text, b.zone)
	if p := d.Record.Patient; p != nil && p.Identifier != nil {
		out.Patient = *p.Identifier
	}
	if d.Record.Surgery != nil {
		out.Sites = SitesOf(*d.Record.Surgery)
	}
	out.SavedAt = d.Record.SavedAt
	out.Untold = b.untold
	for _, f := range d.Findings {
		switch {
		case f.Severity == record.Refusal && f.Pointer == "/revision" && f.Code == Missing:
			out.Findings = append(out.Findings, Finding{Code: Missing, Reject: true,
				Text: "no date of the row can be read, so that nothing says when it was saved: mend it, or declare its form in the layout"})
		case f.Severity == record.Refusal:
			out.Findings = append(out.Findings, Finding{Column: f.Pointer, Code: f.Code, Text: f.Text, Reject: true})
		}
	}
	if out.Rejected() {
		out.Record = nil
	}
	return out
}

// converted says where the record comes from, for its Provenance.
func (b *builder) converted(decidedBy []string) {
	row := int64(b.row)
	b.doc["converted"] = record.Converted{File: b.File, Row: &row, Layout: b.Layout, DecidedBy: decidedBy}
}

// followed marks a surgery whose reviews are still to come. A date that is not
// whole tells that of none.
func (b *builder) followed() {
	if b.FollowSince == nil || b.Table.Note.Kind != "surgery" {
		return
	}
	for _, path := range []string{"/surgery/start", "/surgery/end"} {
		text, _ := b.get(path).(string)
		w, err := record.ParseWhen(text)
		if err != nil || w.Partial() {
			continue
		}
		at, _ := w.In(b.zone)
		if since, _ := b.FollowSince.In(b.zone); !at.Before(since) {
			b.set("/followed", true)
		}
		return
	}
}

// savedAt takes the row's own date where no column says when it was saved, as
// precise as it is: never the day of the run.
func (b *builder) savedAt() {
	if b.get("/savedAt") != nil {
		return
	}
	for _, path := range []string{"/surgery/end", "/surgery/start", "/review/at", "/contact/at"} {
		if v := b.get(path); v != nil {
			b.set("/savedAt", v)
			return
		}
	}
}
