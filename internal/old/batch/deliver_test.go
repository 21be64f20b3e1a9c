package batch_test

import (
	"context"
	"encoding/json"
	"errors"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/old/batch"
)

// desk takes records in as a store does, and can be shut after so many.
type desk struct {
	kinds  map[string]string // by record id
	order  []string
	shutIn int
}

var errShut = errors.New("shut")

func (d *desk) deliver(_ context.Context, records []batch.Record) (ends []batch.End, err error) {
	for _, r := range records {
		end, err := d.take(r.Body)
		if err != nil {
			return ends, err
		}
		ends = append(ends, batch.End{Outcome: end})
	}
	return ends, nil
}

func (d *desk) take(body []byte) (batch.Outcome, error) {
	if d.shutIn--; d.shutIn == 0 {
		return "", errShut
	}
	var r struct {
		Record, Kind string
		Review       struct{ Surgery string }
	}
	if err := json.Unmarshal(body, &r); err != nil {
		return "", err
	}
	if _, have := d.kinds[r.Record]; have {
		return batch.Unchanged, nil
	}
	d.kinds[r.Record] = r.Kind
	d.order = append(d.order, r.Record)
	if _, have := d.kinds[r.Review.Surgery]; r.Kind == "review" && !have {
		return batch.Waiting, nil
	}
	return batch.Published, nil
}

// Whatever the delivery at which a door shuts, the run that goes on delivers every
// record, surgeries before their reviews, and each row ends once. Only rows of the patient
// whose turn it was may be answered unchanged.
func TestAStoppedDeliveryGoesOn(t *testing.T) {
	for shutIn := 1; shutIn <= 9; shutIn++ {
		o := options(t, filepath.Join(shipped, "visits.xlsx"), filepath.Join(shipped, "visits.layout.json"))
		d := &desk{kinds: map[string]string{}, shutIn: shutIn}
		o.Deliver, o.Into = d.deliver, "store"
		_, err := batch.Run(context.Background(), o)
		if shutIn <= 8 { // the rows that make records
			require.ErrorIs(t, err, errShut, shutIn)
		}
		s := run(t, o)
		assert.Len(t, d.order, 8, shutIn)
		assert.Equal(t, 9, s.Rows)
		assert.Equal(t, 8, s.Outcomes["provenance"]+s.Outcomes["unchanged"]+s.Outcomes["waiting"], "%d: %v", shutIn, s.Outcomes)
		assert.Equal(t, 1, s.Outcomes["worksheet"])
		assert.LessOrEqual(t, s.Outcomes["waiting"], 1, "a review waits whose surgery is in the run")
		assert.Empty(t, s.Files, "files of resources beside a store")
	}
}

// A working file of one store is never gone on with into another.
func TestADeliveryIsIntoOneStore(t *testing.T) {
	o := options(t, filepath.Join(shipped, "visits.xlsx"), filepath.Join(shipped, "visits.layout.json"))
	d := &desk{kinds: map[string]string{}}
	o.Deliver, o.Into = d.deliver, "one"
	run(t, o)
	o.Into = "another"
	_, err := batch.Run(context.Background(), o)
	require.ErrorIs(t, err, batch.ErrOtherRun)
}
