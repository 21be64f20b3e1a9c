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
