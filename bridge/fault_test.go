//go:build linux

package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/config"
	"nailbridge/internal/fault"
	"nailbridge/internal/store/sqlite"
	"nailbridge/testdata"
)

// filesOf are the files of a data folder, and the folder, that a start reads or
// makes by itself.
func filesOf(dir string) []string {
	files := []string{dir}
	for _, name := range []string{config.LockFile, config.NamespaceFile, config.NamespaceFile + ".part", sqlite.File, sqlite.File + "-wal", sqlite.File + "-shm", sqlite.File + "-journal"} {
		files = append(files, filepath.Join(dir, name))
	}
	return files
}

// listening is what a bridge says when it serves.
var listening = regexp.MustCompile(`msg=listening address=(\S+)`)

// serveOnce serves a data folder until it is ready, looks, and stops.
func serveOnce(t *testing.T, settings, dir string, look func(base, dir string)) error {
	return serveAs(serveCommand{Config: settings, Data: dir, Listen: "127.0.0.1:0"}, look)
}

func serveAs(c serveCommand, look func(base, dir string)) error {
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	log := &buffer{}
	looked := make(chan struct{})
	go func() {
		defer close(looked)
		for ctx.Err() == nil {
			if m := listening.FindStringSubmatch(log.String()); m != nil {
				look("http://"+m[1], c.Data)
				cancel()
				return
			}
			time.Sleep(time.Millisecond)
		}
	}()
	e := &env{ctx: ctx, stdout: io.Discard, stderr: log, clock: time.Now}
	err := c.Run(e)
	cancel()
	<-looked
	return err
}

// The nth system call on a file of the data folder fails, for every n of a
// start and its stop: of one that makes the folder, and of one after a kill. Either it
// did no harm, or the start says what failed; the next one serves, with the same
// namespace of ids and the same records.
func TestAStartOutlivesAnyFileOperation(t *testing.T) {
	fault.Need(t)
	settings := filepath.Join(t.TempDir(), "settings.json")
	require.NoError(t, os.WriteFile(settings, testdata.Settings(), 0o600))
	used := filepath.Join(t.TempDir(), "used")
	require.NoError(t, serveOnce(t, settings, filepath.Join(t.TempDir(), "data"), func(base, dir string) {
		postOne(t, base)
		assert.NoError(t, os.CopyFS(used, os.DirFS(dir))) // as a kill leaves it, with what is in the write-ahead log alone
	}))
	for name, prepare := range map[string]func(dir string){
		"new":  func(string) {},
		"used": func(dir string) { require.NoError(t, os.CopyFS(dir, os.DirFS(used))) },
	} {
		t.Run(name, func(t *testing.T) {
			folder := func() string {
				dir := filepath.Join(t.TempDir(), "data")
				prepare(dir)
				return dir
			}
			dir := folder()
			names := fault.Names(t, filesOf(dir), func() {
				require.NoError(t, serveOnce(t, settings, dir, func(string, string) {}))
			})
			told, harmless := map[string]int{}, map[string]int{}
			for _, call := range names {
				for n := 1; ; n++ {
					dir := folder()
					var err error
					c, failed := fault.Nth(t, filesOf(dir), call, n, func() { err = serveOnce(t, settings, dir, func(string, string) {}) })
					if !failed {
						require.NoError(t, err)
						break
					}
					if err != nil {
						told[c.Name]++
					} else {
						harmless[c.String()]++
					}
					namespace, missing := config.ReadNamespace(filepath.Join(dir, config.NamespaceFile))
					require.NoError(t, serveOnce(t, settings, dir, func(base, _ string) {
						if name == "used" {
							assert.Equal(t, 1, patients(t, base), c)
						}
					}), "after %s, the %d.", c, n)
					again, err := config.ReadNamespace(filepath.Join(dir, config.NamespaceFile))
					require.NoError(t, err)
					if missing == nil {
						require.Equal(t, namespace, again, c)
					} else {
						require.True(t, errors.Is(missing, os.ErrNotExist), "%s: %v", c, missing)
					}
				}
			}
			t.Logf("told: %v; without harm: %v", told, harmless)
		})
	}
}

// The nth system call on the settings or the keys fails, for every n of a start:
// it says so or does no harm, and the next one serves.
func TestAStartOutlivesAnyReadOfSettingsAndKeys(t *testing.T) {
	fault.Need(t)
	dir := t.TempDir()
	settings, keyFile := filepath.Join(dir, "settings.json"), filepath.Join(dir, "keys.json")
	require.NoError(t, os.WriteFile(settings, testdata.Settings(), 0o600))
	makeKeys(t, keyFile)
	c := serveCommand{Config: settings, Data: filepath.Join(dir, "data"), Listen: "127.0.0.1:0", Access: accessFlags{Keys: keyFile}}
	start := func() error { return serveAs(c, func(string, string) {}) }
	require.NoError(t, start())
	files := []string{settings, keyFile}
	told, harmless := map[string]int{}, map[string]int{}
	for _, call := range fault.Names(t, files, func() { require.NoError(t, start()) }) {
		for n := 1; ; n++ {
			var err error
			failing, failed := fault.Nth(t, files, call, n, func() { err = start() })
			if !failed {
				require.NoError(t, err)
				break
			}
			if err != nil {
				told[failing.String()]++
			} else {
				harmless[failing.String()]++
			}
			require.NoError(t, start(), "after %s, the %d.", failing, n)
		}
	}
	assert.NotEmpty(t, told)
	t.Logf("told: %v; without harm: %v", told, harmless)
}

// postOne sends a record. It is called beside the test.
func postOne(t *testing.T, base string) {
	res, err := http.Post(base+"/records", "application/json", bytes.NewReader(saves(t, "12-abandoned")[0]))
	if assert.NoError(t, err) {
		assert.NoError(t, res.Body.Close())
		assert.Equal(t, http.StatusCreated, res.StatusCode)
	}
}

// patients counts those that a hub finds. It is called beside the test.
func patients(t *testing.T, base string) int {
	res, err := http.Get(base + "/fhir/Patient?_total=accurate")
	if !assert.NoError(t, err) {
		return 0
	}
	var found bundle
	assert.NoError(t, errors.Join(json.NewDecoder(res.Body).Decode(&found), res.Body.Close()))
	return found.Total
}
