package oracles

import (
	"bytes"
	"context"
	"fmt"
	"strings"
)

// Lookup gives the StructureDefinitions, CodeSystems and ValueSets of R4 that the Java validator holds of some canonicals,
// in JSON. It holds all of R4's, where the table of this project holds those of the types it knows.
func Lookup(ctx context.Context, canonicals []string) ([][]byte, error) {
	java, err := Command(ctx, "nailbridge.oracle.Lookup")
	if err != nil {
		return nil, err
	}
	var out, log bytes.Buffer
	java.Stdin, java.Stdout, java.Stderr = strings.NewReader(strings.Join(canonicals, "\n")), &out, &log
	if err := java.Run(); err != nil {
		return nil, fmt.Errorf("looking up definitions: %w\n%s", err, &log)
	}
	text := bytes.TrimSpace(out.Bytes())
	if len(text) == 0 {
		return nil, nil
	}
	return bytes.Split(text, []byte("\n")), nil
}
