//go:build race

package mapping_test

// sampled is how many generated cases the property tests fold: few under the
// race detector, which slows a fold tenfold and finds nothing more in more of
// them.
const sampled = 40
