package batch

import (
	"bufio"
	"bytes"
	"compress/gzip"
	"database/sql"
	"encoding/json"
	"errors"
	"io"
	"maps"
	"os"
	"path/filepath"
	"slices"

	"nailbridge/mapping"
)

// files are the output, one file a type of resource. Each piece of a file is
// synced before the working file says how long the file is; a run that goes on cuts
// a file to that length. Of gzip each piece is a member of its own (RFC 1952 section
// 2.2), so that the bytes do not depend on where a run was killed.
type files struct {
	o        Options
	sizes    map[string]int64
	open     map[string]*os.File
	patients int
	pieces   map[string]*bytes.Buffer // by type; kept, since each has grown to what a piece takes
	packed   bytes.Buffer
	packer   *gzip.Writer
}

func openFiles(o Options, s *spool) (*files, error) {
	f := &files{o: o, sizes: map[string]int64{}, open: map[string]*os.File{}, pieces: map[string]*bytes.Buffer{}, packer: gzip.NewWriter(io.Discard)}
	v, err := s.meta("sizes")
	if err != nil {
		return nil, err
	}
	if v != "" {
		if err := json.Unmarshal([]byte(v), &f.sizes); err != nil {
			return nil, err
		}
	}
	if f.patients, err = s.number("patients"); err != nil || o.DryRun {
		return f, err
	}
	return f, f.cut()
}

// cut takes away what an earlier run wrote and did not get to note.
func (f *files) cut() error {
	for _, pattern := range []string{"*.ndjson", "*.ndjson.gz"} {
		paths, err := filepath.Glob(filepath.Join(f.o.Out, pattern))
		if err != nil {
			return err
		}
		for _, p := range paths {
			if err := os.Truncate(p, f.sizes[filepath.Base(p)]); err != nil {
				return err
			}
		}
	}
	return nil
}

func (f *files) close() error {
	var errs []error
	for _, file := range f.open {
		errs = append(errs, file.Close())
	}
	return errors.Join(errs...)
}

// write writes what some patients became, and keeps how far the run is.
func (f *files) write(s *spool, done []folded, after [2]string) error {
	for _, d := range done {
		if d.err != nil {
			return d.err
		}
		for _, r := range d.res.Resources {
			if mapping.FoldedPerClinic(r.Type()) {
				continue
			}
			f.add(r.Type(), r.JSON())
		}
	}
	if err := f.flush(); err != nil {
		return err
	}
	f.patients += len(done)
	return s.within(func(tx *sql.Tx) error {
		if err := keepOutcomes(tx, done); err != nil {
			return err
		}
		return errors.Join(setMeta(tx, "sizes", string(jsonOf(f.sizes))), setMeta(tx, "folded", string(jsonOf(after))),
			setMeta(tx, "patients", string(jsonOf(f.patients))))
	})
}

// add adds a resource to the piece of its type.
func (f *files) add(typ string, body []byte) {
	if f.pieces[typ] == nil {
		f.pieces[typ] = &bytes.Buffer{}
	}
	f.pieces[typ].Write(body)
	f.pieces[typ].WriteByte('\n')
}

// flush writes the pieces.
func (f *files) flush() error {
	for _, typ := range slices.Sorted(maps.Keys(f.pieces)) {
		if f.pieces[typ].Len() == 0 {
			continue // of no type that came this time
		}
		if err := f.append(typ, f.pieces[typ].Bytes()); err != nil {
			return err
		}
		f.pieces[typ].Reset()
	}
	return nil
}

// append writes a piece to the file of a type.
func (f *files) append(typ string, piece []byte) error {
	if f.o.DryRun {
		return nil
	}
	name := typ + ".ndjson"
	if f.o.Gzip {
		name += ".gz"
		f.packed.Reset()
		f.packer.Reset(&f.packed)
		if _, err := f.packer.Write(piece); err != nil {
			return err
		}
		if err := f.packer.Close(); err != nil {
			return err
		}
		piece = f.packed.Bytes()
	}
	file, err := f.file(name)
	if err != nil {
		return err
	}
	n, err := file.Write(piece)
	f.sizes[name] += int64(n)
	return errors.Join(err, file.Sync())
}

// file is the open file of a name, cut to the length that the working file knows.
func (f *files) file(name string) (*os.File, error) {
	if file := f.open[name]; file != nil {
		return file, nil
	}
	file, err := os.OpenFile(filepath.Join(f.o.Out, name), os.O_CREATE|os.O_RDWR, 0o644)
	if err != nil {
		return nil, err
	}
	f.open[name] = file
	if err := file.Truncate(f.sizes[name]); err != nil {
		return nil, err
	}
	_, err = file.Seek(f.sizes[name], io.SeekStart)
	return file, err
}

// lines counts the lines of some files of the output.
func (o Options) lines(names []string) (map[string]int, error) {
	counts, errs := make([]int, len(names)), make([]error, len(names))
	o.each(len(names), func(i int) { counts[i], errs[i] = lines(filepath.Join(o.Out, names[i])) })
	out := map[string]int{}
	for i, name := range names {
		out[name] = counts[i]
	}
	return out, errors.Join(errs...)
}

// lines counts the lines of a file of the output.
func lines(path string) (int, error) {
	file, err := os.Open(path)
	if err != nil {
		return 0, err
	}
	defer file.Close()
	var in io.Reader = file
	if filepath.Ext(path) == ".gz" {
		if in, err = gzip.NewReader(file); err != nil {
			return 0, err
		}
	}
	n := 0
	for r := bufio.NewReaderSize(in, 1<<16); ; {
		b, err := r.ReadSlice('\n')
		if errors.Is(err, io.EOF) {
			return n, nil
		}
		if err != nil && !errors.Is(err, bufio.ErrBufferFull) {
			return n, err
		}
		if len(b) > 0 && b[len(b)-1] == '\n' {
			n++
		}
	}
}
