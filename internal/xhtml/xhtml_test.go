package xhtml

import (
	"fmt"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
)

const ns = ` xmlns="http://www.w3.org/1999/xhtml"`

// R4 narrative.html: what is allowed.
func TestAllowed(t *testing.T) {
	for _, s := range []string{
		"<div" + ns + ">text</div>",
		"<div" + ns + "><p class='a' id=\"b\" style=\"color: red\">a<br/>b &amp; &#160;&#xe9;</p></div>",
		"<div" + ns + "><img src='#pic' alt='a picture'/></div>", // an image is content
		"<div" + ns + "><table border=\"1\"><tbody><tr><td colspan=\"2\">1</td></tr></tbody></table></div>",
		"<div" + ns + "><a href=\"http://hl7.org/fhir\">x</a><a name=\"y\"/><!-- note --></div>",
		"  <div" + ns + ">x</div>\n",
		"<div" + ns + "><![CDATA[a < b]]></div>",
		"<div" + ns + " lang=\"en\" xml:lang=\"en\">é</div >",
	} {
		assert.Empty(t, Check(s), s)
	}
}

// R4 narrative.html, R-CONT-25: what is not, one rule each.
func TestRefused(t *testing.T) {
	for s, want := range map[string]Rule{
		"":                                   Root,
		"text":                               Form,
		"<p" + ns + ">x</p>":                 Root,
		"<div>x</div>":                       NoNamespace,
		"<div xmlns='http://w3.org'>x</div>": NoNamespace,
		"<div" + ns + ">x</div><div" + ns + ">y</div>":                 Root,
		"<div" + ns + "></div>":                                        NoContent,
		"<div" + ns + "> \n\u00a0</div>":                               NoContent,
		"<div" + ns + "><br/></div>":                                   NoContent,
		"<div" + ns + ">x":                                             Form,
		"<div" + ns + "><p>x</div></p>":                                Form,
		"<div" + ns + ">&nbsp;x</div>":                                 Form, // XML does not define it
		"<div" + ns + ">a & b</div>":                                   Form,
		"<div" + ns + ">a < b</div>":                                   Form,
		"<div" + ns + ">&#0;</div>":                                    Form,
		"<div" + ns + ">\x01</div>":                                    Form,
		"<div" + ns + ">\xff</div>":                                    Form,
		"<div" + ns + ">]]></div>":                                     Form,
		"<div" + ns + "><!-- a -- b -->x</div>":                        Form,
		"<?xml version='1.0'?><div" + ns + ">x</div>":                  Form,
		"<!DOCTYPE html><div" + ns + ">x</div>":                        Form,
		"<div" + ns + " class='1' class='2'>x</div>":                   Form,
		"<div" + ns + " class=x>x</div>":                               Form,
		"<div" + ns + "class='x'>x</div>":                              Form,
		"<div" + ns + "><script>x</script></div>":                      Element,
		"<div" + ns + "><form>x</form></div>":                          Element,
		"<div" + ns + "><iframe/>x</div>":                              Element,
		"<div" + ns + "><ins>x</ins></div>":                            Element, // HTML 4.0, 9.4
		"<div" + ns + "><P>x</P></div>":                                Element, // XHTML is lower case
		"<div" + ns + "><h:p>x</h:p></div>":                            Element,
		"<div" + ns + " onclick=\"x()\">x</div>":                       Attribute,
		"<div" + ns + " href=\"#x\">x</div>":                           Attribute,
		"<div" + ns + "><a href=\"javascript:x()\">x</a></div>":        Active,
		"<div" + ns + "><a href=\" java&#x0A;script:x()\">x</a></div>": Active,
		"<div" + ns + " style=\"width: expression(x)\">x</div>":        Active,
	} {
		got := Check(s)
		if assert.Len(t, got, 1, s) {
			assert.Equal(t, want, got[0].Rule, "%s: %v", s, got[0].Rule)
		}
	}
}

func TestManyProblems(t *testing.T) {
	got := Check("<div" + ns + ">" + strings.Repeat("<blink>x</blink>", 200) + "</div>")
	assert.Len(t, got, maxProblems)
	assert.Equal(t, "blink", got[0].Name)
	assert.Equal(t, len("<div"+ns+">"), got[0].Offset)
}

func FuzzCheck(f *testing.F) {
	f.Add("<div" + ns + "><p class='a'>a &amp; b<br/><!-- c --></p></div>")
	f.Add("<![CDATA[")
	f.Fuzz(func(t *testing.T, s string) {
		for _, p := range Check(s) {
			if p.Offset < 0 || p.Offset > len(s) {
				t.Errorf("%q: a problem at %d", s, p.Offset)
			}
		}
	})
}

func BenchmarkCheck(b *testing.B) {
	s := "<div" + ns + ">" + strings.Repeat("<p class='a'>Some words &amp; more</p>", 20) + "</div>"
	b.ReportAllocs()
	b.SetBytes(int64(len(s)))
	for b.Loop() {
		Check(s)
	}
}

// An attribute that occurs twice is found among a few and among many (XML 1.0,
// 3.1, unique att spec), and one that does not is not.
func TestRepeatedAttributes(t *testing.T) {
	for _, n := range []int{1, 7, 8, 9, 10, maxProblems - 1} {
		div := manyAttributes(n, "")
		assert.NotContains(t, rulesOf(Check(div)), Form, n)
		for _, again := range []int{0, n - 1} {
			assert.Contains(t, rulesOf(Check(manyAttributes(n, fmt.Sprintf(` x%d="b"`, again)))), Form, n)
		}
	}
}

func rulesOf(problems []Problem) (out []Rule) {
	for _, p := range problems {
		out = append(out, p.Rule)
	}
	return out
}

// manyAttributes is a div of n attributes and more.
func manyAttributes(n int, more string) string {
	var b strings.Builder
	for i := range n {
		fmt.Fprintf(&b, ` x%d="a"`, i)
	}
	return "<div" + ns + "><p" + b.String() + more + ">x</p></div>"
}

// BenchmarkAttributes has tags of ten times as many attributes each; MB/s stays.
func BenchmarkAttributes(b *testing.B) {
	for _, n := range []int{100, 1000, 10_000} {
		s := manyAttributes(n, "")
		b.Run(fmt.Sprint(n), func(b *testing.B) {
			b.SetBytes(int64(len(s)))
			for b.Loop() {
				Check(s)
			}
		})
	}
}
