// Package pages makes the guide's pages: static HTML for the engineer of a hub,
// with every FHIR path that the bridge's resources have and where its value comes
// from, the definitions behind them, and the code maps with their evidence. The
// same input gives the same bytes.
package pages

import (
	"bytes"
	_ "embed"
	"fmt"
	"html/template"
	"strings"

	"nailbridge/internal/page"
	"nailbridge/mapping/coverage"
	"nailbridge/mapping/terms"
)

// Artifact is a definition of the guide, or an example of it.
type Artifact struct {
	Name string // for errors
	JSON []byte
}

// Input is what the pages tell of.
type Input struct {
	Coverage  *coverage.Table
	Terms     *terms.Terms // the evidence of codes of other systems
	Resources [][]byte     // everything that is published, whose paths the pages list
	Artifacts []Artifact
	// Requirements are those of the project's reference for FHIR servers.
	Requirements []Requirement
}

// File is one page.
type File struct {
	Name string
	HTML []byte
}

//go:embed style.css
var style string

//go:embed page.html
var layout string

var layouts = page.Layout(layout, style, template.FuncMap{
	"ticked": ticked, "list": func(items []string) string { return strings.Join(items, ", ") },
})

// view is what a template gets.
type view struct {
	Name  string // of its file
	Title string
	Kind  string // the template of its content
	Main  []Link // to the other pages
	Types []Link // to the pages of resource types
	Body  any
}

// Link is a link between pages.
type Link struct{ Text, Href string }

// Make makes the pages, the index first.
func Make(in Input) ([]File, error) {
	g, err := read(in)
	if err != nil {
		return nil, err
	}
	pages := g.pages()
	var main, types []Link
	for _, p := range pages {
		if p.Kind == "type" {
			types = append(types, Link{p.Title, p.Name})
		} else {
			main = append(main, Link{p.Title, p.Name})
		}
	}
	var out []File
	for _, p := range pages {
		p.Main, p.Types = main, types
		var b bytes.Buffer
		if err := layouts.Execute(&b, p); err != nil {
			return nil, fmt.Errorf("page %s: %w", p.Name, err)
		}
		out = append(out, File{p.Name, b.Bytes()})
	}
	return out, nil
}

// pages are the pages without what all have.
func (g *guide) pages() []view {
	out := []view{
		{Name: "index.html", Title: "Overview", Kind: "index", Body: g.index()},
		{Name: mapsPage, Title: "Code maps", Kind: "maps", Body: g.maps},
		{Name: codesPage, Title: "Code systems and value sets", Kind: "codes", Body: g.codes},
		{Name: extensionsPage, Title: "Extensions", Kind: "extensions", Body: g.extensions},
		{Name: parametersPage, Title: "Search parameters", Kind: "parameters", Body: g.parameters},
		{Name: protocolsPage, Title: "Follow-up protocols", Kind: "protocols", Body: g.protocols},
		{Name: definitionsPage, Title: "All definitions", Kind: "definitions", Body: g.definitions},
		{Name: requirementsPage, Title: "Requirements", Kind: "requirements", Body: g.requirements},
	}
	for _, t := range g.types {
		out = append(out, view{Name: typePage(t.Name), Title: t.Name, Kind: "type", Body: t})
	}
	return out
}

// The pages of definitions.
const (
	mapsPage        = "code-maps.html"
	codesPage       = "codes.html"
	extensionsPage  = "extensions.html"
	parametersPage  = "search-parameters.html"
	protocolsPage   = "protocols.html"
	definitionsPage = "definitions.html"

	requirementsPage = "requirements.html"
)

func typePage(typ string) string { return typ + ".html" }

// span is a part of a sentence, or a path in it.
type span struct {
	Code bool
	Text string
}

// ticked cuts a sentence at its backticks.
func ticked(s string) []span {
	var out []span
	for i, part := range strings.Split(s, "`") {
		if part != "" {
			out = append(out, span{i%2 == 1, part})
		}
	}
	return out
}
