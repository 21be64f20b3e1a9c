package sqlite_test

import (
	"context"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/searchparam"
	"nailbridge/internal/store"
	"nailbridge/internal/store/sqlite"
	"nailbridge/internal/store/storetest"
)

var taken = sqlite.Taken{At: t0.Add(time.Hour), Namespace: "of-ours"}

// backedUp is a backup of some data, and the data's state.
func backedUp(t *testing.T) (backup, want string) {
	t.Helper()
	d := open(t, sqlite.Options{NewEpoch: func() string { return "old" }})
	require.NoError(t, d.Update(t.Context(), func(w store.Writer) error { return writeAll(t, w, "x") }))
	backup = filepath.Join(t.TempDir(), "backup")
	require.NoError(t, d.Backup(t.Context(), backup, taken))
	return backup, state(t, d)
}

func filesIn(t *testing.T, dir string) (names []string) {
	t.Helper()
	entries, err := os.ReadDir(dir)
	require.NoError(t, err)
	for _, e := range entries {
		names = append(names, e.Name())
	}
	return names
}

// D8.3: a restore says what it lost: from the backup's own instant until now.
func TestD8_3_ARestoreNotesTheLostInterval(t *testing.T) {
	backup, _ := backedUp(t)
	assert.Equal(t, []string{"backup"}, filesIn(t, filepath.Dir(backup)), "one file, nothing beside it")
	o := sqlite.Options{Dir: t.TempDir(), NewEpoch: func() string { return "new" }}
	now := t0.Add(2 * time.Hour)
	done, err := sqlite.Restore(t.Context(), backup, o, taken.Namespace, now, nil)
	require.NoError(t, err)
	assert.Equal(t, sqlite.Restored{Taken: taken, Epoch: "new"}, done)
	d := open(t, o)
	var all []store.Restore
	view(t, d, func(r store.Reader) (err error) { all, err = r.Restores(); return err })
	assert.Equal(t, []store.Restore{{Epoch: "new", Taken: taken.At, At: now}}, all)

	// Again, from a backup of the restored data: both intervals are known.
	second := filepath.Join(t.TempDir(), "second")
	require.NoError(t, d.Backup(t.Context(), second, sqlite.Taken{}))
	o2 := sqlite.Options{Dir: t.TempDir(), NewEpoch: func() string { return "newer" }}
	done, err = sqlite.Restore(t.Context(), second, o2, "", now, nil)
	require.NoError(t, err)
	assert.Zero(t, done.Taken, "what a backup does not say of itself is not taken from an older one")
	view(t, open(t, o2), func(r store.Reader) (err error) { all, err = r.Restores(); return err })
	assert.Len(t, all, 2)
}

// D8.3, R-HIST-12: whoever goes on from an instant that was told in the lost
// interval misses no commit that comes after the restore, though the clock now
// stands behind; and a history from such an instant is refused, since it was
// told what is lost (order.Place.Restored, order.Lost).
func TestD8_3_CommitsAfterARestoreAreLaterThanTheLostOnes(t *testing.T) {
	for name, c := range map[string]struct {
		clock, now time.Duration // of the lost commits and of the restore, after the backup
	}{
		"the clock goes on":   {time.Minute, time.Hour},
		"the clock was ahead": {-30 * time.Minute, time.Minute}, // stamps run ahead of it
		"restored at once":    {0, 3 * time.Millisecond},
	} {
		t.Run(name, func(t *testing.T) {
			d := open(t, sqlite.Options{NewEpoch: func() string { return "old" }})
			kept := titled(t, d, "kept", taken.At.Add(max(0, -2*c.clock)))
			backup := filepath.Join(t.TempDir(), "backup")
			require.NoError(t, d.Backup(t.Context(), backup, taken))
			titled(t, d, "lost", taken.At.Add(c.clock))
			lost := titled(t, d, "lost too", taken.At.Add(c.clock))

			o := sqlite.Options{Dir: t.TempDir(), NewEpoch: func() string { return "new" }}
			_, err := sqlite.Restore(t.Context(), backup, o, "", taken.At.Add(c.now), nil)
			require.NoError(t, err)
			r := open(t, o)
			since := func(at time.Time) (page store.Page, err error) {
				view(t, r, func(r store.Reader) error { page, err = r.History(store.HistoryQuery{Since: at, Count: 9}); return nil })
				return page, err
			}
			p, err := since(kept.LastUpdated)
			require.NoError(t, err, "what was seen is still there")
			assert.Equal(t, []store.Version{kept}, p.Versions)
			for _, at := range []time.Time{lost.LastUpdated, kept.LastUpdated.Add(time.Nanosecond)} {
				_, err = since(at)
				assert.ErrorIs(t, err, store.ErrEpoch)
			}
			again := titled(t, r, "lost too", taken.At.Add(-time.Hour)) // the clock was put back
			assert.True(t, again.LastUpdated.After(lost.LastUpdated), "%v after %v", again.LastUpdated, lost.LastUpdated)
			p, err = since(again.LastUpdated)
			require.NoError(t, err)
			assert.Equal(t, []store.Version{again}, p.Versions)
			view(t, r, func(r store.Reader) error {
				p, err := r.Search(store.Query{Type: "CarePlan", Count: 9, Match: []searchparam.Condition{{Param: "_lastUpdated", Kind: searchparam.Date,
					Any: []searchparam.Alternative{{Prefix: searchparam.Gt, Lo: lost.LastUpdated, Hi: lost.LastUpdated.Add(time.Millisecond)}}}}})
				require.NoError(t, err)
				assert.Equal(t, []store.Version{again}, p.Versions)
				return nil
			})
		})
	}
}

// titled puts the plan a by a clock.
func titled(t *testing.T, d *sqlite.DB, title string, now time.Time) (v store.Version) {
	t.Helper()
	require.NoError(t, d.Update(t.Context(), func(w store.Writer) error {
		if _, err := w.Stamp(now); err != nil {
			return err
		}
		var err error
		v, err = w.Put(owner, "", storetest.Checked(t, storetest.Plan("a", title)), nil)
		return err
	}))
	return v
}

func view(t *testing.T, d *sqlite.DB, fn func(store.Reader) error) {
	t.Helper()
	require.NoError(t, d.View(t.Context(), fn))
}

// D1.7: ids made in another namespace would be other ids for the same patients.
func TestD1_7_ABackupOfAnotherNamespaceIsRefused(t *testing.T) {
	backup, _ := backedUp(t)
	dir := t.TempDir()
	_, err := sqlite.Restore(t.Context(), backup, sqlite.Options{Dir: dir}, "another", t0, nil)
	assert.ErrorIs(t, err, sqlite.ErrNamespace)
	assert.Empty(t, filesIn(t, dir))
}

// What is damaged, cut short or no backup at all is not put in place.
func TestOnlyAWholeBackupIsRestored(t *testing.T) {
	backup, _ := backedUp(t)
	b, err := os.ReadFile(backup)
	require.NoError(t, err)
	damaged := append([]byte(nil), b...)
	for i := len(b) / 2; i < len(b)/2+4096; i++ {
		damaged[i] ^= 0xff
	}
	for name, content := range map[string][]byte{
		"cut": b[:len(b)/2], "empty": nil, "text": []byte("no backup"), "damaged": damaged,
	} {
		bad := filepath.Join(t.TempDir(), name)
		require.NoError(t, os.WriteFile(bad, content, 0o600))
		dir := t.TempDir()
		_, err := sqlite.Restore(t.Context(), bad, sqlite.Options{Dir: dir}, "", t0, nil)
		assert.ErrorIs(t, err, sqlite.ErrNotWhole, name)
		assert.Empty(t, filesIn(t, dir), name)
	}
}

// SQLite plays a write-ahead file into whatever data file lies beside it.
func TestNothingIsRestoredBesideAForgottenWriteAheadFile(t *testing.T) {
	backup, _ := backedUp(t)
	for _, end := range []string{"", "-wal", "-shm", "-journal"} {
		dir := t.TempDir()
		require.NoError(t, os.WriteFile(filepath.Join(dir, sqlite.File+end), []byte("x"), 0o600))
		_, err := sqlite.Restore(t.Context(), backup, sqlite.Options{Dir: dir}, "", t0, nil)
		assert.ErrorIs(t, err, fs.ErrExist, end)
		assert.Equal(t, []string{sqlite.File + end}, filesIn(t, dir))
	}
}

// A backup that was opened holds what was written since in its write-ahead file:
// without it, it is not what it was. What lies beside it stays.
func TestABackupWithAWriteAheadFileIsRefused(t *testing.T) {
	backup, _ := backedUp(t)
	for _, end := range []string{"-wal", "-shm", "-journal"} {
		require.NoError(t, os.WriteFile(backup+end, []byte("x"), 0o600))
		dir := t.TempDir()
		_, err := sqlite.Restore(t.Context(), backup, sqlite.Options{Dir: dir}, "", t0, nil)
		assert.ErrorIs(t, err, sqlite.ErrOpened, end)
		assert.ErrorContains(t, err, "backup"+end)
		assert.Empty(t, filesIn(t, dir), end)
		assert.FileExists(t, backup+end)
		require.NoError(t, os.Remove(backup+end))
	}
	_, err := sqlite.Restore(t.Context(), backup, sqlite.Options{Dir: t.TempDir()}, "", t0, nil)
	assert.NoError(t, err, "else nothing is shown")
}

// Two backups into one file, both begun before it was there: one has it, and the
// other is told.
func TestTwoBackupsIntoOneFile(t *testing.T) {
	d := open(t, sqlite.Options{})
	into := filepath.Join(t.TempDir(), "backup")
	var begun sync.WaitGroup
	var number atomic.Int32
	begun.Add(2)
	defer sqlite.SetPart(func(path string) string {
		begun.Done()
		begun.Wait()
		return fmt.Sprint(path, ".part-", number.Add(1))
	})()
	of := []sqlite.Taken{{At: t0, Namespace: "one"}, {At: t0, Namespace: "two"}}
	errs := make([]error, 2)
	var both sync.WaitGroup
	for i := range of {
		both.Go(func() { errs[i] = d.Backup(t.Context(), into, of[i]) })
	}
	both.Wait()
	won := 0
	if errs[won] != nil {
		won = 1
	}
	require.NoError(t, errs[won])
	assert.ErrorIs(t, errs[1-won], fs.ErrExist)
	assert.Equal(t, []string{"backup"}, filesIn(t, filepath.Dir(into)))
	done, err := sqlite.Restore(t.Context(), into, sqlite.Options{Dir: t.TempDir()}, "", t0, nil)
	require.NoError(t, err)
	assert.Equal(t, of[won], done.Taken)
}

// A file that is made at the last instant keeps its name and its content, on a file
// system that knows no second names too (link(2): EPERM); nothing is left beside it.
func TestABackupTakesNoNameAway(t *testing.T) {
	d := open(t, sqlite.Options{})
	for name, link := range map[string]func(from, to string) error{
		"second names": os.Link, "no second names": func(string, string) error { return syscall.EPERM },
	} {
		t.Run(name, func(t *testing.T) {
			into := filepath.Join(t.TempDir(), "backup")
			restore := sqlite.SetLink(func(from, to string) error {
				require.NoError(t, os.WriteFile(to, []byte("another's"), 0o600))
				return link(from, to)
			})
			assert.ErrorIs(t, d.Backup(t.Context(), into, taken), fs.ErrExist)
			restore()
			b, err := os.ReadFile(into)
			require.NoError(t, err)
			assert.Equal(t, "another's", string(b))
			assert.Equal(t, []string{"backup"}, filesIn(t, filepath.Dir(into)))

			defer sqlite.SetLink(link)()
			free := filepath.Join(t.TempDir(), "backup")
			require.NoError(t, d.Backup(t.Context(), free, taken))
			assert.Equal(t, []string{"backup"}, filesIn(t, filepath.Dir(free)))
			_, err = sqlite.Restore(t.Context(), free, sqlite.Options{Dir: t.TempDir()}, taken.Namespace, t0, nil)
			assert.NoError(t, err)
		})
	}
}

// What a restore left that was killed keeps no later one from its work, and what
// a backup left that was killed is no backup and in no backup's way.
func TestWhatAKillLeftIsNoHindrance(t *testing.T) {
	backup, want := backedUp(t)
	dir := t.TempDir()
	for _, end := range []string{"", "-wal", "-shm"} {
		require.NoError(t, os.WriteFile(filepath.Join(dir, sqlite.File+".restore"+end), []byte("half"), 0o600))
	}
	o := sqlite.Options{Dir: dir, NewEpoch: func() string { return "new" }}
	_, err := sqlite.Restore(t.Context(), backup, o, "", t0, nil)
	require.NoError(t, err)
	assert.Equal(t, []string{sqlite.File}, filesIn(t, dir))
	d := open(t, o)
	into := filepath.Join(t.TempDir(), "backup")
	require.NoError(t, os.WriteFile(into+".part-1", []byte("half"), 0o600))
	require.NoError(t, d.Backup(t.Context(), into, taken))
	undo(t, d, "new")
	assert.Equal(t, want, state(t, d))
}

// undo takes back the epoch of a restore and its place in the order, all that a
// restore adds to what a hub could see.
func undo(t *testing.T, d *sqlite.DB, epoch string) {
	t.Helper()
	for _, table := range []string{
		`DELETE FROM stamp WHERE seq = (SELECT after + 1 FROM epoch WHERE id = ?)`, `DELETE FROM epoch WHERE id = ?`,
	} {
		_, err := d.Writer().ExecContext(t.Context(), table, epoch)
		require.NoError(t, err)
	}
}

// A preparation that fails leaves the folder as it was.
func TestAFailedPreparationRestoresNothing(t *testing.T) {
	backup, _ := backedUp(t)
	dir := t.TempDir()
	_, err := sqlite.Restore(t.Context(), backup, sqlite.Options{Dir: dir}, "", t0, func(*sqlite.DB) error { return errInjected })
	assert.ErrorIs(t, err, errInjected)
	assert.Empty(t, filesIn(t, dir))
}

// A backup is of one commit and holds it whole, while another process goes on
// writing.
func TestABackupBesideAWriterIsOfOneCommit(t *testing.T) {
	o := sqlite.Options{Dir: t.TempDir()}
	writer := open(t, o)
	put := func(n int) error {
		return writer.Update(t.Context(), func(w store.Writer) error { return w.SetMark("north", "n", strings.Repeat("x", n)) })
	}
	require.NoError(t, put(1))
	ended, ctx := make(chan error), t.Context()
	stop, cancel := context.WithCancel(ctx)
	go func() {
		var err error
		for n := 2; stop.Err() == nil && err == nil; n++ {
			err = writer.Update(ctx, func(w store.Writer) error {
				m := strings.Repeat("x", n%500)
				if err := w.SetMark("north", "n", m); err != nil {
					return err
				}
				return w.SetMark("north", "m", m)
			})
		}
		ended <- err
	}()
	ro := o
	ro.ReadOnly = true
	r := open(t, ro)
	for range 5 {
		backup := filepath.Join(t.TempDir(), "backup")
		require.NoError(t, r.Backup(t.Context(), backup, taken))
		dir := t.TempDir()
		_, err := sqlite.Restore(t.Context(), backup, sqlite.Options{Dir: dir}, taken.Namespace, t0, nil)
		require.NoError(t, err)
		view(t, open(t, sqlite.Options{Dir: dir}), func(r store.Reader) error {
			n, err := r.Mark("north", "n")
			require.NoError(t, err)
			m, err := r.Mark("north", "m")
			if m != "" {
				assert.Equal(t, n, m)
			}
			return err
		})
	}
	cancel()
	require.NoError(t, <-ended)
}

// What was erased is in no file of the store: not in the data file, its free
// pages included, and not in the write-ahead file. Older contents that were
// replaced before go with it.
func TestScrubLeavesNothingReadable(t *testing.T) {
	const marker = "Zzyzxmarker"
	dir := t.TempDir()
	d := open(t, sqlite.Options{Dir: dir})
	theirs := store.Owner{Clinic: "north", Patient: marker + "|1"}
	for _, title := range []string{"one " + marker, "two " + marker} {
		require.NoError(t, d.Update(t.Context(), func(w store.Writer) error {
			if err := writeAll(t, w, title); err != nil {
				return err
			}
			for range 50 { // enough for pages of their own
				_, err := w.PutDelivery(store.Delivery{Clinic: "north", Record: marker, Patient: theirs.Patient, Hash: title,
					Body: []byte(strings.Repeat(title, 1000))})
				if err != nil {
					return err
				}
			}
			return w.ReplaceFlags(theirs, []store.Flag{{ID: title, JSON: []byte(title)}})
		}))
	}
	require.Contains(t, filesWith(t, dir, marker), sqlite.File+"-wal")
	require.NoError(t, d.Update(t.Context(), func(w store.Writer) error {
		if _, err := w.Stamp(t0); err != nil {
			return err
		}
		for _, o := range []store.Owner{owner, theirs} {
			_, _, err := w.Erase(store.Erasing{Owner: o, Sources: []string{"one " + marker, "two " + marker}, Blank: []byte("{}")})
			if err != nil {
				return err
			}
		}
		return w.SetMark(owner.Clinic, "m", "")
	}))
	_, err := d.Writer().ExecContext(t.Context(), `DELETE FROM outbox; DELETE FROM erasure`) // whose marks the test wrote
	require.NoError(t, err)
	require.NotEmpty(t, filesWith(t, dir, marker), "else nothing is shown")
	require.NoError(t, d.Scrub(t.Context()))
	assert.Empty(t, filesWith(t, dir, marker))
	require.NoError(t, d.Close())
	assert.Empty(t, filesWith(t, dir, marker))
}

// Whoever still reads keeps old pages in the write-ahead file: it is told.
func TestScrubBesideAReaderFails(t *testing.T) {
	d := open(t, sqlite.Options{Busy: 50 * time.Millisecond})
	_, err := put(t, d, "a", "one")
	require.NoError(t, err)
	view(t, d, func(store.Reader) error {
		_, err := put(t, d, "a", "two")
		require.NoError(t, err)
		assert.ErrorIs(t, d.Scrub(t.Context()), store.ErrUnavailable)
		return nil
	})
	assert.NoError(t, d.Scrub(t.Context()))
}

// filesWith are the files of a folder that hold a text.
func filesWith(t *testing.T, dir, text string) (names []string) {
	t.Helper()
	for _, name := range filesIn(t, dir) {
		b, err := os.ReadFile(filepath.Join(dir, name))
		require.NoError(t, err)
		if strings.Contains(string(b), text) {
			names = append(names, name)
		}
	}
	return names
}
