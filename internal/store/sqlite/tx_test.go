package sqlite_test

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/store"
	"nailbridge/internal/store/sqlite"
)

// count is a query of two rows, and of no arguments, which alone would tell the
// driver that a statement is in use.
const count = `SELECT 'one' UNION ALL SELECT 'two'`

// A statement of which a row is open is not used again, for a row or without
// rows: the driver would go on in the rows of before. Once the row is scanned, by
// error too, it is free.
func TestAStatementIsNotUsedWhileARowOfItIsOpen(t *testing.T) {
	d := open(t, sqlite.Options{})
	require.NoError(t, d.Update(t.Context(), func(w store.Writer) error {
		for range 2 { // prepared now, and before
			var first, second string
			row := sqlite.QueryRow(w, count)
			assert.ErrorIs(t, sqlite.QueryRow(w, count).Scan(&second), sqlite.ErrOpen)
			assert.Empty(t, second)
			require.NoError(t, row.Scan(&first))
			assert.Equal(t, "one", first)
			var number int
			require.Error(t, sqlite.QueryRow(w, count).Scan(&number), "no number")
		}
		return nil
	}))
	err := d.Update(t.Context(), func(w store.Writer) error {
		require.NoError(t, w.SetMark("north", "n", "lost"))
		var first string
		row := sqlite.QueryRow(w, count)
		assert.ErrorIs(t, sqlite.Exec(w, count), sqlite.ErrOpen)
		return row.Scan(&first)
	})
	assert.ErrorIs(t, err, sqlite.ErrOpen, "and nothing of the transaction is stored")
	view(t, d, func(r store.Reader) error {
		mark, err := r.Mark("north", "n")
		assert.Empty(t, mark)
		return err
	})
}

// Within the rows of a query the same one may be asked again, for rows and for
// one: each keeps no statement.
func TestTheSameQueryWithinItsRows(t *testing.T) {
	d := open(t, sqlite.Options{})
	var seen []string
	view(t, d, func(r store.Reader) error {
		return sqlite.Each(r, count, nil, func(outer string) error {
			var one string
			if err := sqlite.QueryRow(r, count).Scan(&one); err != nil {
				return err
			}
			return sqlite.Each(r, count, nil, func(inner string) error {
				if seen = append(seen, outer+" "+one+" "+inner); len(seen) > 4 {
					return errInjected // they never end
				}
				return nil
			})
		})
	})
	assert.Equal(t, []string{"one one one", "one one two", "two one one", "two one two"}, seen)
}
