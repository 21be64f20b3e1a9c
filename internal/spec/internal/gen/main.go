// Command gen writes the compact table of R4 facts that package spec embeds,
// from the official package hl7.fhir.r4.core 4.0.1:
//
//	go run ./internal/gen CORE.tgz FOLDER
//
// It writes r4.tsv (types and search parameters), codes.tsv (code systems and
// value sets) and profiles.tsv (profiles and extensions). It fails rather than
// leave out a constraint that it cannot place.
package main

import (
	"archive/tar"
	"bytes"
	"compress/gzip"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strings"
)

func main() {
	if len(os.Args) != 3 {
		fmt.Fprintln(os.Stderr, "usage: gen CORE.tgz FOLDER")
		os.Exit(2)
	}
	if err := run(os.Args[1], os.Args[2]); err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
}

const base = "http://hl7.org/fhir/StructureDefinition/"

// header tells where the table comes from; lines that begin with # are not
// read.
const header = `# Facts of FHIR R4 (4.0.1), generated from hl7.fhir.r4.core 4.0.1 (HL7 International, CC0 1.0). Do not edit: go generate.
# T type base kind [pattern of the value of a primitive]
# E element min max types flags binding     (of the type above; type: Name(targets); @ marks a content reference)
# I severity key expression human           (of the element above, or of the type if none stands between)
# S code bases type expression targets url  (search parameters)
`

func run(core, folder string) error {
	g, err := read(core)
	if err != nil {
		return err
	}
	types, err := g.table()
	if err != nil {
		return err
	}
	profiles, err := g.definitions()
	if err != nil {
		return err
	}
	for name, text := range map[string][]byte{"r4.tsv": types, "codes.tsv": g.codes(), "profiles.tsv": profiles} {
		if err := os.WriteFile(filepath.Join(folder, name), text, 0o644); err != nil {
			return err
		}
	}
	return nil
}

// table writes types and search parameters.
func (g *generator) table() ([]byte, error) {
	var b bytes.Buffer
	b.WriteString(header)
	for _, name := range g.order() {
		if err := g.write(&b, g.types[name]); err != nil {
			return nil, fmt.Errorf("%s: %w", name, err)
		}
	}
	slices.SortFunc(g.searches, func(a, b search) int { return strings.Compare(a.URL, b.URL) })
	for _, s := range g.searches {
		line(&b, "S", s.Code, strings.Join(s.Base, "|"), s.Type, s.Expression, strings.Join(s.Target, "|"), s.URL)
	}
	return b.Bytes(), nil
}

type generator struct {
	types    map[string]*definition
	searches []search
	systems  map[string]*codeSystem
	sets     map[string]*valueSet
	profiles map[string]json.RawMessage
}

// read takes the structure definitions of types, not of profiles, and the
// search parameters out of the package.
func read(core string) (*generator, error) {
	f, err := os.Open(core)
	if err != nil {
		return nil, err
	}
	defer func() { _ = f.Close() }()
	z, err := gzip.NewReader(f)
	if err != nil {
		return nil, err
	}
	g := &generator{
		types: map[string]*definition{}, systems: map[string]*codeSystem{}, sets: map[string]*valueSet{},
		profiles: map[string]json.RawMessage{},
	}
	for r := tar.NewReader(z); ; {
		h, err := r.Next()
		if errors.Is(err, io.EOF) {
			return g, nil
		}
		if err != nil {
			return nil, err
		}
		if err := g.file(path.Base(h.Name), r); err != nil {
			return nil, fmt.Errorf("%s: %w", h.Name, err)
		}
	}
}

func (g *generator) file(name string, r io.Reader) error {
	kind, _, _ := strings.Cut(name, "-")
	text, err := io.ReadAll(r)
	if err != nil {
		return err
	}
	switch kind {
	case "StructureDefinition":
		return g.structure(text)
	case "SearchParameter":
		var s search
		err = json.Unmarshal(text, &s)
		g.searches = append(g.searches, s)
	case "CodeSystem":
		s := &codeSystem{}
		err = json.Unmarshal(text, s)
		g.systems[s.URL] = s
	case "ValueSet":
		v := &valueSet{}
		err = json.Unmarshal(text, v)
		g.sets[v.URL] = v
	}
	return err
}

// structure takes the definition of a type, or of a profile or extension.
func (g *generator) structure(text []byte) error {
	d := &definition{}
	if err := json.Unmarshal(text, d); err != nil {
		return err
	}
	if d.Derivation == "constraint" {
		g.profiles[d.URL] = text
	} else {
		g.types[d.Name] = d
	}
	return nil
}

// order lists the data types and then the resources by name, each after its
// base.
func (g *generator) order() []string {
	var names, out []string
	for name := range g.types {
		names = append(names, name)
	}
	slices.SortFunc(names, func(a, b string) int {
		if ra, rb := g.types[a].Kind == "resource", g.types[b].Kind == "resource"; ra != rb {
			if rb {
				return -1
			}
			return 1
		}
		return strings.Compare(a, b)
	})
	var add func(string)
	add = func(name string) {
		d := g.types[name]
		if d == nil || slices.Contains(out, name) {
			return
		}
		add(strings.TrimPrefix(d.BaseDefinition, base))
		out = append(out, name)
	}
	for _, name := range names {
		add(name)
	}
	return out
}

// line writes tab-separated fields without trailing empty ones. A field never
// holds a tab or line break.
func line(b *bytes.Buffer, fields ...string) {
	for len(fields) > 0 && fields[len(fields)-1] == "" {
		fields = fields[:len(fields)-1]
	}
	for i, f := range fields {
		if i > 0 {
			b.WriteByte('\t')
		}
		b.WriteString(strings.Join(strings.Fields(f), " "))
	}
	b.WriteByte('\n')
}
