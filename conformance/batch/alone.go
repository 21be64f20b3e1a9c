package main

import (
	"fmt"
	"runtime"
	"syscall"
	"time"

	"nailbridge/internal/config"
	"nailbridge/internal/convert"
	"nailbridge/internal/old/batch"
	"nailbridge/mapping"
)

// asOf stands for now.
var asOf = time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)

// foldAlone folds and checks the records that a run made, patient by patient as the run
// did, and gives how many they are and what that took, without reading them from the
// working file. It runs on one core.
func foldAlone(e export, out string) (records int, t took, err error) {
	settings, err := clinic(e)
	if err != nil {
		return 0, t, err
	}
	defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(1))
	err = batch.EachPatient(out, func(some [][]byte) error {
		records += len(some)
		return t.fold(settings, some)
	})
	return records, t, err
}

// clinic are the settings that the run has too.
func clinic(e export) (mapping.Settings, error) {
	file, err := config.Read(e.settings)
	if err != nil {
		return mapping.Settings{}, err
	}
	all, err := file.Settings(config.DemoNamespace)
	if err != nil {
		return mapping.Settings{}, err
	}
	all[0].Clinic.ShareUnstated = "invented"
	return all[0], nil
}

// fold folds and checks the records of a patient, and adds what that took.
func (t *took) fold(s mapping.Settings, records [][]byte) error {
	began, before := time.Now(), used()
	res, _, err := convert.Records(s, records, asOf)
	t.clock, t.cpu = t.clock+time.Since(began), t.cpu+used()-before
	if err == nil && len(res.Issues) > 0 {
		err = fmt.Errorf("a record that the run published does not pass: %s", res.Issues[0].Key)
	}
	return err
}

// used is the CPU of this process so far.
func used() time.Duration {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		return 0
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}
