// Package page has what every page that the project writes is made with: one
// stylesheet, for narrow screens and A4, the head of a page, and breaks in long
// paths. A page is one file, which asks for nothing from outside and has no script.
package page

import (
	_ "embed"
	"html/template"
	"strings"
)

//go:embed style.css
var shared string

//go:embed head.html
var head string

// Style is the stylesheet of pages that have rules of their own.
func Style(own string) string { return shared + own }

// Layout reads the template of a page, which begins with {{template "head" TITLE}},
// and has the page's own rules of style and functions.
func Layout(layout, own string, funcs template.FuncMap) *template.Template {
	t := template.New("page").Funcs(funcs).Funcs(template.FuncMap{
		"soft":  soft,
		"style": func() template.CSS { return template.CSS(Style(own)) },
	})
	return template.Must(template.Must(t.Parse(head)).Parse(layout))
}

// soft lets a path break between its steps, where a line is too short for it.
func soft(s string) template.HTML {
	var b strings.Builder
	before := ' '
	for _, r := range s {
		if r == '/' && !strings.ContainsRune(" :/", before) || strings.ContainsRune(".]|", before) {
			b.WriteString("<wbr/>")
		}
		b.WriteString(template.HTMLEscapeString(string(r)))
		before = r
	}
	return template.HTML(b.String())
}
