package receive

import (
	"context"
	"encoding/json"
	"fmt"

	"nailbridge/internal/searchparam"
	"nailbridge/internal/store"
)

// Index rows are written with each version. When a release brings a search
// parameter, or defines one otherwise, the versions of before lack its rows: they
// are made while hubs read, patient by patient, and until the last is done the
// parameter is not offered. What rows rest on as a whole, the base URL and the
// zone, is another matter: hubs wait then, as for folds.

// indexed is what the stored rows rest on.
func (v *Receiver) indexed(r store.Reader) (was searchparam.Made, err error) {
	text, err := r.Mark(v.Settings.Clinic.ID, markIndexed)
	if err == nil && json.Unmarshal([]byte(text), &was) != nil {
		was = searchparam.Made{} // of a release before, in another form
	}
	return was, err
}

// indexedUnder is what rows made now rest on, as the store keeps it.
func (v *Receiver) indexedUnder() string { return marked(v.Index.Made()) }

// marked is a value as a mark keeps it.
func marked(value any) string {
	b, err := json.Marshal(value)
	if err != nil {
		panic(fmt.Sprintf("a mark that is no JSON: %T", value))
	}
	return string(b)
}

// Unindexed are the search parameters, as Type.name, of which some versions have
// no rows, or rows of another definition: nothing may be searched by them until
// IndexBehind is done.
func (v *Receiver) Unindexed(ctx context.Context) ([]string, error) {
	var is upToDate
	err := v.Store.View(ctx, func(r store.Reader) (err error) {
		is, err = v.upToDateIn(r)
		return err
	})
	if err != nil {
		return nil, unavailable(err)
	}
	return is.behind, nil
}

// indexing is how far an indexing came that was cut off.
type indexing struct {
	Under string `json:"under"` // what it makes
	After string `json:"after"` // the owner done last, as ownerMark has it
}

// indexing reads how far one came; the zero one where none was cut off.
func (v *Receiver) indexing(r store.Reader) (at indexing, err error) {
	text, err := r.Mark(v.Settings.Clinic.ID, markIndexing)
	if err == nil && json.Unmarshal([]byte(text), &at) != nil {
		at = indexing{}
	}
	return at, err
}

// ownRows strikes out of what is written down of index rows what this program
// makes otherwise, or not at all: the records that it takes have no such rows. A
// release that makes them so, as after a return to the one before it, finds then
// that they are missing.
func (v *Receiver) ownRows(ctx context.Context) error {
	now := v.Index.Made()
	var was searchparam.Made
	var at indexing
	err := v.Store.View(ctx, func(r store.Reader) (err error) {
		if was, err = v.indexed(r); err != nil {
			return err
		}
		at, err = v.indexing(r)
		return err
	})
	if err != nil {
		return unavailable(err)
	}
	still, others := was.Still(now), at.Under != "" && at.Under != now.Digest()
	if len(still.Each) == len(was.Each) && !others {
		return nil
	}
	return v.indexedAs(ctx, still, others)
}

// indexedAs writes down what the index rows rest on, and, where the making of rows
// ends with that, that none is under way.
func (v *Receiver) indexedAs(ctx context.Context, made searchparam.Made, ends bool) error {
	err := v.Store.Update(ctx, func(w store.Writer) error {
		if ends {
			if err := w.SetMark(v.Settings.Clinic.ID, markIndexing, ""); err != nil {
				return err
			}
		}
		return w.SetMark(v.Settings.Clinic.ID, markIndexed, marked(made))
	})
	if err != nil {
		return unavailable(err)
	}
	return nil
}

// IndexBehind makes the index rows of every version anew, a patient in a
// transaction, from where the last that was cut off had come, and then writes
// down that they are made. Records are taken meanwhile, and have their rows.
func (v *Receiver) IndexBehind(ctx context.Context, pace *Pace) error {
	now := v.Index.Made()
	at := indexing{Under: now.Digest()}
	var owners []store.Owner
	err := v.Store.View(ctx, func(r store.Reader) (err error) {
		if owners, err = r.Owners(v.Settings.Clinic.ID); err != nil {
			return err
		}
		was, err := v.indexing(r)
		if err == nil && was.Under == at.Under {
			at = was
		}
		return err
	})
	if err != nil {
		return unavailable(err)
	}
	owners = append(owners, store.Owner{Clinic: v.Settings.Clinic.ID}) // what is the clinic's own
	for _, o := range v.leftOf(owners, position{After: at.After}) {
		if err := pace.wait(ctx); err != nil {
			return unavailable(err)
		}
		at.After = v.ownerMark(o)
		err := v.once(ctx, func(w store.Writer) error {
			if err := w.Reindex(o, v.Index.Rows); err != nil {
				return err
			}
			return w.SetMark(v.Settings.Clinic.ID, markIndexing, marked(at))
		})
		if err != nil {
			return unavailable(err)
		}
	}
	return v.indexedAs(ctx, now, true)
}
