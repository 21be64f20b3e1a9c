package main

import (
	"fmt"
	"io"
	"os"
	"time"

	"github.com/google/uuid"

	"nailbridge/internal/config"
	"nailbridge/internal/convert"
	"nailbridge/mapping/record"
)

// What several commands take in alike: files of records, and instants.

// converted makes FHIR of files of records as it is at an instant, the clock's
// unless asOf gives one.
func converted(e *env, file config.File, namespace uuid.UUID, names []string, asOf string) (res convert.Result, at time.Time, err error) {
	settings, err := file.Settings(namespace)
	if err != nil {
		return res, at, err
	}
	zone, err := file.Location()
	if err != nil {
		return res, at, err
	}
	at = e.clock()
	if asOf != "" {
		if at, err = instant("--as-of", asOf, zone); err != nil {
			return res, at, err
		}
	}
	inputs, err := readInputs(names, e.stdin)
	if err != nil {
		return res, at, err
	}
	res, err = convert.Convert(settings, inputs, at)
	return res, at, err
}

// instant is the beginning of a date, or a date and time, that a flag gives; where
// it has no offset it is in the zone.
func instant(flag, text string, zone *time.Location) (time.Time, error) {
	w, err := record.ParseWhen(text)
	if err != nil {
		return time.Time{}, fmt.Errorf("%s: %w", flag, err)
	}
	at, _ := w.In(zone)
	return at, nil
}

// readInputs reads files by name; "-" is the standard input.
func readInputs(names []string, stdin io.Reader) (out []convert.Input, err error) {
	for _, name := range names {
		b, err := readInput(name, stdin)
		if err != nil {
			return nil, err
		}
		out = append(out, convert.Input{Name: name, Data: b})
	}
	return out, nil
}

func readInput(name string, stdin io.Reader) ([]byte, error) {
	if name == "-" {
		return io.ReadAll(stdin)
	}
	return os.ReadFile(name)
}
