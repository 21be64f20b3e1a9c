//go:build linux && (amd64 || arm64)

package fault_test

import (
	"os"
	"os/exec"
	"path/filepath"
	"sync"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/fault"
)

// workEnv makes this test binary the process that is watched: it works on the
// folder that the variable names.
const workEnv = "NAILBRIDGE_TEST_WORK"

func TestMain(m *testing.M) {
	if dir := os.Getenv(workEnv); dir != "" {
		os.Exit(work(dir))
	}
	os.Exit(m.Run())
}

const (
	// threads is how many goroutines of the process work at once.
	threads = 4
	// calls is how many calls each makes.
	calls = 4
)

// work makes calls on files of a folder in several threads, by absolute and
// relative paths, and as many beside it.
func work(dir string) int {
	var all sync.WaitGroup
	var mu sync.Mutex
	failed := 0
	for _, where := range []string{dir, filepath.Join(dir, "..")} {
		for i := range threads {
			all.Go(func() {
				name := filepath.Join(where, "made-"+string(rune('a'+i)))
				if i == 0 {
					name = "relative" // to the folder of the process
					if where != dir {
						name = "../relative"
					}
				}
				for _, call := range []func() error{
					func() error { return os.Mkdir(name, 0o700) },
					func() error { return os.Rename(name, name+"-again") },
					func() error { return os.Chmod(name+"-again", 0o755) },
				} {
					if call() != nil {
						mu.Lock()
						failed++
						mu.Unlock()
					}
				}
			})
		}
	}
	all.Wait()
	return failed
}

// watched lets this program work in a folder, and gives how it ended.
func watched(t *testing.T, set func(*fault.Folder)) (dir string, f *fault.Folder, ended error) {
	self, err := os.Executable()
	require.NoError(t, err)
	dir = filepath.Join(t.TempDir(), "watched")
	require.NoError(t, os.Mkdir(dir, 0o700))
	f, err = fault.NewFolder(dir)
	require.NoError(t, err)
	set(f)
	cmd := exec.Command(self)
	cmd.Dir, cmd.Env = dir, append(os.Environ(), workEnv+"="+dir)
	require.NoError(t, f.Start(cmd))
	ended = cmd.Wait()
	require.NoError(t, f.Err())
	return dir, f, ended
}

// Over all threads of a process each call below the folder fails in its turn,
// alone, and calls on files beside it never do.
func TestTheNthCallOfAProcessFails(t *testing.T) {
	fault.NeedFolder(t)
	for n := 1; ; n++ {
		_, f, err := watched(t, func(f *fault.Folder) { f.Fail(n) })
		c, failed := f.Failed()
		if !failed {
			require.NoError(t, err)
			assert.Equal(t, calls*threads+1, n)
			assert.Equal(t, calls*threads, f.Count())
			return
		}
		if c.Name == "newfstatat" { // by which Rename looks whether a folder is in its way, no more
			require.NoError(t, err)
			continue
		}
		var exit *exec.ExitError
		require.ErrorAs(t, err, &exit, "%s", c)
		assert.Contains(t, []string{"mkdirat", "renameat", "fchmodat"}, c.Name)
	}
}

// A process is killed before each change below the folder in its turn, and of the
// calls that it was let make none comes after: no more was made than were counted.
func TestAProcessIsKilledBeforeTheNthChange(t *testing.T) {
	fault.NeedFolder(t)
	const changes = 2 * threads // a chmod is none
	for n := 1; n <= changes+1; n++ {
		dir, f, err := watched(t, func(f *fault.Folder) { f.Kill(n) })
		made, rerr := os.ReadDir(dir)
		require.NoError(t, rerr)
		c, killed := f.Failed()
		if n > changes {
			require.NoError(t, err)
			assert.False(t, killed)
			assert.Len(t, made, threads)
			break
		}
		require.True(t, killed)
		assert.Contains(t, []string{"mkdirat", "renameat", "renameat2"}, c.Name)
		assert.EqualError(t, err, "signal: killed")
		assert.Less(t, len(made), n)
	}
}
