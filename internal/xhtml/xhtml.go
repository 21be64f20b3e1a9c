// Package xhtml checks the div of a FHIR narrative against the rules of R4
// (http://hl7.org/fhir/R4/narrative.html#xhtml): well-formed XHTML with a div
// in the XHTML namespace at its root, only the elements and attributes of
// HTML 4.0 that the page allows, nothing active, and some content.
package xhtml

import (
	"slices"
	"strings"
)

// Namespace is the XHTML namespace, which the div must state.
const Namespace = "http://www.w3.org/1999/xhtml"

// Rule is one of the rules that a narrative may break.
type Rule uint8

// The rules (R4 narrative.html).
const (
	// Form: the text is not well-formed XML, or holds a declaration,
	// processing instruction or an entity that XML does not define.
	Form Rule = iota + 1
	// Root: the root is not a single div.
	Root
	// NoNamespace: the div does not state the XHTML namespace, or an element
	// another.
	NoNamespace
	// Element: an element that is not allowed.
	Element
	// Attribute: an attribute that is not allowed on its element.
	Attribute
	// Active: a link or style that runs something.
	Active
	// NoContent: nothing but white space, and no image (txt-2).
	NoContent
)

var ruleNames = [...]string{
	Form: "not well-formed XHTML", Root: "the root is not one div", NoNamespace: "not in the XHTML namespace",
	Element: "element not allowed", Attribute: "attribute not allowed", Active: "active content", NoContent: "no content",
}

// String says what the rule is about.
func (r Rule) String() string { return ruleNames[r] }

// Problem is one rule broken at one place.
type Problem struct {
	Rule   Rule
	Offset int    // in bytes from the start of the div
	Name   string // of the element or attribute, if it is about one
}

// maxProblems bounds what one text can say about itself.
const maxProblems = 50

// Check lists the rules that a div breaks, in order of place, at most 50. What
// follows a fault of form is not read.
func Check(div string) []Problem {
	c := checker{scanner: scanner{src: div}}
	c.run()
	return c.problems
}

type checker struct {
	scanner
	problems []Problem
	stack    []string // open elements
	roots    int
	content  bool
}

func (c *checker) report(r Rule, offset int, name string) {
	if len(c.problems) < maxProblems {
		c.problems = append(c.problems, Problem{r, offset, name})
	}
}

func (c *checker) run() {
	for {
		t, ok := c.next()
		if !ok {
			c.report(Form, c.pos, "")
			return
		}
		switch t.kind {
		case end:
			c.finish()
			return
		case characters:
			if !c.characters(t) {
				return
			}
		case open:
			if !c.open(t) {
				return
			}
		case shut:
			if len(c.stack) == 0 || c.stack[len(c.stack)-1] != t.name {
				c.report(Form, t.offset, t.name)
				return
			}
			c.stack = c.stack[:len(c.stack)-1]
		}
	}
}

func (c *checker) finish() {
	switch {
	case len(c.stack) > 0:
		c.report(Form, c.pos, c.stack[len(c.stack)-1])
	case c.roots == 0:
		c.report(Root, 0, "")
	case !c.content:
		c.report(NoContent, 0, "")
	}
}

// characters are white space only outside the root.
func (c *checker) characters(t token) bool {
	if blank(t.text) {
		return true
	}
	if len(c.stack) == 0 {
		c.report(Form, t.offset, "")
		return false
	}
	c.content = true
	return true
}

// blank reports white space only; a reference such as &#160; is not looked
// into.
func blank(s string) bool { return strings.Trim(s, " \t\r\n\u00a0") == "" }

func (c *checker) open(t token) bool {
	if len(c.stack) == 0 {
		if c.roots++; c.roots > 1 || t.name != "div" {
			c.report(Root, t.offset, t.name)
			if c.roots > 1 {
				return false
			}
		}
	}
	if !elements[t.name] {
		c.report(Element, t.offset, t.name)
	}
	if t.name == "img" {
		c.content = true
	}
	if !c.attributes(t) {
		return false
	}
	if !t.empty {
		c.stack = append(c.stack, t.name)
	}
	return true
}

// attributes reads and checks those of a start tag.
func (c *checker) attributes(t token) bool {
	stated := false
	var read names
	for rest := t.text; ; {
		a, tail, ok := nextAttribute(rest)
		if !ok {
			c.report(Form, t.offset, t.name)
			return false
		}
		if a.name == "" {
			break
		}
		if !read.add(a.name) {
			c.report(Form, t.offset, a.name)
			return false
		}
		rest = tail
		switch {
		case a.name == "xmlns":
			stated = true
			if a.value != Namespace {
				c.report(NoNamespace, t.offset, t.name)
			}
		case !common[a.name] && !special[t.name+" "+a.name]:
			c.report(Attribute, t.offset, a.name)
		case active(a):
			c.report(Active, t.offset, a.name)
		}
	}
	if !stated && len(c.stack) == 0 {
		c.report(NoNamespace, t.offset, t.name)
	}
	return true
}

// names are those of the attributes of one tag: a few, as a rule, and looked up
// where there are many.
type names struct {
	few  [8]string
	n    int
	many map[string]bool
}

// add reports a name that was not there yet.
func (s *names) add(name string) bool {
	if slices.Contains(s.few[:s.n], name) || s.many[name] {
		return false
	}
	switch {
	case s.n < len(s.few):
		s.few[s.n] = name
		s.n++
	case s.many == nil:
		s.many = map[string]bool{name: true}
	default:
		s.many[name] = true
	}
	return true
}

// active reports a link to a script, or a style that runs one.
func active(a attribute) bool {
	switch a.name {
	case "href", "src", "cite", "longdesc", "usemap":
		scheme, _, found := strings.Cut(squeeze(a.value), ":")
		return found && (scheme == "javascript" || scheme == "vbscript" || scheme == "data" && a.name == "href")
	case "style":
		s := squeeze(a.value)
		return strings.Contains(s, "expression(") || strings.Contains(s, "javascript:") || strings.Contains(s, "behavior:") ||
			strings.Contains(s, "-moz-binding")
	}
	return false
}

// squeeze lowers case and drops white space and control characters, which
// browsers ignore in these places; character references are resolved.
func squeeze(s string) string {
	return strings.Map(func(r rune) rune {
		if r <= ' ' {
			return -1
		}
		return r
	}, strings.ToLower(unescape(s)))
}

func set(words string) map[string]bool {
	m := map[string]bool{}
	for _, w := range strings.Fields(words) {
		m[w] = true
	}
	return m
}

// elements are those of HTML 4.0 chapters 7 to 11 without 9.4, of chapter 15,
// and links and images, without what HTML 4.0 deprecates (R4 narrative.html).
var elements = set(`div span h1 h2 h3 h4 h5 h6 address bdo
	em strong dfn code samp kbd var cite abbr acronym blockquote q sub sup p br pre
	ul ol li dl dt dd
	table caption thead tfoot tbody colgroup col tr th td
	tt i b big small hr
	a img map area`)

// common are the attributes that any element may have (HTML 4.0 chapters 7, 8,
// 17 and XML).
var common = set("id class title style lang xml:lang xml:space dir accesskey tabindex")

// special are attributes of one element (HTML 4.0, index of attributes).
var special = func() map[string]bool {
	m := map[string]bool{}
	for element, attributes := range map[string]string{
		"a": "href name charset type hreflang rel rev shape coords", "img": "src alt longdesc name height width usemap ismap border",
		"map": "name", "area": "shape coords href nohref alt", "blockquote": "cite", "q": "cite",
		"table":    "summary width border frame rules cellspacing cellpadding align bgcolor",
		"colgroup": "span width align char charoff valign", "col": "span width align char charoff valign",
		"thead": "align char charoff valign", "tfoot": "align char charoff valign", "tbody": "align char charoff valign",
		"tr": "align char charoff valign bgcolor", "ol": "start type", "ul": "type", "li": "value type", "hr": "size width align",
		"th":  "abbr axis headers scope rowspan colspan align char charoff valign width height nowrap bgcolor",
		"td":  "abbr axis headers scope rowspan colspan align char charoff valign width height nowrap bgcolor",
		"div": "align", "p": "align", "h1": "align", "h2": "align", "h3": "align", "h4": "align", "h5": "align", "h6": "align",
		"caption": "align", "br": "clear", "pre": "width",
	} {
		for a := range set(attributes) {
			m[element+" "+a] = true
		}
	}
	return m
}()
