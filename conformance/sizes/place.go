package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"strconv"
	"time"

	"nailbridge/conformance/running"
	"nailbridge/internal/config"
	"nailbridge/internal/receive"
	"nailbridge/internal/searchparam"
	"nailbridge/internal/store"
	"nailbridge/internal/store/sqlite"
	"nailbridge/mapping"
)

// place is the store of one size, with a bridge that can be started on it.
type place struct {
	plans    int
	dir      string
	bridge   *running.Bridge
	base     string
	settings mapping.Settings
	zone     *time.Location // of searches
	db       *sqlite.DB
	traced   func(query string, args []any) // nil: nobody listens
	made     []template
}

// open opens the place of a size in a folder. A new one is first served once and
// empty, so that the store knows the settings that it is folded under.
func open(ctx context.Context, binary, dir string, plans int) (*place, error) {
	p := &place{plans: plans, dir: filepath.Join(dir, strconv.Itoa(plans))}
	if err := os.MkdirAll(p.dir, 0o700); err != nil {
		return nil, err
	}
	var before bool
	var err error
	if p.bridge, before, err = running.Kept(binary, p.dir); err != nil {
		return nil, err
	}
	if !before {
		if _, err := running.Starts(ctx, p.bridge, 1); err != nil {
			return nil, err
		}
		if err := p.bridge.Keep(); err != nil {
			return nil, err
		}
	}
	if err := p.readSettings(); err != nil {
		return nil, err
	}
	if p.made, err = templates(p.settings, min(plans, kinds)); err != nil {
		return nil, err
	}
	if err := p.openStore(ctx); err != nil {
		return nil, err
	}
	stale, err := p.receiver(time.Now).Stale(ctx)
	if err == nil && stale {
		err = fmt.Errorf("the store in %s is of another release or other settings: it would be folded again; take it away", p.dir)
	}
	if err != nil {
		return nil, errors.Join(err, p.db.Close())
	}
	return p, nil
}

// readSettings reads the settings that the bridge is served with.
func (p *place) readSettings() error {
	file, err := config.Read(running.SettingsIn(p.dir))
	if err != nil {
		return err
	}
	namespace, err := config.ReadNamespace(filepath.Join(running.DataIn(p.dir), config.NamespaceFile))
	if err != nil {
		return err
	}
	all, err := file.Settings(namespace)
	if err != nil {
		return err
	}
	p.base, p.settings = file.PublicBaseURL, all[0]
	p.zone, err = file.Location()
	return err
}

func (p *place) trace(query string, args []any) {
	if p.traced != nil {
		p.traced(query, args)
	}
}

func (p *place) index() searchparam.Index { return searchparam.Index{Base: p.base, Zone: p.zone} }

func (p *place) receiver(clock func() time.Time) *receive.Receiver {
	return &receive.Receiver{
		Store: p.db, Settings: p.settings, Index: p.index(), Clock: clock, Meter: receive.Uncounted{},
		Log: slog.New(slog.NewTextHandler(io.Discard, nil)),
	}
}

// filledMark is the mark of the store that says how many plans it was filled with.
const filledMark = "sizes-filled"

// filled is how many plans the store was filled with.
func (p *place) filled(ctx context.Context) (n int, err error) {
	err = p.db.View(ctx, func(r store.Reader) error {
		text, err := r.Mark(p.settings.Clinic.ID, filledMark)
		if err != nil || text == "" {
			return err
		}
		n, err = strconv.Atoi(text)
		return err
	})
	return n, err
}

func (p *place) openStore(ctx context.Context) (err error) {
	p.db, err = sqlite.Open(ctx, sqlite.Options{Dir: running.DataIn(p.dir), Trace: p.trace})
	return err
}

// settled is what the data file takes, in bytes, once all that was written ahead of
// it is in it: the store is closed for that.
func (p *place) settled(ctx context.Context) (int64, error) {
	if err := p.db.Close(); err != nil {
		return 0, err
	}
	info, err := os.Stat(filepath.Join(running.DataIn(p.dir), sqlite.File))
	if err != nil {
		return 0, err
	}
	return info.Size(), p.openStore(ctx)
}
