package main

import (
	"bytes"
	"context"
	"io"
	"net/http"
	"os"
	"os/exec"
	"reflect"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/config"
	"nailbridge/internal/golden"
	"nailbridge/internal/official"
)

const readme = "../README.md"

// TestReadmeTour runs every command of the README's tour, in order, against a
// demo of its own and compares what each prints with what the README shows.
// Only instants, version ids and ETags may differ.
func TestReadmeTour(t *testing.T) {
	for _, tool := range []string{"sh", "curl", "grep"} {
		if _, err := exec.LookPath(tool); err != nil {
			official.Missing(t, "the tour of the README needs "+tool)
		}
	}
	text, err := os.ReadFile(readme)
	require.NoError(t, err)
	steps := tour(t, string(text))
	require.GreaterOrEqual(t, len(steps), 8)
	recipes := 0
	for _, s := range steps {
		recipes += strings.Count(s.command, "curl -")
	}
	require.Equal(t, strings.Count(string(text), "curl -"), recipes, "every curl recipe of the README is a command of the tour")
	port := startDemo(t)
	updated := string(text)
	for _, s := range steps {
		c := exec.Command("sh", "-c", strings.ReplaceAll(s.command, ":8470", ":"+port))
		c.Dir = ".."
		out, err := c.CombinedOutput()
		require.NoError(t, err, "%s\n%s", s.command, out)
		got := strings.ReplaceAll(string(out), ":"+port, ":8470")
		if got != "" && !strings.HasSuffix(got, "\n") {
			got += "\n"
		}
		if golden.Updating() && mask(s.output) != mask(got) {
			updated = strings.Replace(updated, s.text+s.output, s.text+got, 1)
			continue
		}
		assert.Equal(t, mask(s.output), mask(got), "$ %s (run with -update and read the diff)", s.command)
	}
	if updated != string(text) {
		require.NoError(t, os.WriteFile(readme, []byte(updated), 0o644))
	}
}

// step is one command of the tour: its lines as they stand, the command they
// make, and the output shown.
type step struct{ text, command, output string }

// tour reads the blocks marked console: a line that begins with "$ " is a
// command, which goes on while lines end with a backslash; the lines after it
// are its output.
func tour(t *testing.T, text string) []step {
	var out []step
	for _, block := range strings.Split(text, "```console\n")[1:] {
		block, _, found := strings.Cut(block, "```")
		require.True(t, found)
		more := false
		for line := range strings.Lines(block) {
			switch command, ok := strings.CutPrefix(line, "$ "); {
			case ok:
				out = append(out, step{text: line, command: command})
			case more:
				out[len(out)-1].text += line
				out[len(out)-1].command += line
			default:
				require.NotEmpty(t, out, "a block begins with a command")
				out[len(out)-1].output += line
				continue
			}
			more = strings.HasSuffix(line, "\\\n")
		}
	}
	return out
}

var masks = []struct {
	pattern *regexp.Regexp
	with    string
}{
	{regexp.MustCompile(`\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?(Z|[+-]\d\d:\d\d)`), "<instant>"},
	{regexp.MustCompile(`[A-Z][a-z]{2}, \d\d [A-Z][a-z]{2} \d{4} \d\d:\d\d:\d\d GMT`), "<instant>"},
	{regexp.MustCompile(`("versionId": ?)"[^"]*"`), `$1"<version>"`},
	{regexp.MustCompile(`W/"[^"]*"`), `W/"<version>"`},
}

func mask(s string) string {
	for _, m := range masks {
		s = m.pattern.ReplaceAllString(s, m.with)
	}
	return strings.ReplaceAll(s, "\r", "")
}

// startDemo serves the demo clinic as `bridge demo` does and gives its port.
func startDemo(t *testing.T) string {
	port, err := freePort()
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan int, 1)
	log := &buffer{}
	go func() {
		ended <- runArgs([]string{"demo", "--listen", "127.0.0.1:" + port, "--data", t.TempDir()}, &env{ctx: ctx, stdout: io.Discard, stderr: log, clock: time.Now})
	}()
	t.Cleanup(func() { cancel(); assert.Zero(t, <-ended, log) })
	require.Eventually(t, func() bool {
		res, err := http.Get("http://127.0.0.1:" + port + "/ready")
		return err == nil && res.Body.Close() == nil && res.StatusCode == http.StatusOK
	}, 5*time.Minute, 50*time.Millisecond, "%s", log)
	return port
}

// TestReadmeNamesEverySetting holds the table of settings to the settings
// file's members and the commands to those of the program.
func TestReadmeNamesEverySetting(t *testing.T) {
	text, err := os.ReadFile(readme)
	require.NoError(t, err)
	for _, name := range settingNames() {
		assert.Contains(t, string(text), "| `"+name+"` |", "setting %s", name)
	}
	var help bytes.Buffer
	require.Zero(t, runArgs([]string{"--help"}, &env{ctx: context.Background(), stdout: &help, stderr: io.Discard, clock: time.Now}))
	commands := regexp.MustCompile(`(?m)^  ([a-z-]+) .*`).FindAllStringSubmatch(help.String(), -1)
	require.NotEmpty(t, commands)
	for _, c := range commands {
		assert.Contains(t, string(text), "| `"+c[1], "command %s", c[1])
	}
}

// settingNames are the members of the settings file, those of an object as
// object.member.
func settingNames() []string { return memberNames(reflect.TypeFor[config.Document](), "") }

func memberNames(t reflect.Type, prefix string) []string {
	for t.Kind() == reflect.Pointer {
		t = t.Elem()
	}
	var out []string
	for i := range t.NumField() {
		f := t.Field(i)
		name, _, _ := strings.Cut(f.Tag.Get("json"), ",")
		in := f.Type
		if in.Kind() == reflect.Pointer {
			in = in.Elem()
		}
		if in.Kind() == reflect.Struct {
			out = append(out, memberNames(in, prefix+name+".")...)
			continue
		}
		out = append(out, prefix+name)
	}
	return out
}
