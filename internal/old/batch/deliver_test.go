package batch_test

import (
	"context"
	"encoding/json"
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"github.com/xuri/excelize/v2"

	"nailbridge/internal/old"
	"nailbridge/internal/old/batch"
	"nailbridge/mapping/record"
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
	for shutIn := 1; shutIn <= 8; shutIn++ {
		o := options(t, filepath.Join(shipped, "visits.xlsx"), filepath.Join(shipped, "visits.layout.json"))
		d := &desk{kinds: map[string]string{}, shutIn: shutIn}
		o.Deliver, o.Into = d.deliver, "store"
		_, err := batch.Run(context.Background(), o)
		if shutIn <= 7 { // the rows that make records, but for a review whose toes nobody tells
			require.ErrorIs(t, err, errShut, shutIn)
		}
		s := run(t, o)
		assert.Len(t, d.order, 7, shutIn)
		assert.Equal(t, 9, s.Rows)
		assert.Equal(t, 8, s.Outcomes["provenance"]+s.Outcomes["unchanged"]+s.Outcomes["waiting"], "%d: %v", shutIn, s.Outcomes)
		assert.Equal(t, 1, s.Outcomes["worksheet"])
		assert.Equal(t, 1, s.Outcomes["waiting"], "a review waits whose surgery is in the run")
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

// folder takes records in and tells the toes of their surgeries, as a data folder does.
type folder struct {
	desk
	contents map[string][]string // by record id, each once
	surgery  map[string]record.Surgery
}

func newFolder() *folder {
	return &folder{desk: desk{kinds: map[string]string{}}, contents: map[string][]string{}, surgery: map[string]record.Surgery{}}
}

func (f *folder) deliver(ctx context.Context, records []batch.Record) ([]batch.End, error) {
	for _, r := range records {
		d := record.Read(r.Body, time.UTC)
		var content map[string]any
		if err := json.Unmarshal(r.Body, &content); err != nil {
			return nil, err
		}
		delete(content, "converted")
		text, err := json.Marshal(content)
		if err != nil {
			return nil, err
		}
		if id := d.Record.Record; !slices.Contains(f.contents[id], string(text)) {
			f.contents[id] = append(f.contents[id], string(text))
		}
		if d.Record.Surgery != nil {
			f.surgery[d.Record.Record] = *d.Record.Surgery
		}
	}
	return f.desk.deliver(ctx, records)
}

func (f *folder) treated(_ context.Context, _, id string) ([]old.Site, bool, error) {
	s, known := f.surgery[id]
	return old.SitesOf(s), known, nil
}

// sheet is a run that hands over one sheet of the shipped workbook, as the file that a run writes of its rows.
func (f *folder) sheet(t *testing.T, name string) map[string]int {
	t.Helper()
	book, err := excelize.OpenFile(filepath.Join(shipped, "visits.xlsx"))
	require.NoError(t, err)
	rows, err := book.GetRows(name, excelize.Options{RawCellValue: true})
	require.NoError(t, errors.Join(err, book.Close()))
	o := options(t, filepath.Join(t.TempDir(), "rejects-visits.xlsx#"+name+".csv"), filepath.Join(shipped, "visits.layout.json"))
	require.NoError(t, os.WriteFile(o.Files[0], delimited(rows, ','), 0o600))
	o.Into, o.Deliver, o.Treated = "folder", f.deliver, f.treated
	return run(t, o).Outcomes
}

// Surgeries and reviews that are run apart are the same records in both orders, of each id one, so
// that none is another's rival (D1.1) and the fold is equal (D1.4). Reviews that come first wait: one
// that says nothing of a toe (did not attend) at the door (D2), the others until their file is run
// again. One names a surgery that no row is of.
func TestD1_1_ReviewsRunBeforeTheirSurgeriesWait(t *testing.T) {
	first, after := newFolder(), newFolder()
	surgeries := map[string]int{"provenance": 3, "worksheet": 1}
	assert.Equal(t, surgeries, first.sheet(t, "Visits"))
	assert.Equal(t, map[string]int{"provenance": 4, "waiting": 1}, first.sheet(t, "Reviews"))

	assert.Equal(t, map[string]int{"waiting": 5}, after.sheet(t, "Reviews"))
	assert.Equal(t, []string{"old-review-R-3"}, after.order)
	assert.Equal(t, surgeries, after.sheet(t, "Visits"))
	assert.Equal(t, map[string]int{"provenance": 3, "unchanged": 1, "waiting": 1}, after.sheet(t, "Reviews"))
	assert.Equal(t, first.contents, after.contents)
	for id, contents := range after.contents {
		assert.Len(t, contents, 1, id)
	}
	assert.Len(t, after.contents, 7)
}

// A row that waits for its surgery to tell its toes says so and is not asked of the door; but where
// its patient declines to be shared, that reaches the door at once (D3.1).
func TestD3_1_ADeclineDoesNotWaitForASurgery(t *testing.T) {
	o := endsOptions(t)
	o.Files = o.Files[2:]
	o.Check = func(_ context.Context, id string, _ batch.Record) error { return errors.New(id) }
	f := newFolder()
	o.Into, o.Deliver, o.Treated = "folder", f.deliver, f.treated
	assert.Equal(t, map[string]int{"waiting": 3}, run(t, o).Outcomes)
	assert.Empty(t, f.order)
	for _, r := range table(t, filepath.Join(o.Out, "ends.tsv"), '\t') {
		assert.Contains(t, r[4], "toes-of-its-surgery: ")
		assert.Contains(t, r[4], "when that surgery is there")
	}

	o.Check, o.Out = nil, t.TempDir()
	o.Layout.Tables[1].Note.Constants["/sharing"] = "declined"
	assert.Equal(t, map[string]int{"waiting": 3}, run(t, o).Outcomes)
	assert.Len(t, f.order, 3)

	reviews := o.Files
	for _, files := range [][]string{endsOptions(t).Files[:1], reviews} { // the surgeries, and the reviews again
		o.Files, o.Out = files, t.TempDir()
		run(t, o)
	}
	for id, contents := range f.contents {
		assert.True(t, len(contents) == 1 || !strings.HasPrefix(id, "seen-"), "%s is its own rival (D1.1): %v", id, contents)
	}
	assert.Contains(t, f.surgery, "op-A1")
}

// A door is never called without records: a patient whose rows all wait for their surgery gives it none.
func TestADoorIsNotCalledForNothing(t *testing.T) {
	o := endsOptions(t)
	o.Files, o.Into = o.Files[2:], "door"
	o.Deliver = func(context.Context, []batch.Record) ([]batch.End, error) { return nil, errShut }
	assert.Equal(t, map[string]int{"waiting": 3}, run(t, o).Outcomes)
	for _, r := range table(t, filepath.Join(o.Out, "ends.tsv"), '\t') {
		assert.Contains(t, r[4], "together with the row of its surgery", "such a door tells no toes later either")
	}
}
