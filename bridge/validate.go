package main

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
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
	Files        []string `arg:"" name:"file" help:"Resources or Bundles in JSON, or NDJSON with one a line; - for standard input."`
	Against      []string `help:"Canonical of a profile or type that each must conform to." placeholder:"PROFILE"`
	Defs         []string `help:"Folder with StructureDefinitions, ValueSets and CodeSystems in JSON." type:"existingdir" placeholder:"DIR"`
	AnyExtension bool     `help:"Tell an extension without a known definition as a warning, but for one that modifies."`
	NDJSON       bool     `name:"ndjson" help:"Read every input line by line, also where neither its name nor its first line says so."`
	Format       string   `help:"Form of the output: ${enum}." enum:"text,json,junit" default:"text"`
}

// Exit statuses of validate; 0 says that no input has errors.
const (
	exitInvalid exitError = 1 // some input has errors
	exitUnread  exitError = 2 // an input could not be read, or the command was asked wrongly
)

// Help is what --help says below the description.
func (validateCommand) Help() string {
	return `Exit status: 0 no input has errors; 1 some input has errors; 2 an input could not be read, which is told as an issue of
that input, or the command was asked wrongly, such as with a profile that has no usable definition.

A file is NDJSON by its name (.ndjson), by --ndjson, or where its first line is a JSON object of its own and more follow.`
}

// Run validates every input and prints what was found: text a line an issue,
// json one OperationOutcome a line in the order of the inputs, junit one suite.
// An input that cannot be read has that as its issue, and the others are read
// all the same.
func (c validateCommand) Run(e *env) error {
	status, err := c.run(e)
	if err != nil {
		fmt.Fprintln(e.stderr, "nailbridge:", err)
		return exitUnread
	}
	if status != 0 {
		return status
	}
	return nil
}

func (c validateCommand) run(e *env) (exitError, error) {
	v, err := c.validator()
	if err != nil {
		return 0, err
	}
	out := bufio.NewWriter(e.stdout)
	var results []findings.Result
	var status exitError
	err = c.each(e.stdin, func(name string, text []byte, unread error) error {
		r := findings.Result{Name: name}
		if unread != nil {
			r.Issues, status = []engine.Issue{unreadable(unread)}, exitUnread
		} else {
			r.Issues = v.Validate(text, engine.Options{Profiles: c.Against, AnyExtension: c.AnyExtension, Now: e.clock()})
		}
		if engine.Invalid(r.Issues) {
			status = max(status, exitInvalid)
		}
		if c.Format == "junit" {
			results = append(results, r)
			return nil
		}
		return c.write(out, r)
	})
	if err == nil && c.Format == "junit" {
		err = findings.JUnit(out, results)
	}
	return status, errors.Join(err, out.Flush())
}

// unreadable is the issue of an input that could not be read.
func unreadable(err error) engine.Issue {
	typ := "exception"
	if errors.Is(err, fs.ErrNotExist) {
		typ = "not-found"
	}
	return engine.Issue{Severity: engine.Fatal, Type: typ, Key: "input", Text: "the input could not be read", Detail: err.Error()}
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

// each gives every input in turn, or why it could not be read: a file is one
// document, unless it holds one a line.
func (c validateCommand) each(stdin io.Reader, f func(name string, text []byte, unread error) error) error {
	for _, name := range c.Files {
		text, err := readInput(name, stdin)
		if err != nil || !c.NDJSON && !byLine(name, text) {
			if err := f(name, text, err); err != nil {
				return err
			}
			continue
		}
		n := 0
		for line := range bytes.Lines(text) {
			if n++; len(bytes.TrimSpace(line)) == 0 {
				continue
			}
			if err := f(fmt.Sprintf("%s:%d", name, n), line, nil); err != nil {
				return err
			}
		}
	}
	return nil
}

// byLine reports NDJSON: by its name, or where more lines follow a first one that
// is an object of its own. Where the first is no JSON however it may go on, the
// second decides, so that one bad line does not join all others to it.
func byLine(name string, text []byte) bool {
	if strings.HasSuffix(name, ".ndjson") {
		return true
	}
	n, broken := 0, false
	for line := range bytes.Lines(text) {
		if line = bytes.TrimSpace(line); len(line) == 0 {
			continue
		}
		n++
		whole, goesOn := object(line)
		switch {
		case n == 1 && !whole && goesOn:
			return false // a document over several lines begins so
		case n == 1:
			broken = !whole
		default:
			return !broken || whole
		}
	}
	return false
}

// object reports a line that is one JSON object, and otherwise whether it is the
// beginning of a value.
func object(line []byte) (whole, goesOn bool) {
	if json.Valid(line) {
		return line[0] == '{', line[0] != '{'
	}
	err := json.NewDecoder(bytes.NewReader(line)).Decode(&json.RawMessage{})
	return false, errors.Is(err, io.ErrUnexpectedEOF)
}

// validator answers $validate. The outcome goes to whom the resource came from,
// and still holds nothing of it: a hub may log it.
func validator(s mapping.Settings, clock func() time.Time) hub.Validator {
	v := engine.New(definitions(s.Terms))
	return func(ctx context.Context, resource []byte, profiles []string) ([]byte, error) {
		issues := v.Validate(resource, engine.Options{Profiles: profiles, Now: clock(), Done: ctx.Done()})
		return findings.Outcome(issues, false), ctx.Err()
	}
}
