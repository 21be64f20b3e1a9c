package main

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"time"

	"nailbridge/internal/hub"
	"nailbridge/internal/validate"
	"nailbridge/internal/validate/defs"
	"nailbridge/internal/validate/engine"
	"nailbridge/internal/validate/findings"
	"nailbridge/mapping"
	"nailbridge/mapping/followup"
	"nailbridge/mapping/terms"
)

type validateCommand struct {
	Files   []string `arg:"" name:"file" help:"Resources or Bundles in JSON, or NDJSON with one a line; - for standard input."`
	Against []string `help:"Canonical of a profile that each must conform to." placeholder:"PROFILE"`
	Defs    []string `help:"Folder with StructureDefinitions, ValueSets and CodeSystems in JSON." type:"existingdir" placeholder:"DIR"`
	Format  string   `help:"Form of the output: ${enum}." enum:"text,json,junit" default:"text"`
}

// Run validates every input and prints what was found: text a line an issue,
// json one OperationOutcome a line in the order of the inputs, junit one suite.
// The exit status is 1 when an input is invalid.
func (c validateCommand) Run(e *env) error {
	v, err := c.validator()
	if err != nil {
		return err
	}
	out := bufio.NewWriter(e.stdout)
	var results []findings.Result
	invalid := false
	err = c.each(e.stdin, func(name string, text []byte) error {
		r := findings.Result{Name: name, Issues: v.Validate(text, engine.Options{Profiles: c.Against, Now: e.clock()})}
		invalid = invalid || engine.Invalid(r.Issues)
		if c.Format == "junit" {
			results = append(results, r)
			return nil
		}
		return c.write(out, r)
	})
	if err == nil && c.Format == "junit" {
		err = findings.JUnit(out, results)
	}
	if err = errors.Join(err, out.Flush()); err != nil {
		return err
	}
	if invalid {
		return exitError(1)
	}
	return nil
}

func (c validateCommand) write(w io.Writer, r findings.Result) error {
	if c.Format == "json" {
		_, err := w.Write(append(findings.Outcome(r.Issues, true), '\n'))
		return err
	}
	return findings.Text(w, r)
}

// validator knows R4, our own definitions and those of the folders. A profile
// that is asked for and cannot be used stops the command.
func (c validateCommand) validator() (*engine.Validator, error) {
	r := definitions(terms.MustLoad())
	var added []string
	for _, dir := range c.Defs {
		urls, err := addFolder(r, dir)
		if err != nil {
			return nil, err
		}
		added = append(added, urls...)
	}
	v := engine.New(r)
	for _, url := range append(added, c.Against...) {
		if err := v.Compile(url); err != nil {
			return nil, err
		}
	}
	return v, nil
}

// definitions are R4's and our own, those of the protocols too.
func definitions(t *terms.Terms) *defs.Registry {
	r := validate.Definitions(t)
	own, err := followup.Artifacts()
	for _, a := range own {
		if a.Type == "StructureDefinition" && err == nil {
			_, err = r.Add(a.JSON)
		}
	}
	if err != nil {
		panic(err) // embedded data
	}
	return r
}

// addFolder adds the definitions below a folder and lists the canonicals of its
// profiles; other resources are left alone.
func addFolder(r *defs.Registry, dir string) ([]string, error) {
	known := map[string]bool{}
	for _, s := range r.Structures() {
		known[s.URL] = true
	}
	err := filepath.WalkDir(dir, func(path string, entry fs.DirEntry, err error) error {
		if err != nil || entry.IsDir() || filepath.Ext(path) != ".json" {
			return err
		}
		text, err := os.ReadFile(path)
		if err != nil {
			return err
		}
		if _, err := r.Add(text); err != nil {
			return fmt.Errorf("%s: %w", path, err)
		}
		return nil
	})
	var added []string
	for _, s := range r.Structures() {
		if !known[s.URL] && s.Derivation == "constraint" {
			added = append(added, s.URL)
		}
	}
	return added, err
}

// each gives every input in turn: a file is one document, unless it holds one a
// line.
func (c validateCommand) each(stdin io.Reader, f func(name string, text []byte) error) error {
	for _, name := range c.Files {
		text, err := readInput(name, stdin)
		if err != nil {
			return err
		}
		if !byLine(name, text) {
			if err := f(name, text); err != nil {
				return err
			}
			continue
		}
		n := 0
		for line := range bytes.Lines(text) {
			if n++; len(bytes.TrimSpace(line)) == 0 {
				continue
			}
			if err := f(fmt.Sprintf("%s:%d", name, n), line); err != nil {
				return err
			}
		}
	}
	return nil
}

// byLine reports NDJSON: by its name, or where each of two lines or more is an
// object of its own.
func byLine(name string, text []byte) bool {
	if strings.HasSuffix(name, ".ndjson") {
		return true
	}
	n := 0
	for line := range bytes.Lines(text) {
		line = bytes.TrimSpace(line)
		if len(line) == 0 {
			continue
		}
		if line[0] != '{' || line[len(line)-1] != '}' {
			return false
		}
		n++
	}
	return n > 1
}

// validator answers $validate. The outcome goes to whom the resource came from,
// and still holds nothing of it: a hub may log it.
func validator(s mapping.Settings, clock func() time.Time) hub.Validator {
	v := engine.New(definitions(s.Terms))
	return func(resource []byte, profiles []string) []byte {
		return findings.Outcome(v.Validate(resource, engine.Options{Profiles: profiles, Now: clock()}), false)
	}
}
