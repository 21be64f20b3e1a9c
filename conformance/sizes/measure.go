package main

import (
	"bytes"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/url"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"nailbridge/conformance/running"
	"nailbridge/internal/hub"
	"nailbridge/internal/store/sqlite"
)

// times are what one question took on one store, each sorted.
type times struct {
	handler, bare []time.Duration
	bytes         int // of the answers, the mean
}

// asker asks one store, by the handler and bare.
type asker struct {
	*place
	handler  http.Handler
	answer   answer
	conn     *sql.Conn
	close    func() error
	prepared map[string]*sql.Stmt
	copied   []byte
}

// asked is a request with the statements that give its resources, and its answer.
type asked struct {
	request    *http.Request
	statements []statement
	answer     []byte
}

type statement struct {
	query string
	args  []any
}

func (p *place) asker(ctx context.Context) (*asker, error) {
	h, err := hub.New(hub.Options{
		Store: p.db, BaseURL: p.base, Zone: p.zone, Secret: make([]byte, 32),
		Log: slog.New(slog.NewTextHandler(io.Discard, nil)), // written as a bridge does, to nowhere
	})
	if err != nil {
		return nil, err
	}
	path := filepath.Join(running.DataIn(p.dir), sqlite.File)
	db, err := sql.Open("sqlite", (&url.URL{Scheme: "file", Path: path, RawQuery: "_pragma=query_only(1)"}).String())
	if err != nil {
		return nil, err
	}
	conn, err := db.Conn(ctx)
	if err != nil {
		return nil, errors.Join(err, db.Close())
	}
	return &asker{place: p, handler: h, conn: conn, close: db.Close, prepared: map[string]*sql.Stmt{}}, nil
}

// end gives everything back.
func (a *asker) end() error {
	for _, s := range a.prepared {
		_ = s.Close()
	}
	return errors.Join(a.conn.Close(), a.close())
}

// ask makes one request of each subject, and finds the statements of each that read
// resources: the others count, look up a bound, or open the transaction.
func (a *asker) ask(ctx context.Context, q question, subjects []subject) (out []asked, err error) {
	for _, c := range subjects {
		r, err := http.NewRequestWithContext(ctx, http.MethodGet, q.path(c), nil)
		if err != nil {
			return nil, err
		}
		one := asked{request: r}
		a.traced = func(query string, args []any) {
			if strings.Contains(query, "v.body") {
				one.statements = append(one.statements, statement{query, slices.Clone(args)})
			}
		}
		err = a.serve(one)
		a.traced = nil
		if err != nil {
			return nil, fmt.Errorf("%s: %w", q.name, err)
		}
		if len(one.statements) == 0 {
			return nil, fmt.Errorf("%s: no statement reads a resource", q.name)
		}
		one.answer = slices.Clone(a.answer.Bytes())
		out = append(out, one)
	}
	return out, nil
}

// serve lets the handler answer, into a.answer.
func (a *asker) serve(one asked) error {
	a.answer.reset()
	a.handler.ServeHTTP(&a.answer, one.request)
	if a.answer.status != http.StatusOK {
		return fmt.Errorf("answered %d: %s", a.answer.status, a.answer.Bytes())
	}
	return nil
}

// bare runs the statements alone, and copies the bytes of the answer.
func (a *asker) bare(ctx context.Context, one asked) error {
	for _, s := range one.statements {
		if err := a.run(ctx, s); err != nil {
			return err
		}
	}
	a.copied = append(a.copied[:0], one.answer...)
	return nil
}

// run runs one statement and reads every column of its rows.
func (a *asker) run(ctx context.Context, s statement) error {
	stmt := a.prepared[s.query]
	if stmt == nil {
		var err error
		if stmt, err = a.conn.PrepareContext(ctx, s.query); err != nil {
			return err
		}
		a.prepared[s.query] = stmt
	}
	rows, err := stmt.QueryContext(ctx, s.args...)
	if err != nil {
		return err
	}
	defer func() { _ = rows.Close() }()
	columns, err := rows.Columns()
	if err != nil {
		return err
	}
	values, into := make([]sql.RawBytes, len(columns)), make([]any, len(columns))
	for i := range values {
		into[i] = &values[i]
	}
	for rows.Next() {
		if err := rows.Scan(into...); err != nil {
			return err
		}
	}
	return rows.Err()
}

// warm is how many requests of each question are not counted.
const warm = 100

// measure asks one question of each store so often, in turn, by the handler and
// bare; which of the two is first changes each time.
func measure(ctx context.Context, stores []*asker, q question, n int) ([]times, error) {
	requests := make([][]asked, len(stores))
	for i, a := range stores {
		subjects, err := a.subjects(ctx, n)
		if err == nil {
			requests[i], err = a.ask(ctx, q, subjects)
		}
		if err != nil {
			return nil, err
		}
	}
	out := make([]times, len(stores))
	for round := -min(warm, n); round < n; round++ {
		for i, a := range stores {
			h, b, err := a.pair(ctx, requests[i][(round+n)%n], round%2 == 0)
			if err != nil {
				return nil, fmt.Errorf("%s: %w", q.name, err)
			}
			if round < 0 {
				continue
			}
			out[i].handler, out[i].bare = append(out[i].handler, h), append(out[i].bare, b)
			out[i].bytes += a.answer.Len()
		}
	}
	for i := range out {
		slices.Sort(out[i].handler)
		slices.Sort(out[i].bare)
		out[i].bytes /= n
	}
	return out, nil
}

// pair times the handler and the bare statements of one request.
func (a *asker) pair(ctx context.Context, one asked, handlerFirst bool) (handler, bare time.Duration, err error) {
	for _, ours := range []bool{handlerFirst, !handlerFirst} {
		began := time.Now()
		if ours {
			err = a.serve(one)
			handler = time.Since(began)
		} else {
			err = a.bare(context.WithoutCancel(ctx), one) // a context that can end is watched, which costs
			bare = time.Since(began)
		}
		if err != nil {
			return 0, 0, err
		}
	}
	return handler, bare, nil
}

// answer is a response that stays in memory.
type answer struct {
	bytes.Buffer
	header http.Header
	status int
}

func (a *answer) reset() {
	a.Reset()
	a.header, a.status = http.Header{}, http.StatusOK
}

// Header is part of http.ResponseWriter.
func (a *answer) Header() http.Header { return a.header }

// WriteHeader is part of http.ResponseWriter.
func (a *answer) WriteHeader(status int) { a.status = status }
