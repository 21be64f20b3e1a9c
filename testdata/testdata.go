// Package testdata holds the invented clinic of the demo and the goldens: its
// settings, its records, and the facts expected of them (README.md). Nothing
// in it is a real person, clinic or place.
package testdata

import (
	"embed"
	"io/fs"
	"path"

	"nailbridge/internal/convert"
)

//go:embed settings.json trial.json records
var files embed.FS

// Now is the instant at which the demo's story is told.
const Now = "2026-04-20T12:00:00Z"

// Settings is the settings file of the invented clinic.
func Settings() []byte { return read("settings.json") }

// TrialSettings is a settings file of two test clinics, trial and second.
func TrialSettings() []byte { return read("trial.json") }

// Records are the record files of the invented clinic, in the order in which
// its practice system sent them.
func Records() []convert.Input {
	names, err := fs.Glob(files, "records/*.ndjson")
	if err != nil {
		panic(err) // the pattern is a constant
	}
	var out []convert.Input
	for _, name := range names {
		out = append(out, convert.Input{Name: path.Base(name), Data: read(name)})
	}
	return out
}

// read reads an embedded file, which is there or the program was not built.
func read(name string) []byte {
	b, err := files.ReadFile(name)
	if err != nil {
		panic(err)
	}
	return b
}
