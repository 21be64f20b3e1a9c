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
	"net/http"
	"os"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"

	"nailbridge/internal/config"
	"nailbridge/internal/pull"
	"nailbridge/internal/store"
	"nailbridge/internal/store/sqlite"
	"nailbridge/mapping"
	"nailbridge/mapping/back"
	"nailbridge/mapping/record"
	"nailbridge/mapping/terms"
)

type toRecordsCommand struct {
	Files     []string `arg:"" optional:"" name:"file" help:"FHIR in JSON: resources, Bundles, or NDJSON of them; - for standard input."`
	Hub       string   `placeholder:"URL" help:"Base address of a FHIR server to read from by search, in place of files."`
	Patient   string   `placeholder:"SYSTEM|VALUE" help:"With --hub: this patient only."`
	KeyFile   string   `type:"existingfile" help:"With --hub: file that holds the bearer key."`
	Revisions bool     `help:"Every published revision of each record, from all versions of the resources."`
	Clinic    string   `help:"Clinic of records whose FHIR names none."`
	WithKept  bool     `help:"Complete the records with what the clinic's own store kept; wants --config and --data."`
	Config    string   `type:"existingfile" help:"With --with-kept: settings file."`
	Data      string   `type:"existingdir" help:"With --with-kept: data folder of the clinic."`
	Each      bool     `help:"Name what was not read resource by resource, not by type and element."`
}

// pullTimeout bounds one answer of a server.
const pullTimeout = 2 * time.Minute

// Run writes the records to stdout, one a line, and to stderr what was not read,
// what no FHIR holds, and the counts.
func (c toRecordsCommand) Run(e *env) error {
	if err := c.check(); err != nil {
		return err
	}
	inputs, err := c.inputs(e)
	if err != nil {
		return err
	}
	read := back.Read
	if c.Revisions {
		read = back.Revisions
	}
	res, err := read(back.Options{Terms: terms.MustLoad(), Clinic: c.Clinic}, inputs...)
	if err != nil {
		return err
	}
	out := bufio.NewWriter(e.stdout)
	if c.WithKept {
		err = c.completed(e, out, res)
	} else {
		err = writeRecords(out, res.Records)
	}
	return errors.Join(err, out.Flush(), c.report(e.stderr, res))
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

func (c toRecordsCommand) inputs(e *env) ([]back.Input, error) {
	if c.Hub != "" {
		return c.pulled(e.ctx)
	}
	files, err := readInputs(c.Files, e.stdin)
	var out []back.Input
	for _, f := range files {
		out = append(out, back.Input{Name: f.Name, Data: f.Data})
	}
	return out, err
}

func (c toRecordsCommand) pulled(ctx context.Context) ([]back.Input, error) {
	s := pull.Server{Base: c.Hub, Client: &http.Client{Timeout: pullTimeout}}
	if c.KeyFile != "" {
		b, err := os.ReadFile(c.KeyFile)
		if err != nil {
			return nil, err
		}
		s.Key = strings.TrimSpace(string(b))
	}
	var pages []pull.Page
	var err error
	if c.Patient != "" {
		pages, err = s.OfPatient(ctx, c.Patient)
	} else {
		pages, err = s.All(ctx, c.Revisions)
	}
	var out []back.Input
	for i, p := range pages {
		out = append(out, back.Input{Name: fmt.Sprintf("page %d", i+1), Data: p.Body})
	}
	return out, err
}

func writeRecords(w io.Writer, rs []*record.Record) error {
	for _, r := range rs {
		b, err := record.Encode(r)
		if err == nil {
			_, err = w.Write(append(b, '\n'))
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// report writes what was not read as lines of JSON, then what no FHIR holds,
// then the counts.
func (c toRecordsCommand) report(w io.Writer, res back.Result) error {
	enc := json.NewEncoder(w)
	enc.SetEscapeHTML(false)
	findings := res.Findings
	if !c.Each {
		findings = together(findings)
	}
	for _, f := range findings {
		if err := enc.Encode(f); err != nil {
			return err
		}
	}
	for _, class := range back.NotHere {
		fmt.Fprintf(w, "in no FHIR, of any record: %s\n", class)
	}
	_, err := fmt.Fprintf(w, "records %d, findings %d, leaves %d, read %d, named in a finding %d\n",
		len(res.Records), len(findings), res.Leaves.All, res.Leaves.Read, res.Leaves.Named)
	return err
}

// together joins the findings of one type of resource and one element.
func together(fs []back.Finding) []back.Finding {
	var out []back.Finding
	at := map[back.Finding]int{}
	for _, f := range fs {
		f.Resource, _, _ = strings.Cut(f.Resource, "/")
		leaves := f.Leaves
		f.From, f.Leaves = "", 0
		i, ok := at[f]
		if !ok {
			i = len(out)
			at[f] = i
			out = append(out, f)
		}
		out[i].Leaves += leaves
	}
	slices.SortFunc(out, func(a, b back.Finding) int {
		return cmp.Or(strings.Compare(a.Resource, b.Resource), strings.Compare(a.Path, b.Path), strings.Compare(a.Code, b.Code))
	})
	return out
}

// completed writes the records completed with what the store kept, then every
// other content that it kept, as sent: drafts, withdrawn and refused ones, those
// of patients who are not shared, and the revisions before.
func (c toRecordsCommand) completed(e *env, w io.Writer, res back.Result) error {
	file, err := config.Read(c.Config)
	if err != nil {
		return err
	}
	settings, err := file.Settings(uuid.Nil) // no id is made
	if err != nil {
		return err
	}
	st, err := sqlite.Open(e.ctx, sqlite.Options{Dir: c.Data, ReadOnly: true})
	if err != nil {
		return fmt.Errorf("data folder: %w", err)
	}
	kept, err := keptContents(e.ctx, st, settings)
	if err = errors.Join(err, st.Close()); err != nil {
		return err
	}
	byID := kept.byID()
	done, without, added := 0, 0, 0
	for _, r := range res.Records {
		k := byID[[2]string{r.Clinic, r.Record}].of(r)
		if k == nil {
			without++
			err = writeRecords(w, []*record.Record{r})
		} else {
			done++
			err = k.complete(e.stderr, w, r)
		}
		if err != nil {
			return err
		}
	}
	for _, k := range kept {
		if k.used {
			continue
		}
		added++
		if _, err := w.Write(append(compacted(k.Body), '\n')); err != nil {
			return err
		}
	}
	fmt.Fprintf(e.stderr, "completed from the store %d, added from it %d, not in it %d\n", done, added, without)
	return nil
}

// complete writes a record completed with the content, and names on notes where
// the two say different things.
func (k *keptContent) complete(notes, w io.Writer, r *record.Record) error {
	k.used = true
	out, differ, err := back.WithKept(r, k.Body, k.zone)
	if err != nil {
		return err
	}
	for _, path := range differ {
		fmt.Fprintf(notes, "the store says otherwise: record %s %s\n", r.Record, path)
	}
	_, err = w.Write(append(out, '\n'))
	return err
}

// keptContent is a content that the store kept.
type keptContent struct {
	store.Delivery
	rec     *record.Record
	zone    *time.Location // of its clinic
	current bool
	used    bool
}

type keptOnes []*keptContent

// keptContents reads every content of the store's clinics, each in the zone of its
// own; of a clinic that the settings no longer name, in that of the first.
func keptContents(ctx context.Context, st store.Store, settings []mapping.Settings) (keptOnes, error) {
	var out keptOnes
	err := st.View(ctx, func(r store.Reader) error {
		ids, err := r.Clinics()
		if err != nil {
			return err
		}
		seen := map[int64]bool{}
		for _, clinic := range ids {
			all, err := deliveriesOf(r, clinic)
			if err != nil {
				return err
			}
			zone := settings[0].Clinic.Zone
			for _, s := range settings {
				if s.Clinic.ID == clinic {
					zone = s.Clinic.Zone
				}
			}
			for _, d := range all {
				if !seen[d.Seq] {
					seen[d.Seq] = true
					out = append(out, &keptContent{Delivery: d, rec: record.Read(d.Body, zone).Record, zone: zone})
				}
			}
		}
		return nil
	})
	slices.SortFunc(out, func(a, b *keptContent) int { return cmp.Compare(a.Seq, b.Seq) })
	out.stand()
	return out, err
}

// deliveriesOf are all deliveries of a clinic, some of them twice.
func deliveriesOf(r store.Reader, clinic string) ([]store.Delivery, error) {
	owners, err := r.Owners(clinic)
	if err != nil {
		return nil, err
	}
	all, err := r.DeliveriesList(clinic, "refused")
	for _, o := range owners {
		of, err2 := r.DeliveriesOf(o)
		merges, err3 := r.Merges(o)
		if err = errors.Join(err, err2, err3); err != nil {
			return nil, err
		}
		all = append(append(all, of...), merges...)
	}
	return all, err
}

// byID are the contents of each record, by clinic and record id.
func (ks keptOnes) byID() map[[2]string]keptOnes {
	out := map[[2]string]keptOnes{}
	for _, k := range ks {
		id := [2]string{k.Clinic, k.Record}
		out[id] = append(out[id], k)
	}
	return out
}

// stand marks the content of each record that counts (D1.1).
func (ks keptOnes) stand() {
	for _, of := range ks.byID() {
		var ds []mapping.Delivery
		for _, k := range of {
			if !k.Refused {
				ds = append(ds, mapping.Delivery{Record: k.rec, Hash: k.Hash, Received: k.Received, Held: k.Held})
			}
		}
		if len(ds) == 0 {
			continue
		}
		now := mapping.Stand(ds, of[0].zone).Current
		for _, k := range of {
			k.current = now != nil && k.rec == now.Record
		}
	}
}

// of is the content that a record was folded from, among those of its id: that of
// its revision and saved-at, else the one that counts.
func (ks keptOnes) of(r *record.Record) *keptContent {
	var counts *keptContent
	for _, k := range ks {
		switch {
		case k.used:
		case sameRevision(k.rec, r, k.zone):
			return k
		case k.current:
			counts = k
		}
	}
	return counts
}

func sameRevision(a, b *record.Record, zone *time.Location) bool {
	if (a.Revision == nil) != (b.Revision == nil) || a.Revision != nil && *a.Revision != *b.Revision || a.Status != b.Status {
		return false
	}
	if a.SavedAt == nil || b.SavedAt == nil {
		return a.SavedAt == b.SavedAt
	}
	x, _ := a.SavedAt.In(zone)
	y, _ := b.SavedAt.In(zone)
	return x.Equal(y)
}

// compacted is JSON on one line; what is none stays as it was sent.
func compacted(b []byte) []byte {
	var out bytes.Buffer
	if json.Compact(&out, b) != nil {
		return b
	}
	return out.Bytes()
}
