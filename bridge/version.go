package main

import (
	"fmt"
	"runtime/debug"

	"nailbridge/mapping"
	"nailbridge/mapping/record"
)

// version is set at release by -ldflags "-X main.version=…".
var version = "0.1.0-dev"

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
