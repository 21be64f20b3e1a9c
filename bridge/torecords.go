package main

import (
	"bufio"
	"bytes"
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"nailbridge/internal/pull"
	"nailbridge/internal/revert"
	"nailbridge/mapping/back"
	"nailbridge/mapping/terms"
)

type toRecordsCommand struct {
	Files     []string `arg:"" optional:"" name:"file" help:"FHIR in JSON: resources, Bundles, or NDJSON of them, plain or gzip; a folder of such files, of which its manifest.json names those that count; - for standard input."`
	Hub       string   `placeholder:"URL" help:"Base address of a FHIR server to read from by search, in place of files."`
	Patient   string   `placeholder:"SYSTEM|VALUE" help:"With --hub: this patient only."`
	KeyFile   string   `placeholder:"FILE" type:"existingfile" help:"With --hub: file that holds the bearer key."`
	Revisions bool     `help:"Every published revision of each record, from all versions of the resources."`
	Clinic    string   `placeholder:"ID" help:"Clinic of records whose FHIR names none."`
	WithKept  bool     `help:"Complete the records with what the clinic's own store kept; wants --config and --data."`
	Config    string   `placeholder:"FILE" type:"existingfile" help:"With --with-kept: settings file."`
	Data      string   `placeholder:"DIR" type:"existingdir" help:"With --with-kept: data folder of the clinic."`
	Each      bool     `help:"Name what was not read resource by resource, not by type and element."`
	Scratch   string   `placeholder:"DIR" type:"existingdir" help:"Folder for working files, as large as the FHIR unpacked, which hold patients' data until the end; else the system's for temporary files."`
}

// pullTimeout bounds one answer of a server.
const pullTimeout = 2 * time.Minute

// Run writes the records to stdout, one a line, and to stderr what was not read,
// what no FHIR holds, and the counts.
func (c toRecordsCommand) Run(e *env) (err error) {
	if err := c.check(); err != nil {
		return err
	}
	run, err := revert.Open(c.Scratch)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, run.Close()) }()
	if err := c.take(e, run); err != nil {
		return err
	}
	notes := unread{w: e.stderr, each: c.Each, at: map[back.Finding]int{}}
	sum, err := run.Read(e.ctx, back.Options{Terms: terms.MustLoad(), Clinic: c.Clinic}, c.Revisions, notes.found)
	if err != nil {
		return err
	}
	out := bufio.NewWriter(e.stdout)
	if c.WithKept {
		err = c.completed(e, out, run)
	} else {
		err = run.Records(func(body []byte) error { return writeLine(out, body) })
	}
	return errors.Join(err, out.Flush(), notes.end(sum))
}

func (c toRecordsCommand) check() error {
	switch {
	case (c.Hub == "") == (len(c.Files) == 0):
		return errors.New("files or --hub are needed, and not both")
	case c.Hub == "" && c.Patient+c.KeyFile != "":
		return errors.New("--patient and --key-file go with --hub")
	case c.Patient != "" && c.Revisions:
		return errors.New("--revisions reads all of a server: not with --patient")
	case c.WithKept && (c.Config == "" || c.Data == ""):
		return errors.New("--with-kept wants --config and --data")
	}
	return nil
}

// take has the run put away all that is to be read.
func (c toRecordsCommand) take(e *env, run *revert.Run) error {
	if c.Hub != "" {
		return c.pull(e.ctx, run)
	}
	for _, name := range c.Files {
		files, err := fhirFiles(name)
		if err != nil {
			return err
		}
		for _, f := range files {
			if err := f.take(e, run); err != nil {
				return err
			}
		}
	}
	return nil
}

// fhirFile is a file to read, and how many resources its manifest says it has; -1: none
// says it.
type fhirFile struct {
	path  string
	count int
}

func (f fhirFile) take(e *env, run *revert.Run) error {
	in := io.NopCloser(e.stdin)
	if f.path != "-" {
		file, err := os.Open(f.path)
		if err != nil {
			return err
		}
		in = file
	}
	found, err := run.Take(e.ctx, f.path, in)
	if err == nil && f.count >= 0 && found != f.count {
		err = fmt.Errorf("%s: has %d resources, and its manifest says %d", f.path, found, f.count)
	}
	return errors.Join(err, in.Close())
}

// fhirFiles are the files of a path: of a folder, and of a manifest, those that the
// manifest names; of a folder without one, all of FHIR in JSON.
func fhirFiles(path string) ([]fhirFile, error) {
	if path == "-" {
		return []fhirFile{{path, -1}}, nil
	}
	info, err := os.Stat(path)
	switch {
	case err != nil:
		return nil, err
	case !info.IsDir() && filepath.Base(path) == manifestName:
		return manifested(path)
	case !info.IsDir():
		return []fhirFile{{path, -1}}, nil
	}
	if _, err := os.Stat(filepath.Join(path, manifestName)); err == nil {
		return manifested(filepath.Join(path, manifestName))
	}
	entries, err := os.ReadDir(path)
	if err != nil {
		return nil, err
	}
	var out []fhirFile
	for _, e := range entries {
		name := strings.TrimSuffix(e.Name(), ".gz")
		if ext := filepath.Ext(name); !e.IsDir() && (ext == ".json" || ext == ".ndjson") {
			out = append(out, fhirFile{filepath.Join(path, e.Name()), -1})
		}
	}
	if out == nil {
		return nil, fmt.Errorf("%s: holds no file that ends in .json or .ndjson", path)
	}
	return out, nil
}

const manifestName = "manifest.json"

// manifested are the files that the manifest of an export names, beside it
// (https://hl7.org/fhir/uv/bulkdata/STU2/export.html).
func manifested(path string) ([]fhirFile, error) {
	b, err := os.ReadFile(path)
	if err != nil {
		return nil, err
	}
	var m struct {
		Output []struct {
			URL   string `json:"url"`
			Count *int   `json:"count"`
		} `json:"output"`
	}
	if err := json.Unmarshal(b, &m); err != nil {
		return nil, fmt.Errorf("%s: is no manifest in JSON", path)
	}
	var out []fhirFile
	for _, o := range m.Output {
		if !filepath.IsLocal(o.URL) || strings.Contains(o.URL, ":") {
			return nil, fmt.Errorf("%s: names a file that does not stand beside it", path)
		}
		f := fhirFile{filepath.Join(filepath.Dir(path), o.URL), -1}
		if o.Count != nil {
			f.count = *o.Count
		}
		out = append(out, f)
	}
	if out == nil {
		return nil, fmt.Errorf("%s: names no file of resources", path)
	}
	return out, nil
}

// pull has the run put away what a server has, page by page.
func (c toRecordsCommand) pull(ctx context.Context, run *revert.Run) error {
	s := pull.Server{Base: c.Hub, Client: &http.Client{Timeout: pullTimeout}}
	if c.KeyFile != "" {
		b, err := os.ReadFile(c.KeyFile)
		if err != nil {
			return err
		}
		s.Key = strings.TrimSpace(string(b))
	}
	n := 0
	give := func(p pull.Page) error {
		n++
		_, err := run.Take(ctx, fmt.Sprintf("page %d", n), bytes.NewReader(p.Body))
		return err
	}
	if c.Patient != "" {
		return s.OfPatient(ctx, c.Patient, give)
	}
	return s.All(ctx, c.Revisions, give)
}

func writeLine(w io.Writer, line []byte) error {
	_, err := w.Write(line)
	if err == nil {
		_, err = w.Write([]byte{'\n'})
	}
	return err
}

// unread says what was not read: resource by resource as it comes, or joined by type of
// resource and element at the end.
type unread struct {
	w    io.Writer
	each bool
	n    int
	at   map[back.Finding]int // leaves
}

func (r *unread) found(fs []back.Finding) error {
	for _, f := range fs {
		if r.each {
			if err := r.write(f); err != nil {
				return err
			}
			continue
		}
		leaves := f.Leaves
		f.Resource, _, _ = strings.Cut(f.Resource, "/")
		f.From, f.Leaves = "", 0
		r.at[f] += leaves
	}
	return nil
}

func (r *unread) write(f back.Finding) error {
	r.n++
	enc := json.NewEncoder(r.w)
	enc.SetEscapeHTML(false)
	return enc.Encode(f)
}

// end writes what was joined as lines of JSON, then what no FHIR holds, then the counts.
func (r *unread) end(sum revert.Summary) error {
	for _, f := range slices.SortedFunc(maps.Keys(r.at), func(a, b back.Finding) int {
		return cmp.Or(strings.Compare(a.Resource, b.Resource), strings.Compare(a.Path, b.Path), strings.Compare(a.Code, b.Code), strings.Compare(a.Text, b.Text))
	}) {
		leaves := r.at[f]
		f.Leaves = leaves
		if err := r.write(f); err != nil {
			return err
		}
	}
	for _, class := range back.NotHere {
		fmt.Fprintf(r.w, "in no FHIR, of any record: %s\n", class)
	}
	fmt.Fprintln(r.w, "leaves are the strings, numbers and booleans of the FHIR: each was read into a record, or is named above")
	_, err := fmt.Fprintf(r.w, "records %d, findings %d, leaves %d, read %d, named in a finding %d\n",
		sum.Records, r.n, sum.Leaves.All, sum.Leaves.Read, sum.Leaves.Named)
	return err
}
