package batch_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"syscall"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/old/batch"
)

// What a process of its own is told by its environment.
const (
	killOut   = "NAILBRIDGE_KILL_OUT"   // folder of its output
	killFile  = "NAILBRIDGE_KILL_FILE"  // old records
	killAfter = "NAILBRIDGE_KILL_AFTER" // steps of progress after which it kills itself
	// killPoints is how many points the test tries; a few where it is not set.
	killPoints = "NAILBRIDGE_KILL_POINTS"
)

// killRows are the rows for each point, of as many patients as are folded at once: the
// more points, the more pieces each file has.
const killRows = 400

// A run that is killed by SIGKILL, which no deferred call survives, goes on with the same
// command, and its files equal those of an unbroken run byte for byte. A point is a step of
// progress, spread over all that an unbroken run has; what a file got that the working file
// does not know, as of a kill between the two, is added before the run goes on.
func TestAKilledRunGoesOn(t *testing.T) {
	rows := killRows * points(t)
	file := manyRows(t, rows)
	whole := killOptions(t, file, t.TempDir())
	steps := 0
	whole.Progress = func(string, int, int) { steps++ }
	assert.Equal(t, map[string]int{"provenance": rows - rows/50, "worksheet": rows / 50, "skipped": (rows + 490) / 500}, run(t, whole).Outcomes)
	require.GreaterOrEqual(t, steps, points(t), "too few steps to be killed at")
	for i := range points(t) {
		after := 1 + i*(steps-1)/max(points(t)-1, 1)
		t.Run(fmt.Sprint(after), func(t *testing.T) {
			out := t.TempDir()
			cmd := exec.Command(os.Args[0], "-test.run=^TestRunThatKillsItself$")
			cmd.Env = append(os.Environ(), killOut+"="+out, killFile+"="+file, killAfter+"="+strconv.Itoa(after))
			var exit *exec.ExitError
			require.ErrorAs(t, cmd.Run(), &exit)
			require.Equal(t, syscall.SIGKILL, exit.Sys().(syscall.WaitStatus).Signal(), "the process was not killed")
			require.NoFileExists(t, filepath.Join(out, "manifest.json"), "the run had ended")
			torn, err := os.OpenFile(filepath.Join(out, "Procedure.ndjson.gz"), os.O_APPEND|os.O_CREATE|os.O_WRONLY, 0o644)
			require.NoError(t, err)
			_, err = torn.WriteString("half a piece")
			require.NoError(t, errors.Join(err, torn.Close()))
			o := killOptions(t, file, out)
			run(t, o)
			same(t, whole.Out, out)
		})
	}
}

// TestRunThatKillsItself is the process that the test above starts.
func TestRunThatKillsItself(t *testing.T) {
	out := os.Getenv(killOut)
	if out == "" {
		t.Skip("started by TestAKilledRunGoesOn alone")
	}
	after, err := strconv.Atoi(os.Getenv(killAfter))
	require.NoError(t, err)
	o := killOptions(t, os.Getenv(killFile), out)
	o.Progress = func(string, int, int) {
		if after--; after == 0 {
			_ = syscall.Kill(os.Getpid(), syscall.SIGKILL) // nothing comes after it
			select {}
		}
	}
	_, err = batch.Run(context.Background(), o)
	assert.NoError(t, errors.Join(err, errors.New("the run ended before its point")))
}

func killOptions(t testing.TB, file, out string) batch.Options {
	o := options(t, file, filepath.Join(shipped, "surgeries.layout.json"))
	o.Gzip, o.Out = true, out
	o.Layout.Schema.Columns[1].Note.Crosswalk = "" // which lists the shipped patients alone
	return o
}

func points(t testing.TB) int {
	v := os.Getenv(killPoints)
	if v == "" {
		return 2
	}
	n, err := strconv.Atoi(v)
	require.NoError(t, err)
	return n
}

// manyRows is a file with the header of the shipped one and rows that end in every list:
// published, in the worksheet and skipped.
func manyRows(t testing.TB, n int) string {
	t.Helper()
	b := must(os.ReadFile(filepath.Join(shipped, "surgeries.csv")))(t)
	head, _, _ := bytes.Cut(b, []byte("\n"))
	var out bytes.Buffer
	out.Write(head)
	out.WriteByte('\n')
	for i := range n {
		side := "R"
		if i%50 == 7 {
			side = "R/L"
		}
		fmt.Fprintf(&out, "%06d;%06d;Ashgrove;Tilda;1971;%02d/03/2014;10:05;HB;%s;hallux;lat;PNA;;;;;;\n", 200000+i, 500000+i/2, 1+i%28, side)
		if i%500 == 9 {
			out.Write(append(head, '\n'))
		}
	}
	path := filepath.Join(t.TempDir(), "surgeries.csv")
	require.NoError(t, os.WriteFile(path, out.Bytes(), 0o644))
	return path
}
