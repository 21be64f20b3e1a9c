package main

import (
	"errors"

	"nailbridge/conformance/suite/cli"
)

// conformanceCommand holds a running bridge to the requirements in force, as
// `go run ./conformance` does.
type conformanceCommand struct{ cli.Command }

// Run runs the suite; what did not hold is exit status 1, and stands in the report.
func (c conformanceCommand) Run(e *env) error {
	err := c.Command.Run(e.ctx, e.stdout, e.stderr, e.clock())
	switch {
	case errors.Is(err, cli.ErrFailed):
		return exitError(1)
	case err != nil:
		_, _ = e.stderr.Write([]byte("nailbridge: " + err.Error() + "\n"))
		return exitError(2)
	}
	return nil
}
