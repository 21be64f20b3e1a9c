package main

import (
	"bytes"
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"
	"time"

	"github.com/google/uuid"

	"nailbridge/internal/config"
	"nailbridge/internal/revert"
	"nailbridge/internal/store"
	"nailbridge/internal/store/sqlite"
	"nailbridge/mapping"
	"nailbridge/mapping/back"
	"nailbridge/mapping/record"
)

// completed writes the records completed with what the store kept, then every
// other content that it kept, as sent: drafts, withdrawn and refused ones, those
// of patients who are not shared, and the revisions before. Which lines do not count among
// those of their record (D1.1) is told on stderr.
func (c toRecordsCommand) completed(e *env, w io.Writer, run *revert.Run) error {
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
	k := completion{settings: settings, run: run, w: w, notes: e.stderr}
	err = st.View(e.ctx, func(r store.Reader) error {
		k.store = r
		return k.all(e.ctx)
	})
	if err = errors.Join(err, st.Close()); err != nil {
		return err
	}
	fmt.Fprintf(e.stderr, "lines that do not count %d: each is named above; of a record's lines the other one counts\n", k.marked)
	fmt.Fprintf(e.stderr, "completed from the store %d, added from it %d, not in it %d\n", k.done, k.added, k.without)
	return nil
}

// completion completes records out of a store: it holds the contents of one patient or one
// record at a time, and has the run keep aside those that no record used.
type completion struct {
	settings             []mapping.Settings
	store                store.Reader
	run                  *revert.Run
	w, notes             io.Writer
	of                   [2]string // the record whose contents are at hand
	at                   keptOnes
	lines, marked        int // written so far, and those that do not count
	done, added, without int
}

func (k *completion) all(ctx context.Context) error {
	if err := k.setAside(ctx); err != nil {
		return err
	}
	err := k.run.Records(func(body []byte) error { return errors.Join(ctx.Err(), k.record(body)) })
	if err != nil {
		return err
	}
	return k.run.Aside(func(body []byte) error {
		k.added++
		return k.aside(body)
	})
}

// line writes a line, and says of a content that does not count why.
func (k *completion) line(body []byte, of *keptContent) error {
	k.lines++
	if why := of.mark(k.lines); why != nil {
		k.marked++
		if err := json.NewEncoder(k.notes).Encode(why); err != nil {
			return err
		}
	}
	return writeLine(k.w, body)
}

// aside writes a content of the store that no record used.
func (k *completion) aside(body []byte) error {
	r := record.Read(body, time.UTC).Record
	if err := k.look(r); err != nil {
		return err
	}
	i := slices.IndexFunc(k.at, func(c *keptContent) bool { return bytes.Equal(c.Body, body) })
	if i < 0 { // without a record id that can be read
		return k.line(compacted(body), &keptContent{Delivery: store.Delivery{Refused: true}, rec: r})
	}
	return k.line(compacted(body), k.at[i])
}

// look has the contents of a record at hand.
func (k *completion) look(r *record.Record) error {
	id := [2]string{r.Clinic, r.Record}
	if id == k.of && k.at != nil {
		return nil
	}
	ds, err := k.store.Deliveries(r.Clinic, r.Record)
	k.of, k.at = id, keptContents(ds, k.zone(r.Clinic))
	return err
}

// setAside has the run keep all contents of the store's clinics.
func (k *completion) setAside(ctx context.Context) error {
	clinics, err := k.store.Clinics()
	if err != nil {
		return err
	}
	for _, clinic := range clinics {
		err := deliveriesOf(k.store, clinic, func(ds []store.Delivery) error {
			for _, d := range ds {
				if err := errors.Join(ctx.Err(), k.run.PutAside(d.Seq, d.Body)); err != nil {
					return err
				}
			}
			return nil
		})
		if err != nil {
			return err
		}
	}
	return nil
}

// record writes a record completed with the content that it was folded from.
func (k *completion) record(body []byte) error {
	r := record.Read(body, time.UTC).Record
	if err := k.look(r); err != nil {
		return err
	}
	kept := k.at.of(r)
	if kept == nil {
		k.without++
		return k.line(body, nil)
	}
	k.done++
	kept.used = true
	if err := k.run.Use(kept.Seq); err != nil {
		return err
	}
	out, differ, err := back.WithKept(body, kept.Body, kept.zone)
	if err != nil {
		return err
	}
	for _, path := range differ {
		fmt.Fprintf(k.notes, "the store says otherwise: record %s %s\n", r.Record, path)
	}
	return k.line(out, kept)
}

// zone is that of a clinic; of one that the settings no longer name, that of the first.
func (k *completion) zone(clinic string) *time.Location {
	for _, s := range k.settings {
		if s.Clinic.ID == clinic {
			return s.Clinic.Zone
		}
	}
	return k.settings[0].Clinic.Zone
}

// keptContent is a content that the store kept.
type keptContent struct {
	store.Delivery
	rec     *record.Record
	zone    *time.Location // of its clinic
	current bool
	used    bool
}

// notCounting says of a line of the output that it does not count, and why.
type notCounting struct {
	Code     string `json:"code"`
	Line     int    `json:"line"`
	Clinic   string `json:"clinic,omitempty"`
	Record   string `json:"record,omitempty"`
	Revision *int64 `json:"revision,omitempty"`
	Text     string `json:"text"`
}

// mark is why a content does not count (D1.1, D2); nil where it does, and where the store
// does not have it.
func (c *keptContent) mark(line int) *notCounting {
	if c == nil || c.current {
		return nil
	}
	out := notCounting{"superseded", line, c.rec.Clinic, c.rec.Record, c.rec.Revision, "another content of this record counts"}
	switch {
	case c.Refused:
		out.Code, out.Text = "refused", "refused when it came: it never counted"
	case c.rec.Status == "draft":
		out.Code, out.Text = "draft", "a draft: it counts for nothing"
	case c.Held:
		out.Code, out.Text = "held", "held, since our own check did not pass it: what counts stands beside it"
	}
	return &out
}

// keptOnes are the contents of one record.
type keptOnes []*keptContent

func keptContents(ds []store.Delivery, zone *time.Location) keptOnes {
	out := keptOnes{}
	for _, d := range ds {
		out = append(out, &keptContent{Delivery: d, rec: record.Read(d.Body, zone).Record, zone: zone})
	}
	slices.SortFunc(out, func(a, b *keptContent) int { return cmp.Compare(a.Seq, b.Seq) })
	out.stand()
	return out
}

// deliveriesOf gives all deliveries of a clinic, patient by patient, some of them twice.
func deliveriesOf(r store.Reader, clinic string, give func([]store.Delivery) error) error {
	refused, err := r.DeliveriesList(clinic, "refused")
	if err == nil {
		err = give(refused)
	}
	if err != nil {
		return err
	}
	owners, err := r.Owners(clinic)
	if err != nil {
		return err
	}
	for _, o := range owners {
		of, err := r.DeliveriesOf(o)
		merges, err2 := r.Merges(o)
		if err = errors.Join(err, err2); err == nil {
			err = give(append(of, merges...))
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// stand marks the content that counts (D1.1).
func (ks keptOnes) stand() {
	var ds []mapping.Delivery
	for _, k := range ks {
		if !k.Refused {
			ds = append(ds, mapping.Delivery{Record: k.rec, Hash: k.Hash, Received: k.Received, Held: k.Held})
		}
	}
	if len(ds) == 0 {
		return
	}
	now := mapping.Stand(ds, ks[0].zone).Current
	for _, k := range ks {
		k.current = now != nil && k.rec == now.Record
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
