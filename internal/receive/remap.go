package receive

import (
	"context"

	"nailbridge/internal/store"
	"nailbridge/mapping"
)

// Re-map: what is stored is made again with what is in force now, all of it, as
// Renew does; counted, at a pace, and as a dry run first.

// Remapped says what a re-map wrote, or would write.
type Remapped struct {
	Clinic   string             `json:"clinic"`
	DryRun   bool               `json:"dryRun"`
	Causes   []mapping.Cause    `json:"causes"`
	Patients int                `json:"patients"`
	Failed   int                `json:"failed"` // patients whose fold does not pass our own check
	Versions int                `json:"versions"`
	Types    []RemappedType     `json:"resources"`
	Elements []RemappedElements `json:"elements"`
}

// RemappedType counts the versions of one resource type by what they are.
type RemappedType struct {
	Type           string `json:"type"`
	Created        int    `json:"created"`
	Updated        int    `json:"updated"`
	EnteredInError int    `json:"enteredInError"`
	Removed        int    `json:"removed"`
}

// RemappedElements counts the versions that differ from the one before in an
// element, named by its path without indexes.
type RemappedElements struct {
	Path     string `json:"path"`
	Versions int    `json:"versions"`
}

// Remap is Renew at a pace, and says what was written. A store that is made with
// all that is in force is left as it is.
func (v *Receiver) Remap(ctx context.Context, pace *Pace) (Remapped, error) {
	if _, err := v.KeepProtocols(ctx); err != nil {
		return Remapped{Clinic: v.Settings.Clinic.ID}, err
	}
	stale, err := v.Outdated(ctx)
	if err != nil || !stale {
		return Remapped{Clinic: v.Settings.Clinic.ID}, err
	}
	return v.renewAt(ctx, pace)
}

// DryRemap says what Remap would write now, from a snapshot. Nothing is written,
// and nobody has to wait for it.
func (v *Receiver) DryRemap(ctx context.Context) (out Remapped, err error) {
	out = Remapped{Clinic: v.Settings.Clinic.ID, DryRun: true}
	err = v.Store.View(ctx, func(r store.Reader) error {
		is, err := v.upToDateIn(r)
		if err != nil || is.folds {
			return err
		}
		re := *v
		re.Store, re.Meter = newTrial(r), Uncounted{}               // a dry run alarms nobody
		if err := re.Store.Update(ctx, func(w store.Writer) error { // what is left, not what was written before
			return w.SetMark(v.Settings.Clinic.ID, markPosition, "")
		}); err != nil {
			return err
		}
		out, err = re.renewAt(ctx, nil)
		out.DryRun = true
		return err
	})
	if err != nil {
		return out, unavailable(err)
	}
	return out, nil
}
