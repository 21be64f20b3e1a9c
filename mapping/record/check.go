package record

import (
	"reflect"
	"slices"
	"strings"
	"time"

	"nailbridge/mapping/internal/rawjson"
)

// Check reports what a decoded record lacks or holds against reason, and how
// its local times fall in loc, the clinic's zone (D2.1). It is told nothing of
// what Decode could not read; Read joins the two.
//
// Refusals: a part that identifies is missing; neither revision nor saved-at;
// the tree of another kind; a patient that replaces itself; a time of anaesthesia or tourniquet that is partial
// in a live record, or that has no offset and was skipped or occurred twice in
// loc. A partial date elsewhere in a live record, and a skipped or repeated
// local time elsewhere (the saved-at always, D2.2), is a Warning. An assumed
// zone and an absent field that a record of its kind has as a rule are Info.
func Check(r *Record, loc *time.Location) []Finding {
	c := checker{record: r, loc: loc}
	c.header()
	c.merge()
	c.object(root(), reflect.ValueOf(r).Elem(), "")
	return c.findings
}

// Read is Decode and Check in one: the findings of both, without a "missing"
// or "absent" for what was sent and could not be read. Bytes that are not JSON
// are not checked.
func Read(b []byte, loc *time.Location) Decoded {
	d := Decode(b)
	if d.NotJSON {
		return d
	}
	unread, refused := map[string]bool{}, map[string]bool{}
	for _, p := range d.Unreadable {
		unread[p] = true
	}
	for _, f := range d.Findings {
		refused[f.Pointer] = refused[f.Pointer] || f.Severity == Refusal
	}
	decoded := len(d.Findings)
	for _, f := range Check(d.Record, loc) {
		said := f.Code == "absent" && covered(unread, f.Pointer) || f.Code == "missing" && covered(refused, f.Pointer)
		if !said {
			d.Findings = append(d.Findings, f)
		}
	}
	d.noteSent(decoded)
	return d
}

// covered reports whether the set holds ptr or a place that contains it.
func covered(set map[string]bool, ptr string) bool {
	for i := len(ptr); i >= 0; i-- {
		if (i == len(ptr) || ptr[i] == '/') && set[ptr[:i]] {
			return true
		}
	}
	return false
}

type checker struct {
	record   *Record
	loc      *time.Location
	findings []Finding
}

func (c *checker) add(s Severity, code, ptr, text string) { c.addRule("D2.1", s, code, ptr, text) }

func (c *checker) addRule(rule string, s Severity, code, ptr, text string) {
	c.findings = append(c.findings, Finding{Severity: s, Code: code, Pointer: ptr, Text: text, Rule: rule})
}

// header checks what the walk by fields cannot: parts of which one is enough,
// and the tree that the kind calls for.
func (c *checker) header() {
	r := c.record
	if r.SchemaVersion != "" && r.SchemaVersion != SchemaVersion {
		c.add(Warning, "schema-version-unknown", "/schemaVersion", "a version of the record format that is not known here; what it says was read as version "+SchemaVersion)
	}
	if r.Revision == nil && r.SavedAt == nil {
		c.add(Refusal, "missing", "/revision", "neither a revision nor a saved-at is given")
	}
	if a := r.Author; a != nil && a.StaffKey == "" && (a.Registration == nil || a.Registration.System == "" || a.Registration.Value == "") {
		c.add(Refusal, "missing", "/author", "neither a registration nor a staff key of the author is given")
	}
	if r.Kind == "" {
		return
	}
	trees := []struct {
		kind    Code
		present bool
	}{{"surgery", r.Surgery != nil}, {"review", r.Review != nil}, {"contact", r.Contact != nil}, {"merge", r.Merge != nil}}
	for _, t := range trees {
		switch ptr := "/" + string(t.kind); {
		case t.kind == r.Kind && !t.present && r.Status == "withdrawn":
			// A withdrawal by its header alone says all that it needs to say.
		case t.kind == r.Kind && !t.present:
			c.add(Refusal, "missing", ptr, "the part that the record's kind calls for is missing")
		case t.kind != r.Kind && t.present:
			c.add(Refusal, "other-kind", ptr, "a part of another kind than the record's")
		}
	}
}

// merge refuses that a patient replaces itself (D1.5): one of the two numbers
// was meant to be another, and nobody can say which.
func (c *checker) merge() {
	r := c.record
	if r.Merge == nil || r.Patient == nil || r.Patient.Identifier == nil {
		return
	}
	for i, id := range r.Merge.Replaces {
		if id == *r.Patient.Identifier && id != (Identifier{}) {
			c.addRule("D1.5", Refusal, "replaces-itself", rawjson.Index("/merge/replaces", i), "the number replaced is that of the patient who replaces it")
		}
	}
}

// object checks the members of one object.
func (c *checker) object(s *shape, v reflect.Value, ptr string) {
	for _, m := range s.members {
		mv, at := v.Field(m.index), rawjson.Pointer(ptr, m.name)
		if mv.IsZero() {
			if !idle(v, m) {
				c.lacking(m, at)
			}
			continue
		}
		c.value(m, mv, at)
	}
	c.together(v, ptr)
}

// idle reports a part that says nothing where its object is of another sort: the
// batch of a chemical where none was used, the stage of what is no ingrowing nail,
// the refill of a toe seen at a review, and who led a step that was not done.
func idle(v reflect.Value, m *shape) bool {
	switch o := v.Interface().(type) {
	case Matrix:
		return o.Agent == "" && (m.name == "batch" || m.name == "expiry" || m.name == "skinProtection")
	case Indication:
		return o.Condition != "ingrowing-toenail" && (m.name == "stage" || m.name == "stageSystem")
	case Perfusion: // of a review it is what was looked at
		return !strings.HasPrefix(m.path, "/surgery/")
	case Step:
		return o.Status != "done" && (m.name == "at" || m.name == "by")
	}
	return false
}

func (c *checker) lacking(m *shape, ptr string) {
	switch {
	case m.path == "/author" && c.record.Historical:
		// Of old data the clinic is the author where it names none.
	case m.class == identity:
		c.add(Refusal, "missing", ptr, "a part that identifies is missing")
	case m.expected && !c.sparse(m):
		c.add(Info, "absent", ptr, "not recorded")
	}
}

// sparse reports whether a record is of a sort in which an absent m means
// nothing: old data, a withdrawal, or a surgery that was not done.
func (c *checker) sparse(m *shape) bool {
	r := c.record
	return r.Historical || r.Status == "withdrawn" ||
		r.Surgery != nil && r.Surgery.Outcome == "not-done" && m.path != "/surgery/outcome"
}

func (c *checker) value(s *shape, v reflect.Value, ptr string) {
	if v.Kind() == reflect.Pointer {
		v = v.Elem()
	}
	switch x := v.Interface().(type) {
	case When:
		c.when(s, x, ptr)
	case Decimal:
		if s.usual != "" && x.Rat().Cmp(rat(s.usual)) > 0 {
			c.add(Warning, "implausible-number", ptr, "more than "+s.usual+" "+s.unit+" is not plausible")
		}
	default:
		switch {
		case s.isObject():
			c.object(s, v, ptr)
		case s.item != nil && s.item.isObject():
			for i := range v.Len() {
				c.object(s.item, v.Index(i), rawjson.Index(ptr, i))
			}
			c.repeated(v, ptr)
		}
	}
}

// when checks one date or time (D2.1; D2.2 for saved-at).
func (c *checker) when(s *shape, w When, ptr string) {
	severity, rule := Warning, "D2.1"
	if s.class == critical {
		severity = Refusal
	}
	if s.path == "/savedAt" {
		rule = "D2.2"
	}
	if w.Partial() {
		if !c.record.Historical && !s.partial {
			c.add(severity, "partial-date", ptr, "less than a full date, in a record that is not historical")
		}
		return
	}
	if !w.HasTime() {
		if s.class == critical && !c.record.Historical {
			c.add(Warning, "time-not-recorded", ptr, "a date without the time of day")
		}
		return
	}
	switch _, res := w.In(c.loc); res {
	case ZoneAssumed:
		c.add(Info, "zone-assumed", ptr, "no offset is given, so the clinic's zone is assumed")
	case NonExistent:
		c.addRule(rule, severity, "local-time-skipped", ptr, "no offset is given, and the clinic's clocks skipped this local time")
	case Ambiguous:
		c.addRule(rule, severity, "local-time-ambiguous", ptr, "no offset is given, and the clinic's clocks showed this local time twice")
	}
}

// repeated finds items of one list that share a key, or toes and borders that
// occur twice: what is made of such items could not be told apart by its key.
func (c *checker) repeated(list reflect.Value, ptr string) {
	keys, places := map[string]bool{}, map[string]bool{}
	for i := range list.Len() {
		key, place := identityOf(list.Index(i).Interface())
		if key != "" && keys[key] {
			c.add(Warning, "repeated-key", rawjson.Index(ptr, i)+"/key", "an earlier item of the list has the same key")
		}
		if place != "" && places[place] {
			c.add(Warning, "repeated-place", rawjson.Index(ptr, i), "an earlier item of the list is about the same toe or border")
		}
		keys[key], places[place] = true, true
	}
}

// identityOf is the key of an item, and the toe or border it is about.
func identityOf(item any) (key, place string) {
	switch x := item.(type) {
	case Toe:
		return x.Key, ToeCode(x.Side, x.Digit)
	case ToeFindings:
		return x.Key, ToeCode(x.Side, x.Digit)
	case Border:
		return x.Key, string(x.Border)
	case BorderFindings:
		return x.Key, string(x.Border)
	case Allergy:
		return x.Key, ""
	case Agent:
		return x.Key, ""
	case Tourniquet:
		return x.Key, ""
	case Application:
		return x.Key, ""
	case Event:
		return x.Key, ""
	case PlannedReview:
		return x.Key, ""
	case Leg:
		return "", string(x.Side)
	case Specimen:
		return x.Key, ""
	case Antibiotic:
		return x.Key, ""
	case Photo:
		return x.Key, ""
	}
	return "", ""
}

// together checks members of one object that must fit one another. Both sides
// are kept.
func (c *checker) together(v reflect.Value, ptr string) {
	contradiction := func(found bool, member, text string) {
		if found {
			c.add(Warning, "contradiction", ptr+"/"+member, text)
		}
	}
	switch x := v.Interface().(type) {
	case Identifier:
		if (x.System == "") != (x.Value == "") {
			c.add(Warning, "incomplete-identifier", ptr, "a number needs its system, and a system its number")
		}
	case Events:
		contradiction(x.None && len(x.Items) > 0, "none", "no event, and events listed")
	case Allergies:
		stated := false
		for _, a := range x.Items {
			stated = stated || !a.Refuted
		}
		contradiction(x.Status == "none-known" && stated, "status", "no known allergy, and an allergy stated")
	case Toe:
		contradiction(x.Tourniquet == "not-used" && len(x.Tourniquets) > 0, "tourniquet", "no tourniquet used, and periods recorded")
	case Agent:
		contradiction(x.Vasoconstrictor == "none" && x.Ratio != nil, "ratio", "no vasoconstrictor, and a ratio recorded")
	case Infection:
		contradiction(len(x.Findings) > 1 && slices.Contains(x.Findings, "none"), "findings", "no sign of infection, and signs recorded")
	}
}
