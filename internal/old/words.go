package old

import (
	"cmp"
	"encoding/json"
	"reflect"
	"slices"
	"strconv"
	"strings"

	"nailbridge/internal/old/layout"
	"nailbridge/mapping/record"
	"nailbridge/mapping/shorthand"
)

// said is what the words of a row say, by kind: what two columns say alike once, but amounts,
// which may have been given twice.
type said map[shorthand.Kind][]shorthand.Value

func (s said) add(r shorthand.Reading) {
	amount := r.Kind == shorthand.Anaesthetic || r.Kind == shorthand.Applications
	if !amount && slices.ContainsFunc(s[r.Kind], func(v shorthand.Value) bool { return reflect.DeepEqual(v, r.Value) }) {
		return
	}
	s[r.Kind] = append(s[r.Kind], r.Value)
}

// texts reads the wordings of a row and puts what they say into the record.
func (b *builder) texts() {
	says := said{}
	b.decidedWords()
	for _, w := range b.words {
		b.wording(w, says)
	}
	if len(b.questions) > 0 {
		return
	}
	switch b.Table.Note.Kind {
	case "surgery":
		b.surgeryWords(says)
	case "review":
		b.visitWords("/review", says)
	case "contact":
		b.visitWords("/contact", says)
	}
}

// placed are the kinds that a record of each kind has a place for.
var placed = map[record.Code][]shorthand.Kind{
	"surgery": {shorthand.Site, shorthand.Border, shorthand.Procedure, shorthand.Chemical, shorthand.Percent, shorthand.Applications, shorthand.Method, shorthand.Flush,
		shorthand.Anaesthetic, shorthand.Tourniquet, shorthand.On, shorthand.Off, shorthand.Minutes, shorthand.Dressing, shorthand.Outcome},
	"review":  append([]shorthand.Kind{shorthand.Attendance}, ofVisits...),
	"contact": ofVisits,
}

// ofVisits are the kinds of what is found at a review or contact.
var ofVisits = []shorthand.Kind{shorthand.Site, shorthand.Border, shorthand.Wound, shorthand.Exudate, shorthand.Finding, shorthand.Diagnosis, shorthand.Regrowth, shorthand.Dressing, shorthand.Discharge}

// decidedWords makes room for the words that a person wrote where the row has none.
func (b *builder) decidedWords() {
	for _, col := range b.columns {
		if col != nil && len(col.Note.Read) > 0 && b.decided[b.nameOf(col)].Kind == "correct" {
			b.wordingOf(col)
		}
	}
}

// asked are the kinds of which an ambiguous reading waits for a person: those that
// identify or endanger (D2.1). What else is ambiguous stays in the note.
var asked = []shorthand.Kind{shorthand.Site, shorthand.Border, shorthand.Procedure, shorthand.Anaesthetic, shorthand.Chemical, shorthand.Percent,
	shorthand.Applications, shorthand.Tourniquet, shorthand.On, shorthand.Off, shorthand.Minutes, shorthand.Outcome}

// wording reads one wording under the decisions of people, and keeps its words in
// the note: they are the original.
func (b *builder) wording(w *wording, says said) {
	d := b.decision(w.name, w.text)
	text := w.text
	if text != "" {
		b.note(w.title, text)
	}
	switch {
	case d.Kind == "leave":
		b.who = append(b.who, d.Who)
		return
	case d.Kind == "correct":
		text = d.Text
	case w.became:
		b.questions = append(b.questions, Question{Column: w.name, Original: w.text, Rule: BecameDate})
		return
	}
	read := shorthand.Read(text, w.kinds...)
	for _, r := range read.Readings {
		if r.Certainty == shorthand.Ambiguous && d.Kind != "accept" {
			if !slices.Contains(asked, r.Kind) {
				b.found(Finding{Column: w.name, Code: NotSure, Text: "may mean several things, rule " + r.Rule + "; kept in the note"})
				continue
			}
			b.questions = append(b.questions, Question{Column: w.name, Original: w.text,
				Reading: inWords(b.Table.Note.Kind, r.Kind, r.Value), Others: othersIn(b.Table.Note.Kind, r), Rule: r.Rule})
			continue
		}
		if r.Certainty == shorthand.Likely {
			b.found(Finding{Column: w.name, Code: Likely, Text: "read by the usual meaning, rule " + r.Rule})
		}
		if !slices.Contains(placed[b.Table.Note.Kind], r.Kind) {
			b.found(Finding{Column: w.name, Code: NoPlace, Text: "a reading (" + string(r.Kind) + ") that a " + string(b.Table.Note.Kind) + " has no place for; kept in the note"})
			continue
		}
		if r.Kind == shorthand.Site && b.named == nil {
			b.named = w
		}
		says.add(r)
	}
	if d.Kind != "" {
		b.who = append(b.who, d.Who)
	}
	if n := len(read.Unread); n > 0 {
		where := "of the words of a decision"
		if d.Kind != "correct" {
			where = w.unread(text, read.Unread)
		}
		b.found(Finding{Column: w.name, Code: NotRead, Text: counted(n, "word") + " that the grammar does not know, " + where + "; kept in the note"})
	}
}

// surgeryWords puts what is said of a surgery into its toes and borders.
func (b *builder) surgeryWords(says said) {
	sites, agree := b.sites("/surgery", says)
	if !agree {
		b.found(Finding{Column: b.named.name, Code: ToWhichToe, Text: "columns and words name different toes or borders"})
		b.ask(Question{Column: b.named.name, Original: b.named.text, Rule: ToWhichToe})
		return
	}
	b.loose("/surgery", sites)
	if len(sites) == 0 && b.get("/surgery/toes") == nil {
		b.found(Finding{Code: NoSite, Text: "no column says which toe"})
		b.ask(Question{Column: b.siteColumn(), Original: b.siteText(), Rule: NoSite})
		return
	}
	toes := b.toes("/surgery", sites, says)
	b.treatment(says, sites)
	b.blocks(says, toes)
	b.tourniquets(says, toes)
	b.once(says, shorthand.Dressing, "/surgery/dressing")
	b.once(says, shorthand.Outcome, "/surgery/outcome")
}

// siteColumn is the column, or group, that says which toe.
func (b *builder) siteColumn() string {
	for _, col := range b.columns {
		if col != nil && slices.Contains(col.Note.Read, shorthand.Site) {
			return b.nameOf(col)
		}
	}
	return "toe"
}

func (b *builder) siteText() string {
	for _, w := range b.words {
		if slices.Contains(w.kinds, shorthand.Site) {
			return w.text
		}
	}
	return ""
}

// sitesOf are the sites that words say; a border said without a toe belongs to the
// only toe.
func (b *builder) sitesOf(says said) []Site {
	var out []Site
	for _, v := range says[shorthand.Site] {
		out = append(out, Site{v.Side, v.Digit, v.Border})
	}
	alone := says[shorthand.Border]
	if len(alone) == 0 {
		return out
	}
	if len(out) != 1 || out[0].Border != "" {
		b.found(Finding{Code: ToWhichToe, Text: "a border stands by itself, and it is not said of which toe"})
		b.ask(Question{Column: b.siteColumn(), Original: b.siteText(), Rule: ToWhichToe})
		return out
	}
	only := out[0]
	out = nil
	for _, v := range alone {
		out = append(out, Site{only.Side, only.Digit, v.Border})
	}
	return out
}

// toes writes the toes and borders of sites under a tree, and gives the pointers of
// the toes.
func (b *builder) toes(tree string, sites []Site, says said) []string {
	var toes []Site
	count := map[Site]int{}
	var pointers []string
	for n, s := range sites {
		toe := Site{Side: s.Side, Digit: s.Digit}
		i := slices.Index(toes, toe)
		if i < 0 {
			i = len(toes)
			toes = append(toes, toe)
			pointers = append(pointers, tree+"/toes/"+strconv.Itoa(i))
			b.set(pointers[i]+"/side", string(s.Side))
			b.set(pointers[i]+"/digit", string(s.Digit))
		}
		border := pointers[i] + "/borders/" + strconv.Itoa(count[toe])
		count[toe]++
		sites[n].Border = b.border(s.Border, says)
		switch {
		case sites[n].Border != "":
			b.set(border+"/border", string(sites[n].Border))
		case b.get(border) == nil: // else columns say something of it
			b.set(border, map[string]any{})
		}
	}
	return pointers
}

// border is the border of a site; the whole nail is what a total avulsion takes, as the
// code of SNOMED CT that it stands for says.
func (b *builder) border(border record.Code, says said) record.Code {
	ps := says[shorthand.Procedure]
	if border == "" && len(ps) == 1 && ps[0].Code == "total-avulsion" {
		return "whole"
	}
	return border
}

// eachBorder calls f with the pointer of each border of the surgery, and counts them.
func (b *builder) eachBorder(f func(pointer string)) int {
	n := 0
	b.eachBorderOf("/surgery", func(p string) { f(p); n++ })
	return n
}

// treatment writes what was done to the borders: the procedure and the agent, its
// strength and method to each, the applications to the only one.
func (b *builder) treatment(says said, sites []Site) {
	if ps := says[shorthand.Procedure]; len(ps) > 1 && len(sites) > 1 {
		b.unassigned("procedures")
		return
	}
	each := func(k shorthand.Kind, at string) {
		vs := slices.DeleteFunc(slices.Clone(says[k]), func(v shorthand.Value) bool { return v.Code == "" }) // an agent that is not told
		if len(vs) == 0 {
			return
		}
		if len(vs) > 1 {
			b.unassigned(string(k))
			return
		}
		b.eachBorder(func(p string) { b.set(p+at, string(vs[0].Code)) })
	}
	each(shorthand.Procedure, "/procedure")
	each(shorthand.Chemical, "/matrix/agent")
	each(shorthand.Method, "/matrix/method")
	each(shorthand.Flush, "/flush/agent")
	if len(says[shorthand.Chemical]) == 1 && len(says[shorthand.Method]) == 0 {
		b.eachBorder(func(p string) { b.set(p+"/matrix/method", "chemical-ablation") })
	}
	if vs := says[shorthand.Percent]; len(vs) == 1 {
		b.eachBorder(func(p string) { b.set(p+"/matrix/percent", json.Number(vs[0].Percent)) })
	}
	b.applications(says[shorthand.Applications])
}

func (b *builder) applications(vs []shorthand.Value) {
	if len(vs) == 0 {
		return
	}
	if n := b.eachBorder(func(string) {}); len(vs) > 1 || n != 1 {
		b.unassigned("applications")
		return
	}
	b.eachBorder(func(p string) {
		for i, s := range vs[0].Seconds {
			at := p + "/matrix/applications/" + strconv.Itoa(i)
			b.set(at+"/key", "a"+strconv.Itoa(i+1))
			if s != "" {
				b.set(at+"/seconds", json.Number(s))
			}
		}
	})
}

// unassigned tells that it is not said to which toe or border an amount belongs; it
// stays in the note.
func (b *builder) unassigned(what string) {
	b.found(Finding{Code: ToWhichToe, Text: "it is not said to which toe or border the " + what + " belong; kept in the note"})
}

// blocks writes the anaesthetics of the only toe.
func (b *builder) blocks(says said, toes []string) {
	vs := slices.DeleteFunc(slices.Clone(says[shorthand.Anaesthetic]), func(v shorthand.Value) bool { return v.Code == "" })
	if len(vs) < len(says[shorthand.Anaesthetic]) {
		b.found(Finding{Code: NoPlace, Text: "amounts of an anaesthetic that is not named; kept in the note"})
	}
	if len(vs) == 0 {
		return
	}
	if len(toes) != 1 {
		b.unassigned("anaesthetics")
		return
	}
	for i, v := range vs {
		at := toes[0] + "/block/agents/" + strconv.Itoa(i)
		b.set(at+"/key", "l"+strconv.Itoa(i+1))
		b.set(at+"/agent", string(v.Code))
		if v.Percent != "" {
			b.set(at+"/percent", json.Number(v.Percent))
		}
		if v.ML != "" {
			b.set(at+"/mL", json.Number(v.ML))
		}
		if v.Vasoconstrictor != "" {
			b.set(at+"/vasoconstrictor", string(v.Vasoconstrictor))
		}
		if v.Ratio != "" {
			b.set(at+"/ratio", json.Number(v.Ratio))
		}
	}
}

// tourniquets writes the tourniquet of the only toe. Minutes alone have no place: the
// record has the times.
func (b *builder) tourniquets(says said, toes []string) {
	use, on, off := says[shorthand.Tourniquet], says[shorthand.On], says[shorthand.Off]
	if len(use)+len(on)+len(off) == 0 {
		return
	}
	if len(toes) != 1 {
		b.unassigned("tourniquet times")
		return
	}
	if len(use) == 1 {
		b.set(toes[0]+"/tourniquet", string(use[0].Code))
	} else if len(on)+len(off) > 0 {
		b.set(toes[0]+"/tourniquet", "used")
	}
	for _, at := range []struct {
		vs     []shorthand.Value
		member string
	}{{on, "/on"}, {off, "/off"}} {
		if len(at.vs) != 1 {
			continue
		}
		if v, ok := b.clock(at.vs[0].Time); ok {
			b.set(toes[0]+"/tourniquets/0"+at.member, v)
		}
	}
	if len(says[shorthand.Minutes]) > 0 && len(on)+len(off) == 0 {
		b.found(Finding{Code: NoPlace, Text: "tourniquet minutes without a time on or off; kept in the note"})
	}
}

// clock is a time of the day of the surgery.
func (b *builder) clock(hhmm string) (any, bool) {
	start, _ := b.get("/surgery/start").(string)
	w, err := record.ParseWhen(start)
	if err != nil || w.Partial() {
		b.found(Finding{Code: BadDate, Text: "a tourniquet time of a day that is not known; kept in the note"})
		return nil, false
	}
	hour, _ := strconv.Atoi(hhmm[:2])
	minute, _ := strconv.Atoi(hhmm[3:])
	return b.zoned("tourniquet", layout.Moment{Year: w.Year, Month: w.Month, Day: w.Day, Hour: hour, Minute: minute, Second: -1})
}

// once writes the only value of a kind.
func (b *builder) once(says said, k shorthand.Kind, pointer string) {
	if vs := says[k]; len(vs) == 1 {
		b.set(pointer, string(vs[0].Code))
	} else if len(vs) > 1 {
		b.unassigned(string(k))
	}
}

// visitWords puts what is said at a review or contact on the toes that it names, else
// on all that its surgery treated.
func (b *builder) visitWords(tree string, says said) {
	if tree == "/review" {
		if vs := says[shorthand.Attendance]; len(vs) == 2 { // what became of this one; the other is the next
			says[shorthand.Attendance] = slices.DeleteFunc(vs, func(v shorthand.Value) bool { return v.Code == "rebooked" })
		}
		b.once(says, shorthand.Attendance, "/review/attendance")
	}
	found := []struct {
		kind   shorthand.Kind
		member string
	}{{shorthand.Wound, "woundStage"}, {shorthand.Exudate, "exudate"}, {shorthand.Regrowth, "regrowth"}, {shorthand.Dressing, "dressing"}, {shorthand.Diagnosis, "infection/diagnosis"}}
	some := len(says[shorthand.Finding]) > 0 || len(says[shorthand.Discharge]) > 0
	for _, f := range found {
		some = some || len(says[f.kind]) > 0
	}
	byPath := b.toeByPath(tree)
	if !some && (b.get(tree+"/toes") == nil || byPath && len(says[shorthand.Site]) == 0) {
		return
	}
	sites, agree := b.sites(tree, says)
	if !agree {
		b.found(Finding{Column: b.named.name, Code: ToWhichToe, Text: "columns and words name different toes or borders; what the words say is kept in the note"})
		return
	}
	if !some && byPath {
		return
	}
	// A decline counts at once (D3.1): it waits for no surgery, and has the same bytes whether that is there or not.
	declined := b.get("/sharing") == "declined"
	ofSurgery := len(sites) == 0 && !byPath && b.Surgery != nil && !declined
	if ofSurgery {
		treated, known := b.Surgery(b.surgery)
		sites, b.untold = slices.Clone(treated), !known
	}
	b.loose(tree, sites)
	if !some && b.get(tree+"/toes") == nil {
		return
	}
	if ofSurgery && len(sites) > 1 {
		b.found(Finding{Code: AllBorders, Text: "the findings name no toe or border, and are taken for all that the surgery treated"})
	}
	if len(sites) == 0 {
		text := "neither the row nor its surgery says which toe; the findings are kept in the note"
		if declined {
			text = "the row says no toe, and one that declines sharing is not given those of its surgery; the findings are kept in the note"
		}
		b.found(Finding{Code: NoSite, Text: text})
		return
	}
	b.toes(tree, sites, said{})
	b.eachBorderOf(tree, func(at string) {
		for _, f := range found {
			b.once(says, f.kind, at+"/"+f.member)
		}
		for i, v := range says[shorthand.Finding] {
			b.set(at+"/infection/findings/"+strconv.Itoa(i), string(v.Code))
		}
		for _, v := range says[shorthand.Discharge] {
			b.discharge(tree, at, v)
		}
	})
}

// sites are those that words say, else columns. Where both say some they are those of the columns
// with what the words add; agree is false where the two differ.
func (b *builder) sites(tree string, says said) (sites []Site, agree bool) {
	named := b.sitesOf(says)
	if !b.toeByPath(tree) {
		return named, true
	}
	b.closeUp(tree)
	if len(named) == 0 {
		return b.sitesByPath(tree), true
	}
	byPath, byWords := b.toesByPath(tree), byToe(named)
	if len(byPath) != len(byWords) {
		return nil, false
	}
	for _, toe := range byPath {
		both, ok := toe.with(byWords)
		if !ok {
			return nil, false
		}
		sites = append(sites, both.sites()...)
	}
	return sites, len(byToe(sites)) == len(byPath)
}

// closeUp takes out the toes and borders of which no column of the row says anything, so that those
// that are told stand where sites are written to.
func (b *builder) closeUp(tree string) {
	empty := func(v any) bool {
		m, ok := v.(map[string]any)
		return ok && len(m) == 0
	}
	toes, _ := b.get(tree + "/toes").([]any)
	toes = slices.DeleteFunc(toes, empty)
	for _, toe := range toes {
		if m, ok := toe.(map[string]any); ok && m["borders"] != nil {
			borders, _ := m["borders"].([]any)
			m["borders"] = slices.DeleteFunc(borders, empty)
		}
	}
	b.set(tree+"/toes", toes)
}

// toeSites are a toe and its borders; "" is one of which something is told, but not which it is.
type toeSites struct {
	toe     Site
	borders []record.Code
}

func (t toeSites) sites() (out []Site) {
	for _, border := range t.borders {
		out = append(out, Site{t.toe.Side, t.toe.Digit, border})
	}
	if out == nil {
		return []Site{t.toe}
	}
	return out
}

// byToe are the sites of words by their toe, with the borders that are named.
func byToe(sites []Site) (out []toeSites) {
	for _, s := range sites {
		toe := Site{Side: s.Side, Digit: s.Digit}
		i := slices.IndexFunc(out, func(t toeSites) bool { return t.toe == toe })
		if i < 0 {
			i, out = len(out), append(out, toeSites{toe: toe})
		}
		if s.Border != "" {
			out[i].borders = append(out[i].borders, s.Border)
		}
	}
	return out
}

// with is a toe of columns with what the one toe of the words that it may be adds; ok is false where
// there is none such, or where the borders differ.
func (t toeSites) with(words []toeSites) (both toeSites, ok bool) {
	like := func(a, b record.Code) bool { return a == b || a == "" || b == "" }
	words = slices.DeleteFunc(slices.Clone(words), func(w toeSites) bool { return !like(t.toe.Side, w.toe.Side) || !like(t.toe.Digit, w.toe.Digit) })
	if len(words) != 1 {
		return t, false
	}
	w := words[0]
	t.toe = Site{Side: cmp.Or(t.toe.Side, w.toe.Side), Digit: cmp.Or(t.toe.Digit, w.toe.Digit)}
	named := slices.DeleteFunc(slices.Clone(t.borders), func(border record.Code) bool { return border == "" })
	switch {
	case len(w.borders) == 0:
		return t, true
	case len(t.borders) == 0 || len(named) == 0 && len(t.borders) == 1 && len(w.borders) == 1:
		t.borders = w.borders
		return t, true
	}
	return t, slices.Equal(slices.Sorted(slices.Values(t.borders)), slices.Sorted(slices.Values(w.borders)))
}

// toeByPath reports that columns say which toe, be it the first or another.
func (b *builder) toeByPath(tree string) bool {
	toes, _ := b.get(tree + "/toes").([]any)
	return slices.ContainsFunc(toes, func(toe any) bool {
		m, _ := toe.(map[string]any)
		return m["side"] != nil || m["digit"] != nil
	})
}

// toesByPath are the toes that columns say.
func (b *builder) toesByPath(tree string) (out []toeSites) {
	toes, _ := b.get(tree + "/toes").([]any)
	for i := range toes {
		at := tree + "/toes/" + strconv.Itoa(i)
		side, _ := b.get(at + "/side").(string)
		digit, _ := b.get(at + "/digit").(string)
		t := toeSites{toe: Site{Side: record.Code(side), Digit: record.Code(digit)}}
		borders, _ := b.get(at + "/borders").([]any)
		for k := range borders {
			border, _ := b.get(at + "/borders/" + strconv.Itoa(k) + "/border").(string)
			t.borders = append(t.borders, record.Code(border))
		}
		out = append(out, t)
	}
	return out
}

// sitesByPath are the sites that columns say, and no words; none where a toe is not told, or
// stands in two places, since what words say would be written to one of them.
func (b *builder) sitesByPath(tree string) (out []Site) {
	said := map[Site]bool{}
	for _, t := range b.toesByPath(tree) {
		if t.toe.Side == "" || t.toe.Digit == "" || said[t.toe] {
			return nil
		}
		said[t.toe] = true
		out = append(out, t.sites()...)
	}
	return out
}

// loose takes away what columns say of a toe, or of a border, where words say of which and
// say none or several: it is not told of which of them the cell speaks.
func (b *builder) loose(tree string, sites []Site) {
	if b.get(tree+"/toes") == nil || b.toeByPath(tree) {
		return
	}
	toes := map[Site]bool{}
	for _, s := range sites {
		toes[Site{Side: s.Side, Digit: s.Digit}] = true
	}
	for i, col := range b.columns {
		if col == nil || !strings.HasPrefix(col.Note.Path, tree+"/toes/") || b.get(col.Note.Path) == nil {
			continue
		}
		if len(toes) != 1 || len(sites) != 1 && strings.Contains(col.Note.Path, "/borders/") {
			b.unset(col.Note.Path)
			b.note(col.Titles[0], b.cellText[i])
			b.found(Finding{Column: col.Name, Code: ToWhichToe, Text: "it is not said of which toe or border; kept in the note"})
		}
	}
}

func (b *builder) eachBorderOf(tree string, f func(string)) {
	toes, _ := b.get(tree + "/toes").([]any)
	for i := range toes {
		at := tree + "/toes/" + strconv.Itoa(i) + "/borders"
		borders, _ := b.get(at).([]any)
		for k := range borders {
			f(at + "/" + strconv.Itoa(k))
		}
	}
}

func (b *builder) discharge(tree, at string, v shorthand.Value) {
	if v.Code != "" {
		b.set(at+"/discharge/reason", string(v.Code))
	}
	if day, ok := b.get(tree + "/at").(string); ok {
		b.set(at+"/discharge/at", strings.SplitN(day, "T", 2)[0])
	} else if v.Code == "" {
		b.set(at+"/discharge", map[string]any{})
	}
}
