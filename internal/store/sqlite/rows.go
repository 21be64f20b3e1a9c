package sqlite

import (
	"database/sql"
	"fmt"
	"strings"
	"time"

	"nailbridge/internal/searchparam"
	"nailbridge/internal/store"
	"nailbridge/mapping/resource"
)

// rowsPerInsert bounds the parameters of one INSERT.
const rowsPerInsert = 100

// batch gathers the rows of one index table.
type batch struct {
	table, columns string
	rows           [][]any
}

// qualified is the name of a parameter in the index tables.
func qualified(resourceType, param string) string { return resourceType + "." + param }

// addRows stores the index rows of a version; equal rows count once.
func (t *txn) addRows(vid int64, resourceType string, rows []searchparam.Row) error {
	codes := batch{table: "index_code", columns: "vid, param, code, system"}
	texts := batch{table: "index_text", columns: "vid, param, text"}
	dates := batch{table: "index_date", columns: "vid, param, lo, hi"}
	quantities := batch{table: "index_quantity", columns: "vid, param, number, system, code, unit"}
	for _, r := range rows {
		param := qualified(resourceType, r.Param)
		switch r.Kind {
		case searchparam.Token, searchparam.Reference, searchparam.URI:
			codes.rows = append(codes.rows, []any{vid, param, r.Code, r.System})
		case searchparam.String:
			texts.rows = append(texts.rows, []any{vid, param, r.Text})
		case searchparam.Date:
			lo, hi := ends(searchparam.Alternative{Lo: r.Lo, Hi: r.Hi}, time.Microsecond)
			dates.rows = append(dates.rows, []any{vid, param, lo.down, hi.up})
		case searchparam.Quantity:
			quantities.rows = append(quantities.rows, []any{vid, param, r.Number, r.System, r.Code, r.Unit})
		default:
			return t.fail("put", fmt.Errorf("index row of kind %q", r.Kind))
		}
	}
	for _, b := range []batch{codes, texts, dates, quantities} {
		if err := t.insert(b); err != nil {
			return err
		}
	}
	return nil
}

func (t *txn) insert(b batch) error {
	for len(b.rows) > 0 {
		n := min(len(b.rows), rowsPerInsert)
		var args []any
		for _, r := range b.rows[:n] {
			args = append(args, r...)
		}
		group := "(" + marks(len(b.rows[0])) + ")"
		_, err := t.exec("put", `INSERT INTO `+b.table+` (`+b.columns+`) VALUES `+
			strings.TrimSuffix(strings.Repeat(group+", ", n), ", ")+` ON CONFLICT DO NOTHING`, args...)
		if err != nil {
			return err
		}
		b.rows = b.rows[n:]
	}
	return nil
}

// marks is n parameter marks, separated by commas.
func marks(n int) string { return strings.TrimSuffix(strings.Repeat("?, ", n), ", ") }

// Reindex gives every version of the owner that is neither hidden nor a DELETE
// entry the index rows of its content, in place of those it has.
func (t *txn) Reindex(o store.Owner, index func(resource.Resource) ([]searchparam.Row, error)) error {
	const op = "reindex"
	if err := t.enter(op); err != nil {
		return err
	}
	type version struct {
		vid  int64
		body []byte
	}
	var all []version
	err := t.each(op, `SELECT v.vid, v.body FROM resource r JOIN version v ON v.rid = r.rid
		WHERE r.clinic = ? AND r.patient = ? AND v.hidden = 0 AND v.deleted = 0`,
		[]any{o.Clinic, o.Patient}, func(rows *sql.Rows) error {
			var v version
			err := rows.Scan(&v.vid, &v.body)
			all = append(all, v)
			return err
		})
	if err != nil {
		return err
	}
	for _, v := range all {
		r, err := resource.FromJSON(v.body)
		if err != nil {
			return t.fail(op, err)
		}
		if err := t.dropRows(op, `?`, v.vid); err != nil {
			return err
		}
		rows, err := index(r)
		if err != nil {
			return t.fail(op, err)
		}
		if err := t.addRows(v.vid, r.Type(), rows); err != nil {
			return err
		}
	}
	return nil
}
