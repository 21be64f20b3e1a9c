package main

import (
	"context"
	"fmt"
	"sync/atomic"
	"time"

	"nailbridge/internal/store"
)

// renewPause is how long a fold of the store that failed waits before it is
// tried again.
const renewPause = 5 * time.Second

// upToDateStore is the store as hubs see it: nothing can be read while what is
// stored was folded under other settings, since it may no longer be shared
// under those in force (D3.1). They are asked to come back.
type upToDateStore struct {
	store.Store
	folding *atomic.Bool
}

// View is that of the store, once it is up to date.
func (s upToDateStore) View(ctx context.Context, fn func(store.Reader) error) error {
	if s.folding.Load() {
		return fmt.Errorf("%w: it is being folded again under changed settings", store.ErrUnavailable)
	}
	return s.Store.View(ctx, fn)
}

// renew folds the store again, if the settings in force ask for it, and then
// lets hubs in. Records are taken meanwhile.
func (a *app) renew(ctx context.Context) {
	for a.folding.Load() {
		a.log.Info("folding the store again: the settings or the release have changed")
		done, err := a.clinics.renew(ctx)
		if err == nil {
			err = a.withhold(ctx)
		}
		if err == nil {
			a.log.Info("folded the store again", "patients", done.Patients, "failed", done.Failed)
			a.folding.Store(false)
			return
		}
		if ctx.Err() == nil {
			a.log.Error("the store could not be folded again", "error", err)
		}
		select {
		case <-ctx.Done():
			return
		case <-time.After(renewPause):
		}
	}
}

// withhold keeps search parameters of which rows are missing from hubs.
func (a *app) withhold(ctx context.Context) error {
	missing, err := a.clinics.unindexed(ctx)
	if err == nil {
		a.offer.Withhold(missing)
	}
	return err
}

// index makes the rows of search parameters that are withheld, while hubs read,
// and then offers them.
func (a *app) index(ctx context.Context) {
	for a.offer.Withholds() && ctx.Err() == nil {
		a.log.Info("indexing the store for search parameters that this release brings: they are not offered yet")
		err := a.clinics.indexBehind(ctx)
		if err == nil {
			err = a.withhold(ctx)
		}
		if err == nil {
			a.log.Info("indexed the store: all search parameters are offered")
			return
		}
		if ctx.Err() == nil {
			a.log.Error("the store could not be indexed", "error", err)
		}
		select {
		case <-ctx.Done():
		case <-time.After(renewPause):
		}
	}
}
