package sqlite_test

import (
	"fmt"
	"testing"

	"github.com/stretchr/testify/require"

	"nailbridge/internal/searchparam"
	"nailbridge/internal/store"
	"nailbridge/mapping/resource"
)

// The questions a hub asks most, over a store of 3,000 plans, beside the same
// rows read by one statement on its own.
func BenchmarkReads(b *testing.B) {
	const n = 3000
	d := filled(b, n)
	patient := searchparam.Condition{Param: "patient", Kind: searchparam.Reference}
	active := condition("status", searchparam.Token, searchparam.Alternative{AnySystem: true, Code: "active"})
	view := func(b *testing.B, fn func(r store.Reader, i int) error) {
		for i := 0; b.Loop(); i++ {
			require.NoError(b, d.View(b.Context(), func(r store.Reader) error { return fn(r, i) }))
		}
	}
	b.Run("read", func(b *testing.B) {
		view(b, func(r store.Reader, i int) error {
			_, err := r.Read(resource.Ref{Type: "CarePlan", ID: fmt.Sprint("p", i%n)})
			return err
		})
	})
	b.Run("patient", func(b *testing.B) {
		view(b, func(r store.Reader, i int) error {
			patient.Any = []searchparam.Alternative{{Code: fmt.Sprint("Patient/", i%n)}}
			p, err := r.Search(store.Query{Type: "CarePlan", Match: []searchparam.Condition{active, patient}, Count: 20})
			require.Len(b, p.Versions, 1)
			return err
		})
	})
	b.Run("poll", func(b *testing.B) {
		view(b, func(r store.Reader, _ int) error {
			p, err := r.Search(store.Query{Type: "CarePlan", Match: []searchparam.Condition{active}, Count: 20, NoTotal: true, Ascending: true})
			require.Len(b, p.Versions, 20)
			return err
		})
	})
	b.Run("bare", func(b *testing.B) {
		c, err := d.Reader().Conn(b.Context())
		require.NoError(b, err)
		defer func() { _ = c.Close() }()
		s, err := c.PrepareContext(b.Context(), `SELECT body FROM version WHERE type = 'CarePlan' AND id = ? AND seq = 1`)
		require.NoError(b, err)
		for i := 0; b.Loop(); i++ {
			var body []byte
			require.NoError(b, s.QueryRowContext(b.Context(), fmt.Sprint("p", i%n)).Scan(&body))
		}
	})
}
