package back

import (
	"cmp"
	"net/url"
	"regexp"
	"slices"
	"strings"

	"nailbridge/mapping/internal/rawjson"
	"nailbridge/mapping/record"
	"nailbridge/mapping/terms"
)

// concept reads the codings and the text of a CodeableConcept or a Coding.
func concept(n *node) terms.Concept {
	c := terms.Concept{Text: n.peek("text")}
	codings := n.list("coding")
	if n.get("code") != nil && n.get("coding") == nil {
		codings = []*node{n}
	}
	for _, x := range codings {
		c.Codings = append(c.Codings, terms.Coding{System: x.peek("system"), Code: x.peek("code"), Display: x.peek("display")})
	}
	return c
}

// isElement reports that a concept has a coding of a fixed concept of the fold (terms.Element).
func (r *reader) isElement(name string, n *node) bool {
	want := r.terms.Element(name, terms.Setting{SnomedCT: terms.Licensed}).Codings
	return slices.ContainsFunc(concept(n).Codings, func(x terms.Coding) bool {
		return slices.ContainsFunc(want, func(y terms.Coding) bool { return x.System == y.System && x.Code == y.Code })
	})
}

// code is the code of a list of ours that a concept stands for; "" where none
// does, and the concept then stays unread.
func (r *reader) code(list string, n *node) record.Code {
	if n == nil {
		return ""
	}
	code, ok := r.terms.Reverse(list, concept(n))
	if !ok {
		return ""
	}
	r.agree(list, code, n)
	n.take()
	return code
}

// agree says in a finding that the codings of a concept stand for different
// codes of ours: the first counts.
func (r *reader) agree(list string, code record.Code, n *node) {
	c := concept(n)
	for _, x := range c.Codings {
		other, ok := r.terms.Reverse(list, terms.Concept{Codings: []terms.Coding{x}})
		if ok && other != code {
			r.find("codings-disagree", "two codings of one element stand for different codes of "+list+"; the first counts")
			return
		}
	}
}

// words is the text of a concept beside its code: "" where it is the meaning of
// the code itself.
func (r *reader) words(list string, code record.Code, n *node) string {
	text := n.str("text")
	if text == r.meaning(list, code) {
		return ""
	}
	return text
}

// note reads the words of a first Annotation.
func note(x *node) string { return annotation(x.first("note")) }

// annotation is the text of an Annotation, a markdown of plain words: what would
// have been taken for HTML or an entity was written as an entity.
func annotation(n *node) string {
	text := tagWritten.ReplaceAllString(n.str("text"), "<$1")
	return entityWritten.ReplaceAllString(text, "&$1")
}

var (
	tagWritten    = regexp.MustCompile(`&lt;([A-Za-z/!?])`)
	entityWritten = regexp.MustCompile(`&amp;(#?[0-9A-Za-z]+;)`)
)

// more is the text of a concept after the meaning of its code.
func (r *reader) more(list string, code record.Code, n *node) string {
	return strings.TrimPrefix(strings.TrimPrefix(r.words(list, code, n), r.meaning(list, code)), ", ")
}

func (r *reader) meaning(list string, code record.Code) string {
	if code == "" {
		return ""
	}
	return r.terms.Translate(list, code, terms.Setting{}).Text
}

// when reads a date or dateTime member: as recorded, without the seconds that
// were not. Nil where it is not there.
func (r *reader) when(n *node, name string) *record.When {
	under := n.get("_" + name)
	if x := under.ext(terms.ExtTimeAsRecorded); x != nil {
		w := r.when(x, "valueDateTime")
		if w == nil {
			return nil
		}
		under.take()
		if why := under.ext(terms.ExtDataAbsentReason); why != nil && why.peek("valueCode") != "as-text" {
			why.leave()
		}
		if strings.HasPrefix(w.String(), n.peek(name)) {
			n.str(name)
		}
		return w
	}
	text := n.peek(name)
	if text == "" {
		if under.ext(terms.ExtDataAbsentReason).peek("valueCode") == "unknown" {
			under.take()
		}
		return nil
	}
	if x := under.ext(terms.ExtSecondsNotRecorded); x.peek("valueBoolean") == "true" {
		under.take()
		text = withoutSeconds(text)
	}
	w, err := record.ParseWhen(plainFraction(text))
	if err != nil {
		return nil
	}
	n.str(name)
	return &w
}

// withoutSeconds cuts the seconds out of a time of day.
func withoutSeconds(text string) string {
	const date, clock = len("2006-01-02T"), len("15:04")
	if len(text) < date+clock+len(":05") {
		return text
	}
	rest := strings.TrimLeft(text[date+clock+len(":05"):], ".0123456789")
	return text[:date+clock] + rest
}

// plainFraction cuts the zeros that pad a fraction of a second.
func plainFraction(text string) string {
	head, tail, ok := strings.Cut(text, ".")
	if !ok {
		return text
	}
	end := len(tail) - len(strings.TrimLeft(tail, "0123456789"))
	if digits := strings.TrimRight(tail[:end], "0"); digits != "" {
		return head + "." + digits + tail[end:]
	}
	return head + tail[end:]
}

// decimal reads a number; nil where it is not there.
func decimal(n *node, path ...string) *record.Decimal {
	m := n.get(path...)
	if m == nil || m.kind != rawjson.Number {
		return nil
	}
	d, err := record.ParseDecimal(m.text)
	if err != nil {
		return nil
	}
	m.read = true
	return &d
}

// quantity reads a Quantity in a unit, by its UCUM code; another unit is no
// value of ours and stays unread.
func quantity(n *node, ucum string) *record.Decimal {
	if n == nil || cmp.Or(n.peek("code"), n.peek("unit")) != ucum {
		return nil
	}
	d := decimal(n, "value")
	if d != nil && n.get("comparator") == nil {
		n.take()
	}
	return d
}

// whole reads a whole number; nil where it is not there.
func whole(n *node, path ...string) *int64 {
	d := decimal(n, path...)
	if d == nil || !d.Rat().IsInt() || !d.Rat().Num().IsInt64() {
		return nil
	}
	v := d.Rat().Num().Int64()
	return &v
}

// number gives the value of an identifier of the clinic's own numbering of a
// kind ("procedure"), "" where there is none.
func (r *reader) number(n *node, kind string) string {
	for _, x := range n.list("identifier") {
		if strings.HasSuffix(x.peek("system"), "/"+kind) {
			return take(x)
		}
	}
	return ""
}

// take reads an identifier and gives its value.
func take(x *node) string {
	x.take()
	return x.peek("value")
}

// unescaped is the case in a number of ours.
func unescaped(number string) string {
	head, _, _ := strings.Cut(number, "/")
	s, err := url.PathUnescape(head)
	if err != nil {
		return head
	}
	return s
}

// item is what follows the case in a number of ours: of "S-1/nail/left-1:t1"
// with the case S-1, "nail" and "left-1:t1".
func item(number string) []string {
	_, rest, ok := strings.Cut(number, "/")
	if !ok {
		return nil
	}
	return strings.Split(rest, "/")
}

// key is the sender's key in an item key (record.ToeKeys); "" where the item
// had none and is known by its place among its like.
func key(itemKey string) string {
	i := strings.IndexAny(itemKey, ":#")
	if i < 0 || itemKey[i] == '#' {
		return ""
	}
	k, err := url.PathUnescape(itemKey[i+1:])
	if err != nil {
		return ""
	}
	return k
}
