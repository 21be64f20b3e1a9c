package main

import "errors"

// guideCommand writes the guide for integration engineers. Each flag of it is in
// a file of its own.
type guideCommand struct {
	guidePages
	guidePackage
}

// Validate refuses to be asked for nothing.
func (c guideCommand) Validate() error {
	if c.Pages == "" && c.Out == "" {
		return errors.New("say what to write: --pages or --out")
	}
	return nil
}

// Run writes what was asked for.
func (c guideCommand) Run(e *env) error {
	if c.Pages != "" {
		if err := c.guidePages.write(e); err != nil {
			return err
		}
	}
	if c.Out != "" {
		return c.guidePackage.write(e)
	}
	return nil
}
