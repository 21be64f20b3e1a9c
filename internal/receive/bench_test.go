package receive_test

import (
	"fmt"
	"testing"

	"github.com/stretchr/testify/require"

	rt "nailbridge/internal/receive/receivetest"
)

// BenchmarkReceive takes the first save of a surgery, and of a review of a
// case with five reviews, each from bytes to commit.
func BenchmarkReceive(b *testing.B) {
	b.Run("surgery", func(b *testing.B) {
		w := rt.New(b)
		b.ReportAllocs()
		for i := 0; b.Loop(); i++ {
			_, err := w.Receive(b.Context(), rt.Surgery(rt.Record(fmt.Sprint("S-", i)), rt.Patient(fmt.Sprint("P-", i))), false)
			require.NoError(b, err)
		}
	})
	b.Run("review", func(b *testing.B) {
		w := rt.New(b)
		b.ReportAllocs()
		for i := 0; b.Loop(); i++ {
			surgery := fmt.Sprint("S-", i/5)
			of := []rt.Edit{rt.Patient(fmt.Sprint("P-", i/5)), rt.Record(fmt.Sprint("R-", i)), rt.Set("/review/surgery", surgery), rt.Set("/review/activity", nil)}
			if i%5 == 0 {
				b.StopTimer()
				w.Send(rt.Surgery(rt.Record(surgery), rt.Patient(fmt.Sprint("P-", i/5))))
				b.StartTimer()
			}
			_, err := w.Receive(b.Context(), rt.Review(of...), false)
			require.NoError(b, err)
		}
	})
}
