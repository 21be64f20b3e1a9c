// Command agreement holds our validator against HL7's Java validator: over batteries of defects, over the official examples
// of R4, and over mutants of those that both call valid. What fhirpath.js and @medplum/core find stands beside.
//
//	go run ./conformance/agreement --examples ../shared/r4/examples-4.0.1-subset.tgz --seed 1
//
// Both have the same verdict on a document when both find an error in it or
// neither does. It prints the tables, and leaves with status 1 when the batteries or
// the examples differ in more than battery-known.tsv and known.tsv list, or the mutants in more than the limits allow.
package main

import (
	"context"
	"fmt"
	"io"

	"github.com/alecthomas/kong"

	"nailbridge/conformance/running"
	"nailbridge/internal/official"
)

type options struct {
	Examples string   `help:"Archive of the official examples." default:"../shared/r4/examples-4.0.1-subset.tgz" type:"path"`
	Core     string   `help:"Archive of R4's definitions." default:"../shared/r4/core-4.0.1-subset.tgz" type:"path"`
	Battery  []string `help:"Folders with a battery of defects." default:"internal/validate/engine/testdata" type:"path"`
	Guide    string   `help:"Folder of the guide, whose battery breaks each constraint of each profile." default:"conformance/guide" type:"path"`
	Seed     uint64   `help:"Seed of the mutants." required:""`
	Explain  bool     `help:"Print every difference."`
}

func main() {
	var o options
	kong.Parse(&o, kong.Description("Compares our verdicts with those of HL7's Java validator."))
	running.Main("agreement", func(ctx context.Context, _ []string, out io.Writer) error { return run(ctx, o, out) })
}

func run(ctx context.Context, o options, out io.Writer) error {
	if err := runBatteries(ctx, o, out); err != nil {
		return err
	}
	return runExamples(ctx, o, out)
}

// runExamples compares over the official examples, and over mutants of them.
func runExamples(ctx context.Context, o options, out io.Writer) error {
	examples, err := official.Documents(o.Examples)
	if err != nil {
		return err
	}
	all, err := compare(ctx, o.Core, examples)
	if err != nil {
		return err
	}
	known, err := readKnown(knownText, maxKnown)
	if err != nil {
		return err
	}
	_, _ = fmt.Fprint(out, all.table(known))
	if err := all.hold(known); err != nil {
		return err
	}
	made, err := mutants(all.bases(), o.Seed)
	if err != nil {
		return err
	}
	verdicts, err := judge(ctx, o.Core, made)
	if err != nil {
		return err
	}
	_, _ = fmt.Fprint(out, verdicts.table(o.Explain))
	return verdicts.hold()
}

// runBatteries compares over every line and twin of the batteries, that of the guide among them.
func runBatteries(ctx context.Context, o options, out io.Writer) error {
	var all sown
	for _, folder := range o.Battery {
		s, err := judgeBattery(ctx, o.Core, folder)
		if err != nil {
			return err
		}
		all.defects, all.pairs = append(all.defects, s.defects...), append(all.pairs, s.pairs...)
	}
	guide, err := judgeGuide(ctx, o.Core, o.Guide)
	if err != nil {
		return err
	}
	all.defects, all.pairs = append(all.defects, guide.defects...), append(all.pairs, guide.pairs...)
	known, err := readKnown(batteryKnown, maxOfBattery)
	if err != nil {
		return err
	}
	_, _ = fmt.Fprint(out, all.table())
	return all.hold(known)
}
