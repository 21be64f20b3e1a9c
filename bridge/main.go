// Command bridge carries a foot clinic's structured toenail-surgery records
// into a region's health records as FHIR R4. Each command is one file; this
// one only chooses among them.
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"syscall"
	"time"
	_ "time/tzdata" // a scratch image has no zone data

	"github.com/alecthomas/kong"
)

// commands are the commands of the program.
type commands struct {
	Serve     serveCommand       `cmd:"" help:"Take records over HTTP and serve them to hubs as FHIR."`
	Demo      demoCommand        `cmd:"" help:"Serve an invented clinic with its cases, at a fixed date."`
	ToFHIR    toFHIRCommand      `cmd:"" name:"to-fhir" help:"Turn files of records into one FHIR Bundle or NDJSON."`
	ToRecords toRecordsCommand   `cmd:"" name:"to-records" help:"Turn FHIR back into clinic records: files, or a server's search."`
	FromOld   fromOldCommand     `cmd:"" name:"from-old" help:"Turn files of old records into FHIR, once."`
	Layout    layoutCommand      `cmd:"" help:"Draft the layout of a file of old records."`
	Letter    letterCommand      `cmd:"" help:"Print the letter of each case to the patient's other carers."`
	Key       keyCommand         `cmd:"" help:"Make, list and end bearer keys."`
	Backup    backupCommand      `cmd:"" help:"Write a backup of a data folder, also while it is served."`
	Restore   restoreCommand     `cmd:"" help:"Make a data folder from a backup, and list what is lost."`
	Erase     eraseCommand       `cmd:"" help:"Erase a patient from a data folder, for good."`
	Remap     remapCommand       `cmd:"" help:"Show what changed settings or a release would write anew, or write it."`
	FollowUp  followUpCommand    `cmd:"" name:"follow-up" help:"Print the follow-up list of a data folder."`
	Schema    schemaCommand      `cmd:"" help:"Print the JSON Schema of the clinic record, or the OpenAPI document."`
	Terms     termsCommand       `cmd:"" help:"Print how many codings carry SNOMED CT beside local codes."`
	Generate  generateCommand    `cmd:"" help:"Print invented records as NDJSON."`
	Validate  validateCommand    `cmd:"" help:"Check FHIR R4 resources against the standard and profiles."`
	Guide     guideCommand       `cmd:"" help:"Write the guide for integration engineers: pages, or a FHIR package."`
	Conform   conformanceCommand `cmd:"" name:"conformance" help:"Hold a running bridge to the requirements in force."`
	Version   versionCommand     `cmd:"" help:"Print the version."`
}

// env is what commands take from outside.
type env struct {
	ctx    context.Context
	stdin  io.Reader
	stdout io.Writer
	stderr io.Writer
	clock  func() time.Time
	sleep  func(context.Context, time.Duration) error
	epoch  func() string // of a new store; nil: a random one
}

// sleep waits so long, or until the program is told to stop.
func sleep(ctx context.Context, d time.Duration) error {
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-time.After(d):
		return nil
	}
}

// exitError ends the program with a status of its own after its message was
// printed.
type exitError int

// Error names the status.
func (e exitError) Error() string { return fmt.Sprintf("exit status %d", int(e)) }

func main() { os.Exit(run()) }

func run() int {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	return runArgs(os.Args[1:], &env{ctx: ctx, stdin: os.Stdin, stdout: os.Stdout, stderr: os.Stderr, clock: time.Now, sleep: sleep})
}

// runArgs runs one command line and gives its exit status: 0 done, 1 it failed
// or found something, 2 it was asked wrongly.
func runArgs(args []string, e *env) int {
	var c commands
	status := -1
	k, err := kong.New(&c, kong.Name("nailbridge"),
		kong.Description("Carries toenail-surgery records into regional health records as FHIR R4."),
		kong.Writers(e.stdout, e.stderr), kong.Exit(func(code int) { status = code }), kong.UsageOnError())
	if err != nil {
		fmt.Fprintln(e.stderr, err)
		return 2
	}
	parsed, err := k.Parse(args)
	if status >= 0 {
		return status // help was printed
	}
	if err != nil {
		fmt.Fprintln(e.stderr, "nailbridge:", err)
		return 2
	}
	err = parsed.Run(e, &c)
	var exit exitError
	switch {
	case err == nil:
		return 0
	case errors.As(err, &exit):
		return int(exit)
	case e.ctx.Err() != nil:
		err = fmt.Errorf("stopped before it was done: %w", err)
	}
	fmt.Fprintln(e.stderr, "nailbridge:", err)
	return 1
}
