package main

import "errors"

// guideCommand writes the guide for integration engineers. Each flag of it is in
// a file of its own.
type guideCommand struct {
	guidePages
}

// Validate refuses to be asked for nothing.
func (c guideCommand) Validate() error {
	if c.Pages == "" {
		return errors.New("say what to write: --pages")
	}
	return nil
}

// Run writes what was asked for.
func (c guideCommand) Run(e *env) error { return c.guidePages.write(e) }
