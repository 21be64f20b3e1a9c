// Package revert turns files of FHIR back into clinic records, whatever their size: it
// puts each resource away on disk as it comes, finds out what belongs together, and has
// mapping/back read the resources of one patient after another. What it holds at once
// are those of one patient, the clinic's staff, and what joins patients to one another.
//
// The working files hold what was read, patients' data with it, until Close. Where the
// system allows it they have no name, and are gone with the process.
package revert

import (
	"context"
	"errors"
	"io"

	"nailbridge/mapping/back"
	"nailbridge/mapping/record"
)

// Run is one way back.
type Run struct {
	shelf  *shelf
	around int // leaves around the resources in Bundles
}

// Summary is what was read.
type Summary struct {
	Records int
	Leaves  back.Leaves
	Most    int // resources held at once
}

// Open begins a way back with working files in a folder of their own within dir; "" is
// the system's folder for such.
func Open(dir string) (*Run, error) {
	s, err := openShelf(dir)
	return &Run{shelf: s}, err
}

// Close removes the working files.
func (r *Run) Close() error { return r.shelf.close() }

// Take puts away the resources of an input (back.Scan), and gives how many it has.
func (r *Run) Take(ctx context.Context, name string, in io.Reader) (found int, err error) {
	around, err := back.Scan(name, in, func(x back.Resource) error {
		found++
		return errors.Join(ctx.Err(), r.shelf.add(x))
	})
	r.around += around
	return found, err
}

// Read reads the records out of all that was taken. What is found it gives as it comes,
// one patient after another in an order of their own; the records are there for Records
// then.
func (r *Run) Read(ctx context.Context, o back.Options, revisions bool, found func([]back.Finding) error) (sum Summary, err error) {
	if err := r.shelf.link(ctx); err != nil {
		return sum, err
	}
	parts := back.NewParts(o, revisions)
	take := func(res back.Result, err error) error {
		if err != nil {
			return err
		}
		sum.Records += len(res.Records)
		sum.Leaves = back.Leaves{All: sum.Leaves.All + res.Leaves.All, Read: sum.Leaves.Read + res.Leaves.Read, Named: sum.Leaves.Named + res.Leaves.Named}
		return errors.Join(r.shelf.keep(res.Records), found(res.Findings))
	}
	err = r.shelf.eachShared(ctx, func(p back.Piece) error { return take(parts.Share(p)) })
	if err == nil {
		err = r.shelf.eachOwner(ctx, func(own int64) error { return r.part(parts, own, take) })
	}
	if err == nil {
		err = r.shelf.eachLoose(ctx, func(of []back.Piece) error { return take(parts.Versions(of)) })
	}
	if err == nil {
		err = take(parts.Rest(r.around), nil)
	}
	sum.Most = parts.Most()
	return sum, err
}

// part reads what is of one patient.
func (r *Run) part(parts *back.Parts, own int64, take func(back.Result, error) error) error {
	mine, err := r.shelf.pieces(`SELECT id, at, len, NULL FROM res WHERE own = ? ORDER BY id`, own)
	if err != nil {
		return err
	}
	loose, err := r.shelf.pieces(`SELECT res.id, at, len, marks FROM guest JOIN res ON res.id = guest.res WHERE guest.own = ? ORDER BY res.id`, own)
	if err != nil {
		return err
	}
	guests := bodies(loose)
	if err := take(parts.Read(bodies(mine), guests)); err != nil {
		return err
	}
	for i := range guests {
		if err := r.shelf.note(loose[i].id, guests[i].Read); err != nil {
			return err
		}
	}
	return nil
}

// Records gives the records, by clinic, case, kind and id.
func (r *Run) Records(give func(body []byte) error) error {
	return r.shelf.texts(`SELECT body FROM record ORDER BY clinic, incident, kind, record, who, n`, give)
}

// PutAside keeps a text under a number, which may come twice: what a caller has beside the
// records and writes after them.
func (r *Run) PutAside(n int64, body []byte) error {
	_, err := r.shelf.exec(`INSERT OR IGNORE INTO aside VALUES (?, ?)`, n, body)
	return err
}

// Use takes a text out of those put aside.
func (r *Run) Use(n int64) error {
	_, err := r.shelf.exec(`DELETE FROM aside WHERE n = ?`, n)
	return err
}

// Aside gives the texts put aside that were not used, by their numbers.
func (r *Run) Aside(give func(body []byte) error) error {
	return r.shelf.texts(`SELECT body FROM aside ORDER BY n`, give)
}

// keep puts records away.
func (s *shelf) keep(rs []*record.Record) error {
	for _, r := range rs {
		body, err := record.Encode(r)
		if err != nil {
			return err
		}
		o := back.Order(r)
		if _, err := s.exec(`INSERT INTO record (clinic, incident, kind, record, who, body) VALUES (?,?,?,?,?,?)`, o[0], o[1], o[2], o[3], o[4], body); err != nil {
			return err
		}
	}
	return nil
}
