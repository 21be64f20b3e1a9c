package main

import (
	"bytes"

	"nailbridge/internal/old/layout"
	"nailbridge/internal/openapi"
	"nailbridge/mapping/record"
	"nailbridge/mapping/safety"
	"nailbridge/mapping/terms"
)

type schemaCommand struct {
	Formulary      bool `xor:"which" help:"That of a clinic's own formulary file instead."`
	ConfirmedCodes bool `xor:"which" help:"That of a file of confirmed codes instead."`
	Layout         bool `xor:"which" help:"That of a layout of old records instead."`
	OpenAPI        bool `name:"openapi" xor:"which" help:"The OpenAPI 3.1 document of the doors over HTTP instead."`
}

// Run prints the JSON Schema (2020-12) of the clinic record, or of another file that
// people write, or the OpenAPI document.
func (c schemaCommand) Run(e *env) error {
	schema := record.Schema()
	switch {
	case c.Formulary:
		schema = safety.FormularySchema()
	case c.ConfirmedCodes:
		schema = terms.ConfirmedSchema()
	case c.Layout:
		schema = layout.Schema()
	case c.OpenAPI:
		schema = openapi.Document()
	}
	_, err := e.stdout.Write(append(bytes.TrimRight(schema, "\n"), '\n'))
	return err
}
