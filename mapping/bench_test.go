package mapping_test

import (
	"testing"

	"nailbridge/mapping"
)

// BenchmarkFoldPatient folds generated patients one after another; a resource
// costs what is reported as µs/resource.
func BenchmarkFoldPatient(b *testing.B) {
	all := wholeWorld()
	made := 0
	for i := 0; b.Loop(); i++ {
		res, err := mapping.FoldPatient(worldSettings(), all[i%len(all)])
		if err != nil {
			b.Fatal(err)
		}
		made += len(res.Resources)
	}
	b.ReportMetric(float64(b.Elapsed().Microseconds())/float64(max(1, made)), "µs/resource")
}
