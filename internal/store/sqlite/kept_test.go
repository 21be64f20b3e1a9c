package sqlite_test

import (
	"database/sql"
	"fmt"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/store"
	"nailbridge/internal/store/sqlite"
)

// keeps is a connection that keeps statements, and how many it keeps.
func keeps(t *testing.T) (c *sql.Conn, kept func() int) {
	d := open(t, sqlite.Options{})
	c, err := d.Writer().Conn(t.Context())
	require.NoError(t, err)
	t.Cleanup(func() { assert.NoError(t, c.Close()) })
	return c, func() int {
		n, err := sqlite.Kept(c)
		require.NoError(t, err)
		return n
	}
}

// A statement is kept when it is closed, once for each query, and so many at most.
func TestStatementsAreKept(t *testing.T) {
	c, kept := keeps(t)
	before := kept()
	for range 3 {
		_, err := c.ExecContext(t.Context(), `SELECT 'kept'`)
		require.NoError(t, err)
	}
	assert.Equal(t, before+1, kept(), "one for the three")
	for i := range 2 * sqlite.KeptStatements {
		var n int
		require.NoError(t, c.QueryRowContext(t.Context(), fmt.Sprint("SELECT ", i)).Scan(&n))
		assert.Equal(t, i, n)
	}
	assert.Equal(t, sqlite.KeptStatements, kept())
}

// Two who ask the same query at once have a statement each: with other values,
// neither sees the other's rows.
func TestAKeptStatementHasOneUser(t *testing.T) {
	c, kept := keeps(t)
	const query = `SELECT ? UNION ALL SELECT 'end'`
	_, err := c.ExecContext(t.Context(), query, "before") // kept from here
	require.NoError(t, err)
	before := kept()
	next := func(rows *sql.Rows) (text string) {
		require.True(t, rows.Next(), rows.Err())
		require.NoError(t, rows.Scan(&text))
		return text
	}
	ask := func(value string) *sql.Rows {
		rows, err := c.QueryContext(t.Context(), query, value)
		require.NoError(t, err)
		return rows
	}
	one, two := ask("one"), ask("two")
	assert.Equal(t, []string{"one", "two", "end", "end"}, []string{next(one), next(two), next(one), next(two)})
	require.NoError(t, one.Close())
	require.NoError(t, two.Close())
	assert.Equal(t, before, kept(), "the one too many is closed")
}

// A row that nobody read is not the first row of who asks the same next.
func TestAnUnreadRowIsNobodyElses(t *testing.T) {
	d := open(t, sqlite.Options{})
	for range 2 {
		require.NoError(t, d.Update(t.Context(), func(w store.Writer) error {
			var first string
			require.NoError(t, sqlite.QueryRow(w, count).Scan(&first))
			assert.Equal(t, "one", first)
			sqlite.QueryRow(w, count) // and left
			return w.SetMark("north", "n", "stored all the same")
		}))
	}
	view(t, d, func(r store.Reader) error {
		mark, err := r.Mark("north", "n")
		assert.Equal(t, "stored all the same", mark)
		return err
	})
}

// A kept statement follows a change of its tables, and outlives its own failure.
func TestAKeptStatementIsAsGoodAsNew(t *testing.T) {
	c, _ := keeps(t)
	exec := func(query string, args ...any) error {
		_, err := c.ExecContext(t.Context(), query, args...)
		return err
	}
	require.NoError(t, exec(`CREATE TABLE fresh (a TEXT UNIQUE)`))
	const insert, read = `INSERT INTO fresh (a) VALUES (?)`, `SELECT * FROM fresh ORDER BY a DESC LIMIT 1`
	require.NoError(t, exec(insert, "x"))
	require.Error(t, exec(insert, "x"), "twice the same")
	require.NoError(t, exec(insert, "y"))
	columns := func() []string {
		rows, err := c.QueryContext(t.Context(), read)
		require.NoError(t, err)
		defer func() { assert.NoError(t, rows.Close()) }()
		names, err := rows.Columns()
		require.NoError(t, err)
		return names
	}
	assert.Equal(t, []string{"a"}, columns())
	require.NoError(t, exec(`ALTER TABLE fresh ADD COLUMN b TEXT DEFAULT 'z'`))
	assert.Equal(t, []string{"a", "b"}, columns())
}

// A snapshot is the state at the time of its View, though its first question comes
// after a commit; and it holds the connection no longer than its View.
func TestASnapshotStandsFromItsBeginning(t *testing.T) {
	d := open(t, sqlite.Options{})
	for range 2 * sqlite.Readers {
		view(t, d, func(r store.Reader) error {
			was := r.Head()
			require.NoError(t, d.Update(t.Context(), func(w store.Writer) error {
				if _, err := w.Stamp(t0); err != nil {
					return err
				}
				return w.SetMark("north", "n", fmt.Sprint(was.Seq+1))
			}))
			mark, err := r.Mark("north", "n")
			if was.Seq == 0 {
				assert.Empty(t, mark)
			} else {
				assert.Equal(t, fmt.Sprint(was.Seq), mark)
			}
			return err
		})
	}
}
