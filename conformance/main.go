// Command conformance holds a running bridge to the requirements in force, from
// outside:
//
//	go run ./conformance --target http://127.0.0.1:8470 --hub-key hub.key --clinic trial=trial.key --other second=second.key --yes
package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/signal"
	"time"

	"github.com/alecthomas/kong"

	"nailbridge/conformance/suite/cli"
)

func main() { os.Exit(run()) }

// run gives the exit status: 0 everything held, 1 something did not, 2 asked wrongly.
func run() int {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt)
	defer stop()
	var c cli.Command
	k, err := kong.New(&c, kong.Name("conformance"), kong.Description("Holds a running bridge to the requirements in force."))
	if err == nil {
		_, err = k.Parse(os.Args[1:])
	}
	if err != nil {
		fmt.Fprintln(os.Stderr, "conformance:", err)
		return 2
	}
	switch err := c.Run(ctx, os.Stdout, os.Stderr, time.Now()); {
	case err == nil:
		return 0
	case errors.Is(err, cli.ErrFailed):
		return 1
	default:
		fmt.Fprintln(os.Stderr, "conformance:", err)
		return 2
	}
}
