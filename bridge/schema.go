package main

import (
	"bytes"

	"nailbridge/mapping/record"
	"nailbridge/mapping/safety"
)

type schemaCommand struct {
	Formulary bool `help:"That of a clinic's own formulary file instead."`
}

// Run prints the JSON Schema (2020-12) of the clinic record, or of a clinic's own
// formulary file.
func (c schemaCommand) Run(e *env) error {
	schema := record.Schema()
	if c.Formulary {
		schema = safety.FormularySchema()
	}
	_, err := e.stdout.Write(append(bytes.TrimRight(schema, "\n"), '\n'))
	return err
}
