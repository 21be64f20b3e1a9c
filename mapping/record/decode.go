package record

import (
	"errors"
	"math/big"
	"reflect"
	"strings"
	"unicode/utf8"

	"nailbridge/mapping/internal/rawjson"
)

// Decode reads one record as sent and reports everything noticed at once, in a
// stable order (D2.1). Refusals are: not JSON, not UTF-8, trailing
// data, over the limits, a duplicate member at any depth, a member that differs
// from a known one only by case, and an unreadable part that identifies or
// endangers. Anything else unreadable is a Warning, listed in Unreadable, and
// absent from Record; unknown members likewise.
//
// Record holds all that could be read, of refused content too, so that its red
// flags can be raised; of bytes that are not JSON, what stood before the fault.
// A null and an empty string mean absent. An unreadable item of a list of
// objects leaves an empty object in its place, so that pointers into the record
// as sent and indexes agree; an unreadable item of a list of texts is left out.
//
// What needs the whole record or the clinic's zone is left to Check.
func Decode(b []byte) Decoded {
	tree, f := rawjson.Parse(b)
	d := decoder{seen: map[string]bool{}}
	if f != nil {
		d.add(Refusal, f.Code, "", f.Text)
	}
	out := Decoded{Record: &Record{}, NotJSON: f != nil, Hash: hexSum(b)}
	if tree != nil {
		for _, ptr := range tree.Duplicates() {
			d.add(Refusal, "duplicate-member", ptr, "a member occurs more than once in one object")
			d.duplicated = true
		}
		d.value(tree, root(), reflect.ValueOf(out.Record).Elem(), "")
	}
	out.Findings, out.Unreadable = d.findings, d.unreadable
	if f == nil {
		out.tree = tree
		out.noteSent(0)
	}
	if f == nil && !d.duplicated {
		out.Hash = hashOf(tree)
	}
	if d.duplicated {
		first := decoder{firstWins: true, seen: map[string]bool{}}
		out.otherReading = &Record{}
		first.value(tree, root(), reflect.ValueOf(out.otherReading).Elem(), "")
	}
	return out
}

type decoder struct {
	findings   []Finding
	unreadable []string
	seen       map[string]bool // pointers in unreadable
	duplicated bool
	firstWins  bool // which of duplicate members is read; the last by default
}

func (d *decoder) add(s Severity, code, ptr, text string) {
	d.findings = append(d.findings, Finding{Severity: s, Code: code, Pointer: ptr, Text: text, Rule: "D2.1"})
}

// lost reports a value that is kept as sent and not used: a refusal where it or
// something in it identifies or endangers, else a warning.
func (d *decoder) lost(s *shape, ptr, code, text string) {
	severity := Warning
	if s.holdsCritical {
		severity = Refusal
	}
	d.add(severity, code, ptr, text)
	d.keep(ptr)
}

func (d *decoder) keep(ptr string) {
	if !d.seen[ptr] {
		d.seen[ptr] = true
		d.unreadable = append(d.unreadable, ptr)
	}
}

func (d *decoder) value(n *rawjson.Node, s *shape, v reflect.Value, ptr string) {
	switch {
	case n.Kind == rawjson.Null && s.name != "*" && s.name != "":
		d.add(Info, "null-value", ptr, "null is read as absent")
	case s.isObject():
		d.object(n, s, v, ptr)
	case s.item != nil:
		d.list(n, s, v, ptr)
	case s.typ == decimalType || s.typ.Kind() == reflect.Int64:
		d.number(n, s, v, ptr)
	case s.typ.Kind() == reflect.Bool:
		if n.Kind != rawjson.Bool {
			d.lost(s, ptr, "wrong-type", "true or false is wanted")
			return
		}
		if v.Kind() == reflect.Pointer {
			v.Set(reflect.New(s.typ))
			v = v.Elem()
		}
		v.SetBool(n.Text == "true")
	default:
		d.str(n, s, v, ptr)
	}
}

// object reads the members of an object. A known member is read from its last
// occurrence; one in the wrong case is refused, and read where the right one is
// not there, for the sake of red flags.
func (d *decoder) object(n *rawjson.Node, s *shape, v reflect.Value, ptr string) {
	if n.Kind != rawjson.Object {
		d.lost(s, ptr, "wrong-type", "an object is wanted")
		return
	}
	if v.Kind() == reflect.Pointer {
		v.Set(reflect.New(s.typ))
		v = v.Elem()
	}
	chosen := d.choose(n, s)
	for i, m := range n.Members {
		at := rawjson.Pointer(ptr, rawjson.Plain(m.Name))
		known := s.member(m.Name)
		if known == nil {
			if known = s.folded(m.Name); known == nil {
				d.add(Warning, "unknown-member", at, "a member that the record format does not know")
				d.keep(at)
				continue
			}
			d.add(Refusal, "member-case", at, "a member differs from a known one only by case")
			d.keep(at)
		}
		if chosen[known] == i {
			d.value(m.Value, known, v.Field(known.index), at)
		}
	}
}

// choose decides for each known member which one of n's members it is read from.
func (d *decoder) choose(n *rawjson.Node, s *shape) map[*shape]int {
	chosen, exact := map[*shape]int{}, map[*shape]bool{}
	for i, m := range n.Members {
		known := s.member(m.Name)
		if known == nil {
			if known = s.folded(m.Name); known != nil && !exact[known] {
				chosen[known] = i
			}
			continue
		}
		if !exact[known] || !d.firstWins {
			chosen[known] = i
		}
		exact[known] = true
	}
	return chosen
}

func (d *decoder) list(n *rawjson.Node, s *shape, v reflect.Value, ptr string) {
	if n.Kind != rawjson.Array {
		d.lost(s, ptr, "wrong-type", "a list is wanted")
		return
	}
	for i, e := range n.Elems {
		item := reflect.New(s.item.typ).Elem()
		d.value(e, s.item, item, rawjson.Index(ptr, i))
		if s.item.isObject() || item.String() != "" {
			v.Set(reflect.Append(v, item))
		}
	}
}

// number reads a decimal or a whole number. A whole number may be written with
// a fraction of zeros or an exponent, as JSON has one kind of number only.
func (d *decoder) number(n *rawjson.Node, s *shape, v reflect.Value, ptr string) {
	if n.Kind != rawjson.Number {
		d.lost(s, ptr, "wrong-type", "a number is wanted")
		return
	}
	value, whole, ok := s.readNumber(n.Text)
	if !ok {
		d.lost(s, ptr, "number-out-of-bounds", "a number with more digits than the record format carries")
		return
	}
	if s.typ != decimalType && !value.IsInt() {
		d.lost(s, ptr, "wrong-type", "a whole number is wanted")
		return
	}
	if !s.inRange(value) {
		d.lost(s, ptr, "impossible-number", "a number outside "+s.rangeText())
		return
	}
	read := reflect.ValueOf(&whole)
	if s.typ == decimalType {
		read = reflect.ValueOf(&Decimal{n.Text})
	}
	if v.Kind() != reflect.Pointer {
		read = read.Elem()
	}
	v.Set(read)
}

// readNumber reads the literal within the bounds of the shape's type.
func (s *shape) readNumber(literal string) (value *big.Rat, whole int64, ok bool) {
	if parsed, err := ParseDecimal(literal); err == nil {
		value = parsed.Rat()
	} else if s.typ != decimalType && len(literal) <= maxDecimalText && !strings.ContainsAny(literal, ".eE") {
		value, _ = new(big.Rat).SetString(literal)
	} else {
		return nil, 0, false
	}
	if value.IsInt() && value.Num().IsInt64() {
		whole = value.Num().Int64()
	}
	return value, whole, true
}

func (s *shape) inRange(value *big.Rat) bool {
	if s.least != "" {
		if c := value.Cmp(rat(s.least)); c < 0 || c == 0 && s.above {
			return false
		}
	}
	return s.most == "" || value.Cmp(rat(s.most)) <= 0
}

func (s *shape) rangeText() string {
	text := "from " + s.least
	if s.above {
		text = "above " + s.least
	}
	if s.most != "" {
		text += " to " + s.most
	}
	return text
}

func rat(literal string) *big.Rat {
	r, _ := new(big.Rat).SetString(literal)
	return r
}

// str reads everything that is written as a string.
func (d *decoder) str(n *rawjson.Node, s *shape, v reflect.Value, ptr string) {
	if n.Kind != rawjson.String {
		d.lost(s, ptr, "wrong-type", "a string is wanted")
		return
	}
	if strings.TrimSpace(n.Text) == "" {
		d.add(Info, "empty-value", ptr, "an empty string is read as absent")
		return
	}
	switch {
	case s.typ == whenType:
		d.when(n.Text, s, v, ptr)
	case s.typ == codeType:
		if !s.set.Has(Code(n.Text)) {
			d.lost(s, ptr, "unlisted-value", "a value that the list "+s.set.Name+" does not have")
			return
		}
		v.SetString(n.Text)
	case s.form == itemID && !validID(n.Text):
		d.lost(s, ptr, "malformed-id", "an id with blanks around it, invisible characters, or more than 255 characters")
	case s.form == systemURI && !validURI(n.Text):
		d.lost(s, ptr, "malformed-uri", "an absolute URI is wanted")
	default:
		v.SetString(d.text(n.Text, ptr))
	}
}

func (d *decoder) when(text string, s *shape, v reflect.Value, ptr string) {
	w, err := ParseWhen(text)
	switch {
	case errors.Is(err, ErrWhenImpossible):
		d.lost(s, ptr, "impossible-date", err.Error())
	case err != nil:
		d.lost(s, ptr, "malformed-date", err.Error())
	default:
		v.Set(reflect.ValueOf(&w))
	}
}

// text is a text without what FHIR's string cannot carry (https://hl7.org/fhir/R4/datatypes.html#string):
// control characters but tab, line feed and carriage return. The source keeps
// them; their loss is flagged.
func (d *decoder) text(s, ptr string) string {
	if !utf8.ValidString(s) {
		d.add(Warning, "unpaired-surrogate", ptr, "an unpaired surrogate is shown as the replacement character")
		s = rawjson.Plain(s)
	}
	cleaned := strings.Map(func(r rune) rune {
		if r < ' ' && r != '\t' && r != '\n' && r != '\r' {
			return -1
		}
		return r
	}, s)
	if cleaned != s {
		d.add(Warning, "control-character", ptr, "control characters are left out of the text")
	}
	if strings.TrimSpace(cleaned) == "" {
		return ""
	}
	return cleaned
}
