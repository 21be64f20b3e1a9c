package receive_test

import (
	"fmt"
	"maps"
	"testing"

	"github.com/stretchr/testify/require"

	"nailbridge/internal/receive"
	rt "nailbridge/internal/receive/receivetest"
	"nailbridge/mapping/safety"
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

// manyToes is a surgery of n toes, of which more than ten repeat a toe.
func manyToes(n int) []byte {
	var first map[string]any
	rt.Surgery(func(tree map[string]any) {
		first = tree["surgery"].(map[string]any)["toes"].([]any)[0].(map[string]any)
	})
	var toes []any
	for i := range n {
		toe := maps.Clone(first)
		toe["key"], toe["side"], toe["digit"] = fmt.Sprint("t", i), []string{"left", "right"}[i%2], fmt.Sprint(1+i/2%5)
		toes = append(toes, toe)
	}
	return rt.Surgery(rt.Set("/surgery/toes", toes))
}

// BenchmarkReceiveManyToes takes the first save of a surgery of many toes, and
// reports what a resource costs.
func BenchmarkReceiveManyToes(b *testing.B) {
	for _, n := range []int{2, 10, 100, 300} {
		b.Run(fmt.Sprint(n), func(b *testing.B) {
			body := manyToes(n)
			made := 0
			for b.Loop() {
				b.StopTimer()
				w := rt.New(b)
				b.StartTimer()
				a, err := w.Receive(b.Context(), body, false)
				require.NoError(b, err)
				require.Equal(b, receive.Stored, a.Answer, a.Reasons)
				made += len(a.Resources)
			}
			b.ReportMetric(float64(made)/float64(b.N), "resources/op")
			b.ReportMetric(float64(b.Elapsed().Microseconds())/float64(max(1, made)), "µs/resource")
		})
	}
}

// BenchmarkRenew folds a store of patients with one case each again, as a start
// under changed settings does, and reports what a patient costs: where nothing of
// the output changes, and where something of every patient's does.
func BenchmarkRenew(b *testing.B) {
	for _, n := range []int{20, 100} {
		b.Run(fmt.Sprint(n), func(b *testing.B) {
			w := rt.New(b)
			for i := range n {
				w.Send(rt.Surgery(rt.Record(fmt.Sprint("S-", i)), rt.Patient(fmt.Sprint("P-", i))))
			}
			b.Run("alike", func(b *testing.B) { benchRenew(b, w, n, func() {}) })
			b.Run("changed", func(b *testing.B) { benchRenew(b, w, n, func() { w.Settings.Codes.HCPCS = !w.Settings.Codes.HCPCS }) })
		})
	}
}

// benchRenew renews under other settings each time.
func benchRenew(b *testing.B, w *rt.World, n int, change func()) {
	for i := 0; b.Loop(); i++ {
		b.StopTimer()
		w.Settings.Clinic.RiskTourniquet = &safety.LocalLimit{Minutes: 10, Source: fmt.Sprint(b.Name(), i, b.Elapsed())}
		change()
		require.True(b, outdated(b, w))
		b.StartTimer()
		done, err := w.Renew(b.Context())
		require.NoError(b, err)
		require.Equal(b, receive.Renewed{Patients: n}, done)
	}
	b.ReportMetric(float64(b.Elapsed().Microseconds())/float64(b.N*n), "µs/patient")
}
