package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"time"

	"github.com/google/uuid"

	"nailbridge/internal/config"
	"nailbridge/internal/convert"
)

type toFHIRCommand struct {
	Files         []string `arg:"" name:"file" help:"Files of records: JSON or NDJSON; - for standard input."`
	Config        string   `required:"" type:"existingfile" help:"Settings file."`
	AsOf          string   `help:"Date or date and time that stands for now; else the clock."`
	Data          string   `type:"path" help:"Data folder whose namespace of ids is used." xor:"ids"`
	NamespaceFile string   `type:"existingfile" help:"File with the namespace of ids." xor:"ids"`
	DemoIDs       bool     `name:"demo-ids" help:"Ids in the public demo namespace: never for real patients." xor:"ids"`
	NDJSON        bool     `name:"ndjson" help:"One resource a line instead of a Bundle."`
}

// Run writes the resources to stdout and every flag and reason to stderr. The
// exit status is 1 when a record was refused or a patient left out through a
// fault of ours.
func (c toFHIRCommand) Run(e *env) error {
	file, err := config.Read(c.Config)
	if err != nil {
		return err
	}
	namespace, err := c.namespace()
	if err != nil {
		return err
	}
	res, at, err := converted(e, file, namespace, c.Files, c.AsOf)
	if err != nil {
		return err
	}
	if c.NDJSON {
		err = convert.WriteNDJSON(e.stdout, res.Resources)
	} else {
		err = convert.WriteBundle(e.stdout, res.Resources, file.PublicBaseURL, at.UTC().Format(time.RFC3339))
	}
	return errors.Join(err, report(e.stderr, res))
}

// namespace takes the namespace of ids from where it was told; there is no
// default, and the demo's must be asked for by its name (D1.7).
func (c toFHIRCommand) namespace() (uuid.UUID, error) {
	path := c.NamespaceFile
	switch {
	case c.DemoIDs:
		return config.DemoNamespace, nil
	case c.Data != "":
		path = filepath.Join(c.Data, config.NamespaceFile)
	case path == "":
		return uuid.Nil, errors.New("a namespace of ids is needed: --data, --namespace-file or --demo-ids")
	}
	id, err := config.ReadNamespace(path)
	if err == nil && id == config.DemoNamespace {
		return uuid.Nil, fmt.Errorf("%s: %w; --demo-ids asks for them", path, config.ErrDemo)
	}
	return id, err
}

// report writes every reason and flag as a line of JSON, then the counts.
func report(w io.Writer, res convert.Result) error {
	enc := json.NewEncoder(w)
	enc.SetEscapeHTML(false)
	refused := 0
	for _, r := range res.Records {
		if r.Refused {
			refused++
		}
		if len(r.Findings) > 0 {
			if err := enc.Encode(r); err != nil {
				return err
			}
		}
	}
	for _, f := range res.Flags {
		if err := enc.Encode(f); err != nil {
			return err
		}
	}
	for _, i := range res.Issues {
		fmt.Fprintf(w, "output not valid: %s %s: %s\n", i.Ref.Type, i.Key, i.Path)
	}
	fmt.Fprintf(w, "records %d, refused %d, waiting %d, patients not shared %d, resources %d, flags %d, invalid %d\n",
		len(res.Records), refused, len(res.Waiting), res.NotShared, len(res.Resources), len(res.Flags), len(res.Issues))
	if refused > 0 || len(res.Issues) > 0 {
		return exitError(1)
	}
	return nil
}
