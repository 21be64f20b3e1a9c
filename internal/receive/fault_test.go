package receive_test

import (
	"database/sql"
	"errors"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	rt "nailbridge/internal/receive/receivetest"
	"nailbridge/internal/store"
)

// intakes are deliveries, each after others, that write in different ways.
var intakes = map[string]struct {
	before [][]byte
	body   []byte
}{
	"first":      {nil, rt.Surgery()},
	"review":     {[][]byte{rt.Surgery(short...)}, rt.Review(rt.RedFlag)},
	"withdrawn":  {[][]byte{rt.Surgery(short...)}, rt.Surgery(append([]rt.Edit{rt.Saved("2026-03-02T12:30:00Z"), rt.Status("withdrawn")}, short...)...)},
	"not shared": {[][]byte{rt.Surgery(), rt.Review()}, rt.Surgery(rt.Saved("2026-03-02T12:30:00Z"), rt.Set("/sharing", "declined"))},
	"refused":    {[][]byte{rt.Surgery()}, []byte(`{"clinic": "north", "record": "S-1"}`)},
	"sent again": {[][]byte{rt.Surgery()}, rt.Surgery()},
	"no surgery": {nil, rt.Review()},
	"held":       {[][]byte{rt.Surgery()}, rt.Surgery(rt.Saved("2026-03-02T12:30:00Z"), badBatch)},
}

// before is a world about to take the delivery of an intake.
func before(t *testing.T, name string) *rt.World {
	w := rt.New(t)
	failOn(w, bad)
	for _, b := range intakes[name].before {
		w.Send(b)
	}
	w.At("2026-03-04T10:00:00Z")
	return w
}

// beside opens the database of a world on one connection of its own.
func beside(t *testing.T, w *rt.World) *sql.DB {
	db, err := sql.Open("sqlite", "file:"+w.Path+"?mode=ro")
	require.NoError(t, err)
	db.SetMaxOpenConns(1)
	t.Cleanup(func() { require.NoError(t, db.Close()) })
	return db
}

// committed is a number that changes with each commit that a connection of the
// database did not make.
func committed(t *testing.T, db *sql.DB) (version int) {
	require.NoError(t, db.QueryRowContext(t.Context(), "PRAGMA data_version").Scan(&version))
	return version
}

// D2, unavailable, R-SEC-02, R-ING-05: the nth operation of the store fails, for every
// n of an intake. It is told, nothing of the intake is stored, its Provenance no more
// than its targets, and the next try is answered and stored as if nothing had failed.
func TestD2_UnavailableAtAnyOperation(t *testing.T) {
	for name, in := range intakes {
		t.Run(name, func(t *testing.T) {
			unbroken := before(t, name)
			want, err := unbroken.Receive(t.Context(), in.body, false)
			require.NoError(t, err)
			w := before(t, name)
			other := beside(t, w)
			version := committed(t, other)
			n := 0
			for hit := true; hit; n++ {
				hit = false
				calls := 0
				w.Fault = func(string) error {
					if calls++; calls-1 == n {
						hit = true
						return errors.New("disk")
					}
					return nil
				}
				got, err := w.Receive(t.Context(), in.body, false)
				w.Fault = nil
				if !hit {
					require.NoError(t, err)
					assert.Equal(t, want, got)
					break
				}
				require.ErrorIs(t, err, store.ErrUnavailable, "operation %d", n+1)
				require.Equal(t, version, committed(t, other), "operation %d", n+1)
			}
			assert.NotEqual(t, version, committed(t, other))
			assert.GreaterOrEqual(t, n, 5)
			assert.Equal(t, n, w.Meter.UnavailableN)
			assert.Equal(t, state(t, unbroken), state(t, w))
			t.Logf("%d operations", n)
		})
	}
}
