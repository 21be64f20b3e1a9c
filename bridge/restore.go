package main

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"path/filepath"
	"text/tabwriter"
	"time"

	"github.com/google/uuid"

	"nailbridge/internal/config"
	"nailbridge/internal/erasures"
	"nailbridge/internal/events"
	"nailbridge/internal/store"
	"nailbridge/internal/store/sqlite"
)

type restoreCommand struct {
	Data          string `required:"" type:"path" help:"Data folder without a data file; made if it does not exist."`
	From          string `xor:"what" required:"" type:"existingfile" placeholder:"FILE" help:"Backup."`
	List          bool   `xor:"what" required:"" help:"Restore nothing: list what was lost in the restores until now."`
	NamespaceFile string `type:"existingfile" placeholder:"FILE" help:"The secret namespace of ids, where the data folder does not hold it."`
	Erasures      string `type:"existingfile" placeholder:"FILE" help:"A list of erasures kept apart, where that of the data folder is lost."`
}

// Run restores, while no server runs on the data folder.
func (c restoreCommand) Run(e *env) (err error) {
	if c.List {
		return c.list(e)
	}
	release, err := config.Lock(c.Data)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, release()) }()
	namespace, err := c.namespace()
	if err != nil {
		return err
	}
	list, err := c.erasures()
	if err != nil {
		return err
	}
	now, found := e.clock().UTC(), 0
	done, err := sqlite.Restore(e.ctx, c.From, sqlite.Options{Dir: c.Data}, erasures.Mark(namespace), now, func(db *sqlite.DB) (err error) {
		found, err = c.prepare(e, db, namespace, list)
		return err
	})
	switch {
	case errors.Is(err, sqlite.ErrOpened):
		return fmt.Errorf("%w beside it: take a copy of the backup that was never opened", err)
	case errors.Is(err, fs.ErrExist):
		return fmt.Errorf("%w: move %s, and what is beside it with the same beginning, out of the data folder first", err, sqlite.File)
	case err != nil:
		return err
	}
	fmt.Fprintf(e.stdout, "restored, under the new epoch %s\n", done.Epoch)
	if found > 0 {
		fmt.Fprintf(e.stdout, "patients who were erased are in the backup: %d; they are erased again\n", found)
	}
	return c.list(e)
}

// namespace is that of the data folder, else the one given.
func (c restoreCommand) namespace() (uuid.UUID, error) {
	has, err := config.ReadNamespace(filepath.Join(c.Data, config.NamespaceFile))
	switch {
	case errors.Is(err, fs.ErrNotExist) && c.NamespaceFile == "":
		return uuid.Nil, errors.New("--namespace-file: the data folder holds no namespace of ids, and a backup never does (D1.7)")
	case errors.Is(err, fs.ErrNotExist):
		return config.ReadNamespace(c.NamespaceFile)
	case err != nil || c.NamespaceFile == "":
		return has, err
	}
	given, err := config.ReadNamespace(c.NamespaceFile)
	if err == nil && given != has {
		err = errors.New("--namespace-file: the data folder holds another namespace of ids")
	}
	return given, err
}

// erasures are those on the list of the data folder and on the one given.
func (c restoreCommand) erasures() ([]store.Erasure, error) {
	list, err := erasures.Read(filepath.Join(c.Data, erasures.File))
	if err != nil || c.Erasures == "" {
		return list, err
	}
	more, err := erasures.Read(c.Erasures)
	return append(list, more...), err
}

// prepare erases again who was erased since the backup, and keeps namespace and
// list in the folder before the data are there.
func (c restoreCommand) prepare(e *env, db *sqlite.DB, namespace uuid.UUID, list []store.Erasure) (found int, err error) {
	found, err = erasures.Apply(e.ctx, db, namespace, list, eraser(e))
	if err != nil {
		return found, err
	}
	var all []store.Erasure
	err = db.View(e.ctx, func(r store.Reader) error {
		all, err = r.Erasures("")
		return err
	})
	if err != nil {
		return found, err
	}
	return found, errors.Join(config.PutNamespace(c.Data, namespace), erasures.Add(c.Data, append(list, all...)...))
}

// list prints what each restore lost, as far as that can be known.
func (c restoreCommand) list(e *env) error {
	st, err := sqlite.Open(e.ctx, sqlite.Options{Dir: c.Data, ReadOnly: true})
	if err != nil {
		return fmt.Errorf("data folder: %w", err)
	}
	err = st.View(e.ctx, func(r store.Reader) error {
		all, err := r.Restores()
		if err != nil {
			return err
		}
		for _, x := range all {
			printLost(e.stdout, x)
		}
		if len(all) == 0 {
			fmt.Fprintln(e.stdout, "never restored")
			return nil
		}
		return printClinics(e.stdout, r)
	})
	streams, unread := events.HasStreams(c.Data)
	if err == nil && streams {
		fmt.Fprintln(e.stdout, "What the NATS server of this folder still keeps of the lost records is taken again by itself when serve starts.")
	}
	return errors.Join(err, unread, st.Close())
}

func printLost(w io.Writer, x store.Restore) {
	until := x.At.Format(time.RFC3339Nano)
	if x.Taken.IsZero() {
		fmt.Fprintf(w, "lost in epoch %s: whatever was answered after the last delivery below and before %s\n", x.Epoch, until)
		return
	}
	fmt.Fprintf(w, "lost before epoch %s: whatever was answered from %s until %s\n", x.Epoch, x.Taken.Format(time.RFC3339Nano), until)
}

// printClinics prints what the practice systems are to be asked for.
func printClinics(out io.Writer, r store.Reader) error {
	fmt.Fprint(out, "Each practice system sends again every record that was answered in that time; what is here already is answered\n"+
		"unchanged. Acknowledgements of flags given in that time are given again. Hubs that go on with a page or a history\n"+
		"link of before are answered 410 and begin anew. How many records are lost can not be known from here, nor of a\n"+
		"clinic that first sent after the backup.\n")
	clinics, err := r.Clinics()
	if err != nil {
		return err
	}
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "clinic\tdeliveries here\tlast received")
	for _, c := range clinics {
		n, last, err := r.Arrived(c)
		if err != nil {
			return err
		}
		received := "never"
		if n > 0 {
			received = last.Format(time.RFC3339Nano)
		}
		fmt.Fprintf(w, "%s\t%d\t%s\n", c, n, received)
	}
	return w.Flush()
}
