package oracles

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"strconv"
	"strings"
)

// Options say what to validate and against which definitions.
type Options struct {
	// Paths are files and folders to validate. In a folder every .json file is one document and every line of every
	// .ndjson file is one; other files are left alone.
	Paths []string
	// Documents are further documents to validate, each one resource or Bundle in JSON. They are numbered from 1 in
	// [Finding.Input] as "documents.ndjson:1". Every one of them must be read, or Validate fails.
	Documents [][]byte

	// DefinitionPaths are folders with StructureDefinition, ValueSet and CodeSystem resources, one in a .json file:
	// extensions, our own code systems, fragments of others. Resources of other types in them are left alone.
	DefinitionPaths []string
	// Definitions are further definitions in JSON.
	Definitions [][]byte

	// Filters is the path of a filter file, or empty. Its entries ignore one message id at one exact place each; the
	// format stands in java/src/main/java/nailbridge/oracle/Filters.java.
	Filters string

	// Expect is how many resources of each type Paths and Documents hold together, those inside Bundles included. If it
	// is not nil, Validate fails when others are read.
	Expect map[string]int

	// Uncounted leaves out the comparison of the resources read with those present, for documents that are broken on
	// purpose: what is not JSON, or of no type of R4, counts as no resource.
	Uncounted bool

	// Times is how often all is validated again, one input after another, each round timed ([Report.Rounds]).
	Times int

	// Long lets the better compiler at the program, however little there is to validate.
	Long bool

	// Snapshots asks for the StructureDefinitions among the definitions with the snapshots that the validator makes of them
	// ([Report.Snapshots]).
	Snapshots bool

	// Verbose adds findings of level information to the report.
	Verbose bool
}

const snapshotsFile = "snapshots.ndjson"

// The program's exit statuses when a run is worth something.
const (
	clean      = 0
	complaints = 1
)

// Validate builds the Java program if it must, runs it once and reports what it found. Findings are no error: ask
// [Report.Err]. The error says that the run proves nothing: Java or Maven failed, a definition could not be read, there
// was nothing to validate, or not every resource was read.
func Validate(ctx context.Context, o Options) (Report, error) {
	work, err := os.MkdirTemp("", "nailbridge-oracle-")
	if err != nil {
		return Report{}, fmt.Errorf("making a work folder: %w", err)
	}
	defer os.RemoveAll(work)
	args, err := o.arguments(work)
	if err != nil {
		return Report{}, err
	}
	stdout, stderr, status, err := run(ctx, args, o.Long || o.size()*(1+o.Times) >= longRun)
	if err != nil {
		return Report{}, err
	}
	if status != clean && status != complaints {
		return Report{}, fmt.Errorf("the Java program refused with status %d: %s", status, stderr)
	}
	report, err := parseReport(stdout)
	if err != nil {
		return Report{}, fmt.Errorf("reading the Java program's output: %w\n%s", err, stderr)
	}
	if o.Times != len(report.Rounds) {
		return Report{}, fmt.Errorf("the Java program was asked for %d times and gave %d", o.Times, len(report.Rounds))
	}
	if o.Snapshots {
		text, err := os.ReadFile(filepath.Join(work, snapshotsFile))
		if err != nil {
			return Report{}, err
		}
		report.Snapshots = linesOf(text)
	}
	for i := range report.Findings {
		report.Findings[i].Input = strings.TrimPrefix(report.Findings[i].Input, work+string(filepath.Separator))
	}
	return report, o.compare(report)
}

// size is that of the documents, in bytes.
func (o Options) size() int {
	total := 0
	for _, document := range o.Documents {
		total += len(document)
	}
	return total
}

// arguments writes documents and definitions that are held in memory below work and gives the program's command line.
func (o Options) arguments(work string) ([]string, error) {
	var args []string
	for _, path := range o.DefinitionPaths {
		args = append(args, "--definitions", path)
	}
	if len(o.Definitions) > 0 {
		folder := filepath.Join(work, "definitions")
		if err := os.Mkdir(folder, 0o755); err != nil {
			return nil, err
		}
		for i, text := range o.Definitions {
			if err := os.WriteFile(filepath.Join(folder, strconv.Itoa(i+1)+".json"), text, 0o644); err != nil {
				return nil, fmt.Errorf("writing a definition: %w", err)
			}
		}
		args = append(args, "--definitions", folder)
	}
	if o.Filters != "" {
		args = append(args, "--filters", o.Filters)
	}
	if o.Verbose {
		args = append(args, "--verbose")
	}
	if o.Times > 0 {
		args = append(args, "--times", strconv.Itoa(o.Times))
	}
	if o.Snapshots {
		args = append(args, "--snapshots", filepath.Join(work, snapshotsFile))
	}
	if len(o.Documents) > 0 {
		file := filepath.Join(work, "documents.ndjson")
		if err := writeLines(file, o.Documents); err != nil {
			return nil, err
		}
		args = append(args, file)
	}
	return append(args, o.Paths...), nil
}

// writeLines writes each document on a line of its own, without changing anything but line ends, which JSON has only
// between tokens.
func writeLines(file string, documents [][]byte) error {
	var b bytes.Buffer
	for i, document := range documents {
		if len(bytes.TrimSpace(document)) == 0 {
			return fmt.Errorf("document %d is empty", i+1)
		}
		b.Write(bytes.Map(func(r rune) rune {
			if r == '\n' || r == '\r' {
				return ' '
			}
			return r
		}, document))
		b.WriteByte('\n')
	}
	if err := os.WriteFile(file, b.Bytes(), 0o600); err != nil {
		return fmt.Errorf("writing the documents: %w", err)
	}
	return nil
}

// compare holds the resources read against those present.
func (o Options) compare(r Report) error {
	if len(o.Paths) == 0 {
		if r.Inputs != len(o.Documents) {
			return fmt.Errorf("%d of %d documents were read", r.Inputs, len(o.Documents))
		}
		if o.Uncounted {
			return nil
		}
		present, err := CountTypes(o.Documents)
		if err != nil {
			return err
		}
		if !maps.Equal(present, r.Types) {
			return fmt.Errorf("resources read %v, present %v", r.Types, present)
		}
	}
	if o.Expect != nil && !maps.Equal(o.Expect, r.Types) {
		return fmt.Errorf("resources read %v, expected %v", r.Types, o.Expect)
	}
	return nil
}

// CountTypes counts the resources in documents by type, the Bundles themselves and the resources of their entries
// included.
func CountTypes(documents [][]byte) (map[string]int, error) {
	counts := map[string]int{}
	for i, document := range documents {
		if err := countTypes(document, counts); err != nil {
			return nil, fmt.Errorf("counting the resources of document %d: %w", i+1, err)
		}
	}
	return counts, nil
}

func countTypes(document []byte, counts map[string]int) error {
	var head struct {
		ResourceType string            `json:"resourceType"`
		Entry        []json.RawMessage `json:"entry"`
	}
	if err := json.Unmarshal(document, &head); err != nil {
		return err
	}
	counts[head.ResourceType]++
	if head.ResourceType != "Bundle" {
		return nil
	}
	for _, raw := range head.Entry {
		var entry struct {
			Resource json.RawMessage `json:"resource"`
		}
		if err := json.Unmarshal(raw, &entry); err != nil {
			return err
		}
		if len(entry.Resource) > 0 {
			if err := countTypes(entry.Resource, counts); err != nil {
				return err
			}
		}
	}
	return nil
}
