package main

import (
	"bytes"

	"nailbridge/mapping/record"
	"nailbridge/mapping/safety"
	"nailbridge/mapping/terms"
)

type schemaCommand struct {
	Formulary      bool `xor:"file" help:"That of a clinic's own formulary file instead."`
	ConfirmedCodes bool `xor:"file" help:"That of a file of confirmed codes instead."`
}

// Run prints the JSON Schema (2020-12) of the clinic record, of a clinic's own
// formulary file, or of a file of confirmed codes.
func (c schemaCommand) Run(e *env) error {
	schema := record.Schema()
	if c.Formulary {
		schema = safety.FormularySchema()
	}
	if c.ConfirmedCodes {
		schema = terms.ConfirmedSchema()
	}
	_, err := e.stdout.Write(append(bytes.TrimRight(schema, "\n"), '\n'))
	return err
}
