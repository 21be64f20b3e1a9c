//go:build !race

package mapping_test

// sampled is how many generated cases the property tests fold.
const sampled = 500
