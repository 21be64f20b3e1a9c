package main

import (
	"bufio"
	"cmp"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"runtime/debug"
	"slices"
	"strings"
	"time"
	"unicode"

	"github.com/google/uuid"
	"github.com/schollz/progressbar/v3"

	"nailbridge/internal/config"
	"nailbridge/internal/old/batch"
	"nailbridge/internal/old/layout"
	"nailbridge/internal/old/table"
	"nailbridge/mapping/record"
)

type fromOldCommand struct {
	Paths     []string          `arg:"" name:"file" type:"path" help:"Files of old records (CSV, TSV, xlsx, JSON; plain or gzip), or folders of them."`
	Layouts   []string          `placeholder:"FILE" name:"layout" required:"" type:"existingfile" sep:"none" help:"Layout of the files: W3C table metadata with our annotations."`
	Config    string            `placeholder:"FILE" required:"" type:"existingfile" help:"Settings file."`
	Out       string            `placeholder:"DIR" required:"" type:"path" help:"Folder for the output; the same folder again goes on with a run that was stopped."`
	Sharing   string            `placeholder:"WORD" required:"" enum:"agreed,declined" help:"Whether patients whose old rows say nothing of it are shared with the region: agreed or declined."`
	Basis     string            `placeholder:"TEXT" help:"The lawful basis of agreed, or why declined."`
	Follow    string            `placeholder:"DAY|never" name:"follow-since" required:"" help:"Day from which on surgeries are followed here, with the reviews that are still to come; never: all of them are history."`
	AsOf      string            `placeholder:"TIME" required:"" help:"Date or date and time that stands for now, so that a run that goes on gives the same files."`
	NameAs    map[string]string `name:"name-as" placeholder:"FILE=WORDS" help:"What Provenance and the lists call a file, such as one that is named after a patient."`
	Exclude   string            `placeholder:"FILE" type:"existingfile" help:"File of patient identifiers, one a line, whose rows are left out."`
	Decisions string            `placeholder:"FILE" type:"existingfile" help:"Worksheet of an earlier run with people's decisions (accept, correct with the words, or leave, and who); goes with another --out."`
	Since     string            `placeholder:"DATE" help:"Leave out rows dated before."`
	Limit     int               `placeholder:"N" help:"So many rows of each file, to try a layout."`
	DryRun    bool              `help:"Read and fold, and write the lists of rows alone: no resources."`
	Gzip      bool              `help:"Pack the files of resources."`
	Workers   int               `placeholder:"N" help:"Patients folded at once; 0: as many as processors."`

	Into          string            `placeholder:"DIR" type:"existingdir" help:"Data folder that takes the records in, as if each had been sent; no files of resources are written." xor:"ids"`
	ToNATS        string            `name:"to-nats" placeholder:"URL" help:"NATS server of a bridge that takes the records in, as if its practice system had sent them; no files of resources are written." xor:"ids"`
	ClinicKey     map[string]string `name:"clinic-key" placeholder:"CLINIC=FILE" help:"With --to-nats: file that holds the key of a clinic's practice system."`
	Data          string            `placeholder:"DIR" type:"path" help:"Data folder whose namespace of ids is used." xor:"ids"`
	NamespaceFile string            `placeholder:"FILE" type:"existingfile" help:"File with the namespace of ids." xor:"ids"`
	DemoIDs       bool              `name:"demo-ids" help:"Ids in the public demo namespace: never for real patients." xor:"ids"`
}

// A conversion holds little, whatever the input, and leaves a megabyte of garbage a row: that
// is collected when it is so many percent of what is held, or sooner where the memory in
// use, in bytes, comes near a limit.
const (
	garbage = 400
	memory  = 256 << 20
)

// Run converts, and prints where every row ended. The exit status is 1 when rows
// wait for a person or were rejected or held.
func (c fromOldCommand) Run(e *env) (err error) {
	o, err := c.options(e)
	if err != nil {
		return err
	}
	if open := c.door(); open != nil {
		shut, err := open(e, &o)
		if err != nil {
			return err
		}
		defer func() { err = errors.Join(err, shut()) }()
	}
	defer debug.SetGCPercent(debug.SetGCPercent(garbage))
	defer debug.SetMemoryLimit(debug.SetMemoryLimit(memory))
	done := c.progress(e, &o)
	sum, err := batch.Run(e.ctx, o)
	done()
	if err != nil {
		return err
	}
	if err := sum.WriteText(e.stdout); err != nil {
		return err
	}
	if sum.Unfinished() {
		return exitError(1)
	}
	return nil
}

// hands reports whether the records are handed to a door, in place of files of resources.
func (c fromOldCommand) hands() bool { return c.Into != "" || c.ToNATS != "" }

// door opens what takes the records in, or of a dry run what can be asked of them; nil where
// neither is.
func (c fromOldCommand) door() func(*env, *batch.Options) (shut func() error, err error) {
	switch {
	case c.Into != "" && c.DryRun:
		return c.askInto
	case c.Into != "":
		return c.openInto
	case c.ToNATS != "" && !c.DryRun:
		return c.openNATS
	}
	return nil
}

// options turns what was asked into what a run is told.
func (c fromOldCommand) options(e *env) (batch.Options, error) {
	o := batch.Options{Out: c.Out, NameAs: c.NameAs, Workers: c.Workers, Gzip: c.Gzip, DryRun: c.DryRun, Limit: c.Limit,
		Sharing: record.Code(c.Sharing), Basis: strings.TrimSpace(c.Basis), Folder: filepath.Dir(c.Layouts[0]), LayoutName: filepath.Base(c.Layouts[0])}
	if o.Workers == 0 {
		o.Workers = runtime.NumCPU()
	}
	if len(c.Layouts) > 1 {
		return o, errors.New("--layout: one file; the tables of several stand in it as a group")
	}
	if len(c.ClinicKey) > 0 && c.ToNATS == "" {
		return o, errors.New("--clinic-key goes with --to-nats")
	}
	if o.Basis == "" {
		return o, errors.New("--basis: the lawful basis of --sharing is needed")
	}
	text, err := os.ReadFile(c.Layouts[0])
	if err != nil {
		return o, err
	}
	if o.Layout, err = layout.Read(text); err != nil {
		return o, fmt.Errorf("%s: %w", c.Layouts[0], err)
	}
	var left int
	if o.Files, left, err = listed(c.Paths); err != nil {
		return o, err
	}
	if left > 0 {
		fmt.Fprintf(e.stderr, "not read: %d folders within the folders, or files that are none of CSV, TSV, xlsx and JSON\n", left)
	}
	if err := c.namesKnown(o.Files); err != nil {
		return o, err
	}
	if o.FollowSince, err = c.followSince(); err != nil {
		return o, err
	}
	if err := c.settings(&o); err != nil {
		return o, err
	}
	return o, c.people(&o)
}

// namesKnown holds --name-as to the files that are read, and to words that are a name.
func (c fromOldCommand) namesKnown(files []string) error {
	for file, as := range c.NameAs {
		if !slices.ContainsFunc(files, func(path string) bool { return filepath.Base(path) == file }) {
			return fmt.Errorf("--name-as: no file %q is read", file)
		}
		if strings.TrimSpace(as) != as || as == "" || strings.ContainsFunc(as, func(r rune) bool { return !unicode.IsPrint(r) }) {
			return errors.New("--name-as: words without line ends and blanks at their ends")
		}
	}
	return nil
}

// followSince is the day from which on plans are followed; nil: none is.
func (c fromOldCommand) followSince() (*record.When, error) {
	if c.Follow == "never" {
		return nil, nil
	}
	w, err := record.ParseWhen(c.Follow)
	if err != nil || w.Partial() {
		return nil, errors.New("--follow-since: a whole date, or never")
	}
	return &w, nil
}

// settings are those of the clinics, under which sharing is as the run was told.
func (c fromOldCommand) settings(o *batch.Options) error {
	file, err := config.Read(c.Config)
	if err != nil {
		return err
	}
	// A bridge at the other end of NATS makes the ids; nothing made here leaves.
	ids := toFHIRCommand{Data: cmp.Or(c.Data, c.Into), NamespaceFile: c.NamespaceFile, DemoIDs: c.DemoIDs || c.ToNATS != ""}
	var namespace uuid.UUID
	if namespace, err = ids.namespace(); err != nil {
		return err
	}
	if o.Clinics, err = file.Settings(namespace); err != nil {
		return err
	}
	if c.hands() {
		if err := sameWord(o.Clinics, o.Sharing); err != nil {
			return err
		}
	}
	for i := range o.Clinics {
		o.Clinics[i].Clinic.ShareUnstated = ""
		if o.Sharing == "agreed" {
			o.Clinics[i].Clinic.ShareUnstated = o.Basis
		}
	}
	zone, err := file.Location()
	if err != nil {
		return err
	}
	o.AsOf, err = instant("--as-of", c.AsOf, zone)
	return err
}

// people reads who is left out, and what people decided.
func (c fromOldCommand) people(o *batch.Options) error {
	if c.Since != "" {
		w, err := record.ParseWhen(c.Since)
		if err != nil {
			return fmt.Errorf("--since: %w", err)
		}
		o.Since = &w
	}
	if c.Exclude != "" {
		f, err := os.Open(c.Exclude)
		if err != nil {
			return err
		}
		defer f.Close()
		o.Exclude = map[string]bool{}
		in := bufio.NewScanner(f)
		for in.Scan() {
			if id := strings.TrimSpace(strings.TrimPrefix(in.Text(), "\ufeff")); id != "" { // a mark that editors put before the first
				o.Exclude[id] = true
			}
		}
		if err := in.Err(); err != nil {
			return err
		}
	}
	if c.Decisions != "" {
		var err error
		o.Decided, err = batch.ReadDecisions(c.Decisions)
		return err
	}
	return nil
}

// listed are the files of some paths, folders by the names of their files; left counts what
// else is in those folders, which is not read.
func listed(paths []string) (files []string, left int, err error) {
	for _, p := range paths {
		info, err := os.Stat(p)
		if err != nil {
			return nil, 0, err
		}
		if !info.IsDir() {
			files = append(files, p)
			continue
		}
		entries, err := os.ReadDir(p)
		if err != nil {
			return nil, 0, err
		}
		for _, e := range entries {
			switch _, err := table.Kind(e.Name()); {
			case err != nil || e.IsDir():
				left++
			case !strings.HasSuffix(e.Name(), ".layout.json"):
				files = append(files, filepath.Join(p, e.Name()))
			}
		}
	}
	return files, left, nil
}

// progress shows a bar with rate and time left on a terminal, and nothing elsewhere.
func (c fromOldCommand) progress(e *env, o *batch.Options) func() {
	f, ok := e.stderr.(*os.File)
	if !ok {
		return func() {}
	}
	if info, err := f.Stat(); err != nil || info.Mode()&os.ModeCharDevice == 0 {
		return func() {}
	}
	var bar *progressbar.ProgressBar
	stage := ""
	o.Progress = func(now string, done, all int) {
		if now != stage {
			if all == 0 {
				all = -1
			}
			stage = now
			bar = progressbar.NewOptions(all, progressbar.OptionSetWriter(f), progressbar.OptionSetDescription(now),
				progressbar.OptionThrottle(200*time.Millisecond), progressbar.OptionShowCount(), progressbar.OptionShowIts(), progressbar.OptionSetPredictTime(true))
		}
		_ = bar.Set(done) // what a bar cannot show is no fault of the run
	}
	return func() {
		if bar != nil {
			fmt.Fprintln(f)
		}
	}
}
