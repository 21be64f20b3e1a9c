// Package batch converts files of old records once: it reads every row, keeps what it
// read in a working file, folds patient by patient, and writes NDJSON by type with
// a manifest. It can be killed at any moment and goes on where it was; the files are then equal
// to those of an unbroken run. Every row of the input is accounted for exactly
// once.
package batch

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"nailbridge/internal/filelock"
	"nailbridge/internal/old"
	"nailbridge/internal/old/layout"
	"nailbridge/internal/old/table"
	"nailbridge/mapping"
	"nailbridge/mapping/record"
)

// Options are what a run is told.
type Options struct {
	Files   []string          // plain files; folders were listed
	NameAs  map[string]string // what a file is called in all that is written, by its own name
	Layout  layout.Layout
	Folder  string // of the layout, beside which its other files are
	Clinics []mapping.Settings
	AsOf    time.Time
	Out     string // folder of the output
	Workers int
	Gzip    bool
	DryRun  bool // reads and folds, and writes the lists of rows and no resources
	Limit   int  // rows a file; 0: all
	Since   *record.When
	// FollowSince: the plans of surgeries from this day on are followed here; nil: of
	// none.
	FollowSince *record.When
	LayoutName  string      // named in Provenance, with its version
	Sharing     record.Code // agreed or declined: the word that stands for what old rows do not say
	Basis       string      // its lawful basis
	Exclude     map[string]bool
	Decided     Decisions
	Check       Check   // looks at each record before the first is delivered, in a dry run too
	Treated     Treated // tells the toes of surgeries that no row of the run has; nil: nobody does
	There       There   // gives what the door has of a patient, in a dry run; nil: nothing
	Deliver     Deliver // takes the records in, instead of files of resources; not in a dry run
	Together    int     // patients whose records Deliver is given at once; 0: one
	Into        string  // names what Deliver hands them to, so that no run goes on into another
	Progress    func(stage string, done, all int)

	names   []string // of the inputs
	headers [][]byte // of the inputs, as the files have them
	rejects []string // names of the files of their rejected rows
}

// ErrOtherRun says that the working file is of a run with other inputs.
var ErrOtherRun = errors.New("the folder holds the working file of a run with other files, layout or options: give those, or another folder")

// Run converts. It goes on where an earlier run of the same options stopped.
func Run(ctx context.Context, o Options) (Summary, error) {
	inputs, err := o.inputs()
	if err != nil {
		return Summary{}, err
	}
	if err := survey(ctx, inputs); err != nil {
		return Summary{}, err
	}
	if err := os.MkdirAll(o.Out, 0o755); err != nil {
		return Summary{}, err
	}
	release, err := filelock.Hold(filepath.Join(o.Out, lockFile), 0)
	if err != nil {
		return Summary{}, fmt.Errorf("another run writes into the folder: %w", err)
	}
	defer release()
	print, err := o.fingerprint(inputs)
	if err != nil {
		return Summary{}, err
	}
	for _, in := range inputs {
		o.names, o.headers, o.rejects = append(o.names, in.name), append(o.headers, in.header), append(o.rejects, in.rejectsName())
	}
	s, err := openSpool(filepath.Join(o.Out, workFile), print)
	if err != nil {
		return Summary{}, err
	}
	defer s.close()
	if err := o.readAll(ctx, s, inputs); err != nil {
		return Summary{}, err
	}
	if err := o.check(ctx, s); err != nil {
		return Summary{}, err
	}
	publish := o.fold
	if o.Deliver != nil && !o.DryRun {
		publish = o.deliver
	}
	if err := publish(ctx, s); err != nil {
		return Summary{}, err
	}
	return o.finish(s)
}

// readAll reads the inputs, surgeries before what belongs to them, which takes its toes from
// those that are certain.
func (o Options) readAll(ctx context.Context, s *spool, inputs []input) error {
	for i := range inputs {
		if i > 0 && isSurgery(inputs[i-1]) && !isSurgery(inputs[i]) {
			if err := o.keys(s, inputs); err != nil {
				return err
			}
		}
		if err := o.read(ctx, s, i, &inputs[i]); err != nil {
			return fmt.Errorf("%s: %w", inputs[i].name, err)
		}
	}
	return o.keys(s, inputs)
}

func isSurgery(in input) bool { return in.table.Note.Kind == "surgery" }

// workFile holds what was read and how far the run is.
const workFile = "working.sqlite"

// lockFile is held by the run that writes into the folder.
const lockFile = "working.lock"

// Why a file is not read beside another, or by another table.
var (
	errTwoOfAName = errors.New("another file has the same name: a row would not be known by its file and number")
	errRejects    = errors.New("the rejected rows of another file would be written under this name: give mended rows that are run beside it a name of their own")
	errTwoTables  = errors.New("two tables of the layout, of different files, take it")
)

// input is one table of a file. Tables of the rows of one file have one name.
type input struct {
	source
	name   string // of the file, and the sheet
	table  layout.Table
	conv   *old.Converter
	header []byte
}

// inputs pairs files and tables. A file that no table describes, and a table whose
// columns do not fit, stop the run before anything is written.
func (o Options) inputs() ([]input, error) {
	beside, err := o.beside()
	if err != nil {
		return nil, err
	}
	var out []input
	var errs []error
	names, rejects := map[string]bool{}, map[string]bool{}
	for _, path := range o.Files {
		matched := false
		here := map[string]layout.Table{} // by name: what is of the rows of this file
		for _, t := range o.Layout.All() {
			from, ok := sourceOf(path, t)
			if !ok {
				continue
			}
			matched = true
			in, err := o.input(from, t, beside)
			switch first, again := here[in.name]; {
			case again && !first.SameRows(t):
				err = errors.Join(err, errTwoTables)
			case again:
			case names[in.name]:
				err = errors.Join(err, errTwoOfAName)
			case rejects[in.rejectsName()]:
				err = errors.Join(err, errRejects)
			case in.conv != nil:
				in.conv.Rest = true
			}
			here[in.name], names[in.name], rejects[in.rejectsName()] = t, true, true
			if err != nil {
				errs = append(errs, fmt.Errorf("%s: %w", filepath.Base(path), err))
				continue
			}
			out = append(out, in)
		}
		if !matched && !o.isBeside(path) {
			errs = append(errs, fmt.Errorf("%s: the layout has no table for it", filepath.Base(path)))
		}
	}
	if len(out)+len(errs) == 0 {
		return nil, errors.New("no file of old records is there")
	}
	slices.SortStableFunc(out, func(a, b input) int { return afterSurgeries(a) - afterSurgeries(b) })
	return out, errors.Join(errs...)
}

// afterSurgeries is 0 of a table of surgeries, and 1 of what belongs to them.
func afterSurgeries(in input) int {
	if isSurgery(in) {
		return 0
	}
	return 1
}

// identifies holds a layout to what no row can do without: whose number a patient has.
func identifies(t layout.Table) error {
	for _, path := range []string{"/patient/identifier/system", "/patient/identifier/value"} {
		if _, constant := t.Note.Constants[path]; !constant && !slices.ContainsFunc(t.Schema.Columns, func(c layout.Column) bool { return c.Note.Path == path }) {
			return fmt.Errorf("no column and no constant of the layout is %s: every row would be rejected", path)
		}
	}
	return nil
}

func (o Options) input(from source, t layout.Table, beside old.Beside) (input, error) {
	in := input{source: from, name: filepath.Base(from.path), table: t}
	if as, ok := o.NameAs[in.name]; ok {
		in.name = as
	}
	if t.Note.Sheet != "" && !from.rejects {
		in.name += "#" + t.Note.Sheet
	}
	kind, err := table.Kind(from.path)
	if err == nil {
		err = identifies(t)
	}
	if err != nil {
		return in, err
	}
	switch kind {
	case "json":
		in.conv, err = old.NewJSON(t, beside)
	default:
		var header []string
		header, in.header, err = readHeader(from, t)
		if err != nil {
			return in, err
		}
		if kind == "xlsx" {
			if in.epoch1904, err = table.Epoch1904(from.path); err != nil {
				return in, err
			}
		}
		in.conv, err = old.New(t, header, kind == "xlsx" || from.workbook, in.epoch1904, beside)
	}
	if err == nil {
		in.conv.SurgeryPrefix = o.surgeryPrefix(t)
		in.conv.File, in.conv.Layout = in.name, strings.TrimSpace(o.LayoutName+" "+t.Note.Version)
		in.conv.FollowSince = o.FollowSince
		in.conv.Wheres = o.wheres(t)
	}
	return in, err
}

// wheres tell the rows of all tables of a table's file, its own among them.
func (o Options) wheres(t layout.Table) (out []layout.Where) {
	for _, of := range o.Layout.All() {
		if w := of.Note.Where; w != nil && of.SameRows(t) {
			out = append(out, *w)
		}
	}
	return out
}

// surgeryPrefix is the prefix of the record ids of the table that a foreign key names.
func (o Options) surgeryPrefix(t layout.Table) string {
	if len(t.Schema.ForeignKeys) == 0 {
		return ""
	}
	of, _ := o.Layout.Surgeries(t.Schema.ForeignKeys[0])
	return of.Note.RecordPrefix
}
