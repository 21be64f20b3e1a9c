package sqlite

import (
	"database/sql"
	"strconv"
	"strings"
	"time"

	"nailbridge/internal/store"
	"nailbridge/internal/store/order"
	"nailbridge/mapping/resource"
)

// current is versions.until of a version that has no successor.
const current = order.Current

const versionColumns = `v.type, v.id, v.number, v.epoch, v.seq, v.updated, v.deleted, v.body`

type scanner interface{ Scan(dest ...any) error }

func scanVersion(row scanner, more ...any) (store.Version, error) {
	var (
		v     store.Version
		epoch string
		ms    int64
	)
	dest := []any{&v.Ref.Type, &v.Ref.ID, &v.Number, &epoch, &v.Seq, &ms, &v.Deleted, &v.Body}
	if err := row.Scan(append(dest, more...)...); err != nil {
		return store.Version{}, err
	}
	v.VersionID = versionID(epoch, v.Number)
	v.LastUpdated = time.UnixMilli(ms).UTC()
	v.First = v.Number == 1
	return v, nil
}

func versionID(epoch string, number int64) string { return epoch + "-" + strconv.FormatInt(number, 10) }

// parseVersionID takes a version id apart; false for what versionID never gives.
func parseVersionID(id string) (epoch string, number int64, ok bool) {
	cut := strings.LastIndexByte(id, '-')
	if cut < 0 {
		return "", 0, false
	}
	number, err := strconv.ParseInt(id[cut+1:], 10, 64)
	epoch = id[:cut]
	return epoch, number, err == nil && versionID(epoch, number) == id
}

// Read gives the current version: ErrGone when deleted, ErrNotFound when
// there never was one.
func (s published) Read(ref resource.Ref) (store.Version, error) {
	if err := s.enter("read"); err != nil {
		return store.Version{}, err
	}
	within := s.within("r.clinic")
	v, err := scanVersion(s.queryRow(`
		SELECT `+versionColumns+` FROM resource r JOIN version v ON v.vid = r.current
		WHERE r.type = ? AND r.id = ? AND `+within.sql, append([]any{ref.Type, ref.ID}, within.args...)...))
	return s.shown("read", v, v.Deleted, err)
}

// VRead gives one version: ErrGone when it is hidden or a DELETE entry.
func (s published) VRead(ref resource.Ref, id string) (store.Version, error) {
	if err := s.enter("vread"); err != nil {
		return store.Version{}, err
	}
	epoch, number, ok := parseVersionID(id)
	if !ok {
		return store.Version{}, store.ErrNotFound
	}
	var hidden bool
	within := s.within("r.clinic")
	v, err := scanVersion(s.queryRow(`
		SELECT `+versionColumns+`, v.hidden FROM resource r JOIN version v ON v.rid = r.rid
		WHERE r.type = ? AND r.id = ? AND v.number = ? AND v.epoch = ? AND `+within.sql,
		append([]any{ref.Type, ref.ID, number, epoch}, within.args...)...), &hidden)
	return s.shown("vread", v, v.Deleted || hidden, err)
}

func (s *snapshot) shown(op string, v store.Version, gone bool, err error) (store.Version, error) {
	switch {
	case err == sql.ErrNoRows:
		return store.Version{}, store.ErrNotFound
	case err != nil:
		return store.Version{}, s.fail(op, err)
	case gone:
		return store.Version{}, store.ErrGone
	}
	return v, nil
}

// Exists reports whether a resource has a current version that is no DELETE
// entry.
func (s *snapshot) Exists(ref resource.Ref) (bool, error) {
	if err := s.enter("exists"); err != nil {
		return false, err
	}
	var n int
	return s.byKey("exists", `
		SELECT 1 FROM resource r JOIN version v ON v.vid = r.current
		WHERE r.type = ? AND r.id = ? AND v.deleted = 0`, []any{ref.Type, ref.ID}, &n)
}

// Owned gives every resource of the owner, deleted ones too, by type and id.
func (s *snapshot) Owned(o store.Owner) ([]store.Held, error) {
	if err := s.enter("owned"); err != nil {
		return nil, err
	}
	var out []store.Held
	err := s.each("owned", `
		SELECT r.type, r.id, r.kase, r.content, v.epoch, v.number, v.deleted, v.body
		FROM resource r JOIN version v ON v.vid = r.current
		WHERE r.clinic = ? AND r.patient = ? ORDER BY r.type, r.id`,
		[]any{o.Clinic, o.Patient}, func(rows *sql.Rows) error {
			var (
				h             store.Held
				epoch         string
				content, body []byte
			)
			if err := rows.Scan(&h.Ref.Type, &h.Ref.ID, &h.Case, &content, &epoch, &h.Version, &h.Deleted, &body); err != nil {
				return err
			}
			h.VersionID = versionID(epoch, h.Version)
			if !h.Deleted {
				content, err := contentFrom(content, body)
				if err != nil {
					return err
				}
				if h.Content, err = resource.FromJSON(content); err != nil {
					return err
				}
			}
			out = append(out, h)
			return nil
		})
	return out, err
}
