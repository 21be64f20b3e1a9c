package main

import (
	"errors"
	"fmt"
	"log/slog"
	"path/filepath"

	"github.com/google/uuid"

	"nailbridge/internal/config"
	"nailbridge/internal/erasures"
	"nailbridge/internal/events"
	"nailbridge/internal/receive"
	"nailbridge/internal/store"
	"nailbridge/internal/store/sqlite"
	"nailbridge/mapping"
	"nailbridge/mapping/record"
)

type eraseCommand struct {
	Data    string `required:"" type:"existingdir" help:"Data folder, which nothing serves meanwhile."`
	Clinic  string `required:"" help:"Clinic, as in record headers."`
	System  string `required:"" help:"System of the patient's identifier, as in records."`
	Value   string `required:"" help:"Value of the patient's identifier."`
	Reason  string `required:"" enum:"patient-request,retention-ended,order,mistake" help:"patient-request, retention-ended, order (of a court or an authority) or mistake."`
	Who     string `required:"" help:"Who has it done; kept with the tombstone."`
	Unknown bool   `help:"Also when nothing is stored of the patient: the streams are searched, and what was saved until now is kept out."`
}

// Run erases a patient: list, streams, store, files. Cut off in between, it can
// be run again; serve too goes on with store and files, by the list, and not with
// the streams, since the list does not say whom to look for.
func (c eraseCommand) Run(e *env) (err error) {
	release, err := config.Lock(c.Data)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, release()) }()
	namespace, err := config.ReadNamespace(filepath.Join(c.Data, config.NamespaceFile))
	if err != nil {
		return fmt.Errorf("namespace of ids: %w", err)
	}
	st, err := sqlite.Open(e.ctx, sqlite.Options{Dir: c.Data})
	if err != nil {
		return fmt.Errorf("data folder: %w", err)
	}
	return errors.Join(c.erase(e, st, namespace), st.Close())
}

func (c eraseCommand) erase(e *env, st *sqlite.DB, namespace uuid.UUID) error {
	patient := record.Identifier{System: c.System, Value: c.Value}
	o := store.Owner{Clinic: c.Clinic, Patient: mapping.PatientKey(patient)}
	x := store.Erasure{Subject: erasures.Subject(namespace, o), Reason: c.Reason, Who: c.Who, At: e.clock().UTC()}
	known, err := c.known(e, st, o, patient, x.Subject)
	if err != nil {
		return err
	}
	if err := erasures.Add(c.Data, x); err != nil {
		return err
	}
	messages, err := events.Erase(e.ctx, events.Erasing{
		Dir: c.Data, Clinic: c.Clinic, Patient: patient, Known: known, Log: slog.New(slog.NewTextHandler(e.stderr, nil)),
	})
	if err != nil {
		return err
	}
	err = st.Update(e.ctx, func(w store.Writer) error {
		return errors.Join(eraser(e)(w, o, x), erasures.ScrubDue(w))
	})
	if err == nil {
		err = erasures.Scrub(e.ctx, st)
	}
	if err != nil {
		return err
	}
	fmt.Fprintf(e.stdout, "erased: %d deliveries, %d resources, %d messages of streams\n", len(known.Deliveries), len(known.Resources), messages)
	if known.Nobodys > 0 {
		fmt.Fprintf(e.stdout, "Look through the list of refused records: of %d no patient could be read, and they stay.\n", known.Nobodys)
	}
	fmt.Fprintf(e.stdout, "Keep a copy of %s with the namespace, apart from backups: a backup of before holds the patient, and a\n"+
		"restore erases again who is on that list. Not reached: backups, an outside NATS server, hubs, the practice system.\n",
		filepath.Join(c.Data, erasures.File))
	return nil
}

// known is what is stored of the patient. Nothing, and no erasure that may have
// been cut off, is likely an identifier that was mistyped.
func (c eraseCommand) known(e *env, st *sqlite.DB, o store.Owner, p record.Identifier, subject string) (b store.Belongings, err error) {
	list, err := erasures.Read(filepath.Join(c.Data, erasures.File))
	if err != nil {
		return b, err
	}
	began := c.Unknown
	for _, x := range list {
		began = began || x.Subject == subject
	}
	err = st.View(e.ctx, func(r store.Reader) error {
		b, err = r.Belongings(o, func(body []byte) bool { return receive.Mentions(body, p) })
		return err
	})
	if err == nil && !began && len(b.Deliveries)+len(b.Resources) == 0 {
		err = errors.New("nothing is stored of this patient; nothing was erased (--unknown does it all the same)")
	}
	return b, err
}

// eraser erases one patient within a transaction.
func eraser(e *env) func(store.Writer, store.Owner, store.Erasure) error {
	return func(w store.Writer, o store.Owner, x store.Erasure) error {
		_, err := receive.Erase(w, o, x, e.clock())
		return err
	}
}

// eraseListed erases whoever is on the data folder's list of erasures and in
// its store, which is from before then or was left in the middle of it.
func eraseListed(e *env, dir string, st *sqlite.DB, namespace uuid.UUID, log *slog.Logger) error {
	list, err := erasures.Read(filepath.Join(dir, erasures.File))
	if err != nil || len(list) == 0 {
		return err
	}
	found, err := erasures.Apply(e.ctx, st, namespace, list, eraser(e))
	if found > 0 {
		log.Warn("patients who were erased were in the data again, or still, and are erased; their messages in NATS streams are not: run erase once more", "patients", found)
	}
	return err
}
