package main

import "errors"

// guideCommand writes the guide for integration engineers. Each flag of it is in
// a file of its own.
type guideCommand struct {
	guidePages
}

// Run writes what was asked for.
func (c guideCommand) Run(e *env) error {
	if c.Pages == "" {
		return errors.New("guide: say what to write: --pages")
	}
	return c.guidePages.write(e)
}
