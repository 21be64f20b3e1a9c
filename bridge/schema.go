package main

import "nailbridge/mapping/record"

type schemaCommand struct{}

// Run prints the JSON Schema (2020-12) of the clinic record.
func (schemaCommand) Run(e *env) error {
	_, err := e.stdout.Write(append(record.Schema(), '\n'))
	return err
}
