package main

import (
	"fmt"
	"runtime/debug"
	"time"

	"nailbridge/mapping"
	"nailbridge/mapping/record"
)

// version is set at release by -ldflags "-X main.version=…".
var version = "0.1.0-dev"

// released is when this version was released, RFC 3339; set at release by
// -ldflags "-X main.released=…". Else it is the time of the commit built from,
// and without one, as with go run, undated.
var released string

// undated stands for the release of a build that knows of none: a fixed
// instant, so that what is served does not change from one start to the next.
var undated = time.Date(2026, time.November, 1, 0, 0, 0, 0, time.UTC)

// releaseTime is when this program was released.
func releaseTime() time.Time {
	texts := []string{released}
	if b, ok := debug.ReadBuildInfo(); ok {
		for _, s := range b.Settings {
			if s.Key == "vcs.time" {
				texts = append(texts, s.Value)
			}
		}
	}
	for _, text := range texts {
		if t, err := time.Parse(time.RFC3339, text); err == nil {
			return t
		}
	}
	return undated
}

type versionCommand struct{}

// Run prints the versions of the program, the mapping and the record format.
func (versionCommand) Run(e *env) error {
	_, err := fmt.Fprintf(e.stdout, "nailbridge %s (mapping %s, record schema %s, %s)\n", version, mapping.Version, record.SchemaVersion, goVersion())
	return err
}

func goVersion() string {
	if b, ok := debug.ReadBuildInfo(); ok {
		return b.GoVersion
	}
	return "unknown Go"
}
