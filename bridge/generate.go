package main

import (
	"bufio"
	"fmt"
	"time"

	"nailbridge/internal/generate"
	"nailbridge/mapping/record"
)

type generateCommand struct {
	Seed   uint64 `default:"1" help:"Seed: the same seed gives the same records."`
	Cases  int    `default:"1" help:"How many cases, each a surgery with its reviews and contacts."`
	Clinic string `default:"thistledown" help:"Clinic of the record headers."`
	Zone   string `default:"Europe/London" help:"Time zone of the clinic, by its name in the tz database."`
}

// Run prints invented records as NDJSON, one delivery a line, case after case
// in the order in which they were saved.
func (c generateCommand) Run(e *env) error {
	if c.Cases < 0 {
		return fmt.Errorf("--cases must not be negative")
	}
	zone, err := time.LoadLocation(c.Zone)
	if err != nil {
		return fmt.Errorf("--zone: %w", err)
	}
	w := bufio.NewWriter(e.stdout)
	for _, records := range generate.Cases(c.Seed, c.Cases, generate.Options{Clinic: c.Clinic, Zone: zone}) {
		for _, r := range records {
			b, err := record.Encode(r)
			if err != nil {
				return err
			}
			_, _ = w.Write(b)
			_ = w.WriteByte('\n')
		}
	}
	return w.Flush()
}
