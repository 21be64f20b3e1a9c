package oracles

import (
	"bytes"
	"context"
	"fmt"
)

// Lookup gives the StructureDefinitions, CodeSystems and ValueSets of R4 that the Java validator holds of some canonicals,
// in JSON. It holds all of R4's, where the table of this project holds those of the types it knows.
func Lookup(ctx context.Context, canonicals []string) ([][]byte, error) {
	out, log, status, err := run(ctx, append([]string{"lookup"}, canonicals...), false)
	if err == nil && status != clean {
		err = fmt.Errorf("status %d: %s", status, log)
	}
	if err != nil {
		return nil, fmt.Errorf("looking up definitions: %w", err)
	}
	return linesOf(out), nil
}

// linesOf splits a text at its line ends.
func linesOf(text []byte) [][]byte {
	if text = bytes.TrimSpace(text); len(text) == 0 {
		return nil
	}
	return bytes.Split(text, []byte("\n"))
}
