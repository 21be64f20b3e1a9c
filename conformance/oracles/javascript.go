package oracles

import (
	"bytes"
	"context"
	"embed"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"

	"nailbridge/conformance/oracles/npm"
)

//go:embed js
var scripts embed.FS

// A Script is a reference in JavaScript. It reports as the Java program does.
type Script string

// The references in JavaScript.
const (
	Walker  Script = "walker.cjs"  // fhirpath.js, over the invariants of the official snapshots
	Medplum Script = "medplum.cjs" // @medplum/core, against the official snapshots
	Units   Script = "units.cjs"   // @lhncbc/ucum-lhc, about the units
)

// Scripts are all references in JavaScript.
var Scripts = []Script{Walker, Medplum, Units}

// Ask lets a reference look at documents. core is the archive of R4's definitions; of ours, the constraints of
// StructureDefinitions hold where a resource claims them, and @medplum/core needs their snapshots. The error says that the
// run proves nothing, as that of [Validate] does.
func (s Script) Ask(ctx context.Context, core string, o Options) (Report, error) {
	work, err := os.MkdirTemp("", "nailbridge-oracle-")
	if err != nil {
		return Report{}, fmt.Errorf("making a work folder: %w", err)
	}
	defer os.RemoveAll(work)
	tree, err := fs.Sub(scripts, "js")
	if err != nil {
		return Report{}, err
	}
	if err := npm.Lay(ctx, tree, filepath.Join(work, "js")); err != nil {
		return Report{}, err
	}
	documents, definitions := filepath.Join(work, "documents.ndjson"), filepath.Join(work, "definitions.ndjson")
	for file, texts := range map[string][][]byte{documents: o.Documents, definitions: o.Definitions} {
		if err := writeLines(file, texts); err != nil {
			return Report{}, err
		}
	}
	node := exec.CommandContext(ctx, "node", filepath.Join(work, "js", string(s)), core, definitions, documents)
	var out, log bytes.Buffer
	node.Stdout, node.Stderr = &out, &log
	if err := node.Run(); err != nil {
		return Report{}, fmt.Errorf("running %s: %w\n%s", s, err, &log)
	}
	report, err := parseReport(out.Bytes())
	if err != nil {
		return Report{}, fmt.Errorf("reading what %s says: %w\n%s", s, err, &log)
	}
	return report, o.compare(report)
}
