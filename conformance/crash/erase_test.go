//go:build linux && (amd64 || arm64)

package crash_test

import (
	"bytes"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/conformance/running"
	"nailbridge/internal/fault"
	"nailbridge/testdata"
)

// marker is in every text of the patient who is erased, and in nobody else's.
const marker = "Zzyzxmarker"

// marked is a data folder that holds a marked patient and another, in its data file,
// its write-ahead file and its streams.
type marked struct{ binary, data string }

func newMarked(t *testing.T) marked {
	binary, dir, b := watchable(t)
	require.NoError(t, b.Start(t.Context()))
	theirs := firstSave(t, "10-sharing-declined.ndjson", "Ashgrove", marker, `"P-010"`, `"P-`+marker+`"`, `"S-1010"`, `"S-`+marker+`"`)
	http := b.HTTP(1)
	defer http.Close()
	nats, err := b.OpenNATS()
	require.NoError(t, err)
	defer nats.Close()
	for _, sent := range []struct {
		door running.Door
		rec  []byte
	}{
		{http, firstSave(t, "15-discharged.ndjson")}, {nats, theirs},
		{http, bytes.Replace(theirs, []byte(`"revision": 1`), []byte(`"revision": 2`), 1)},
	} {
		_, err := sent.door.Send(t.Context(), sent.rec, func() {})
		require.NoError(t, err)
	}
	require.NoError(t, b.Kill())
	m := marked{binary, filepath.Join(dir, "data")}
	for _, name := range []string{"nailbridge.db-wal", "jetstream"} {
		require.NotEmpty(t, below(t, filepath.Join(m.data, name)), name)
	}
	return m
}

// firstSave is the first save of a record file, edited.
func firstSave(t *testing.T, name string, edits ...string) []byte {
	for _, f := range testdata.Records() {
		if f.Name == name {
			line, _, _ := strings.Cut(string(f.Data), "\n")
			return []byte(strings.NewReplacer(edits...).Replace(line))
		}
	}
	t.Fatal(name)
	return nil
}

// below are the files at a path, or below it, that hold the marker.
func below(t *testing.T, path string) (names []string) {
	t.Helper()
	require.NoError(t, filepath.WalkDir(path, func(file string, e fs.DirEntry, err error) error {
		if err != nil || e.IsDir() {
			return err
		}
		b, err := os.ReadFile(file)
		if bytes.Contains(b, []byte(marker)) {
			names = append(names, file)
		}
		return err
	}))
	return names
}

// trial is a copy of a marked folder, on which erasures and starts are killed.
type trial struct {
	*running.Bridge
	marked
	files *fault.Folder
}

func (m marked) trial(t *testing.T, ports []string) *trial {
	dir := t.TempDir()
	data := filepath.Join(dir, "data")
	require.NoError(t, os.CopyFS(data, os.DirFS(m.data)))
	b, err := running.At(m.binary, dir, ports[0], ports[1])
	require.NoError(t, err)
	var paths []string // of the store and the list; of the streams the tests of internal/events tell
	for _, name := range []string{"nailbridge.db", "nailbridge.db-wal", "nailbridge.db-shm", "erasures", "erasures.part"} {
		paths = append(paths, filepath.Join(data, name))
	}
	files, err := fault.NewFolder(paths...)
	require.NoError(t, err)
	t.Cleanup(func() {
		assert.NoError(t, b.Kill())
		assert.NoError(t, files.Err())
	})
	return &trial{b, marked{m.binary, data}, files}
}

// erase runs the command to its end, under whatever lets it end.
func (r *trial) erase(t *testing.T) error {
	cmd := exec.CommandContext(t.Context(), r.binary, "erase", "--data", r.data, "--clinic", running.Clinic,
		"--system", "https://brindlemere.example/patient", "--value", "P-"+marker, "--reason", "order", "--who", "Ada Quill")
	var said bytes.Buffer
	cmd.Stdout, cmd.Stderr = &said, &said
	require.NoError(t, r.files.Start(cmd))
	err := cmd.Wait()
	require.NotContains(t, said.String(), marker)
	return err
}

// store are the files of the store that hold the marker.
func (r *trial) store(t *testing.T) (names []string) {
	for _, end := range []string{"", "-wal"} {
		path := filepath.Join(r.data, "nailbridge.db"+end)
		if _, err := os.Stat(path); err == nil {
			names = append(names, below(t, path)...)
		}
	}
	return names
}

// ends is how many changes at either end of an erasure it is killed before, one by
// one: there the list is written, and the mark is taken away.
const ends = 20

// kills gives before which of so many changes an erasure is killed: before all at
// either end, and so many times between.
func kills(changes, between int) (ns []int) {
	for n := range ends {
		ns = append(ns, n+1, changes-n)
	}
	for i := range between {
		ns = append(ns, ends+1+i*(changes-2*ends)/between)
	}
	return ns
}

// An erasure is killed before a change of a file of the store or of the list: before
// the patient is listed nothing is erased; from then on the next start erases, and
// frees the files of, what the store still holds, and where the tombstone was
// committed no file of the whole folder holds a text of the patient after it. A start
// that is killed as it does so leaves it to the one after. Erased again, nothing is
// left in any case.
func TestAnErasureMayBeKilledAtAnyChange(t *testing.T) {
	between := max(1, rounds(t)/5)
	m := newMarked(t)
	ports, err := running.FreePorts(2)
	require.NoError(t, err)
	whole := m.trial(t, ports)
	whole.files.Kill(0)
	require.NoError(t, whole.erase(t))
	require.Empty(t, below(t, whole.data))
	ns := kills(whole.files.Count(), between)
	seen := newOutcomes()
	every(t, 3, func(t *testing.T, ports []string, i int) bool {
		if i > len(ns) {
			return false
		}
		m.trial(t, ports).killed(t, ns[i-1], seen)
		return true
	})
	seen.report(t)
	for _, kind := range []string{"not begun", "erased by the start", "freed by the start", "nothing left"} {
		assert.NotZero(t, seen.kinds[kind], kind)
	}
	assert.NotZero(t, seen.kinds["a start killed"])
}

// killed kills an erasure before the nth change, and looks at what starts make of
// it.
func (r *trial) killed(t *testing.T, n int, seen *outcomes) {
	r.files.Kill(n)
	err := r.erase(t)
	c, killed := r.files.Failed()
	t.Logf("%d: %s", n, c)
	if !killed { // their number differs a little from run to run
		require.NoError(t, err)
		return
	}
	require.EqualError(t, err, "signal: killed")
	_, unlisted := os.Stat(filepath.Join(r.data, "erasures"))
	left := len(r.store(t)) > 0
	if left && unlisted == nil {
		r.startAndKill(t, n, seen)
	}
	require.NoError(t, r.Start(t.Context()))
	switch {
	case unlisted != nil:
		assert.NotEmpty(t, r.store(t))
		seen.add("not begun", true)
	case strings.Contains(r.Said(), "are erased"):
		assert.Empty(t, r.store(t))
		seen.add("erased by the start", true)
	case left:
		assert.Empty(t, below(t, r.data))
		seen.add("freed by the start", true)
	default:
		assert.Empty(t, below(t, r.data))
		seen.add("nothing left", true)
	}
	require.NoError(t, r.Stop())
	require.NoError(t, r.erase(t))
	assert.Empty(t, below(t, r.data))
}

// startAndKill kills a start before the nth change, if it makes so many.
func (r *trial) startAndKill(t *testing.T, n int, seen *outcomes) {
	r.files.Kill(n)
	r.Exec = r.files.Start
	err := r.Start(t.Context())
	if _, killed := r.files.Failed(); killed {
		assert.ErrorContains(t, err, "signal: killed")
		seen.add("a start killed", true)
	}
	assert.NoError(t, r.Kill())
	r.Exec = nil
}
