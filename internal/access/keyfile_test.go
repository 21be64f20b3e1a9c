package access_test

import (
	"fmt"
	"os"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/access"
)

// A change keeps the file's mode and the link that leads to it: whoever read it
// before goes on reading it.
func TestAChangeOfKeysKeepsModeAndLink(t *testing.T) {
	dir := t.TempDir()
	path, link := filepath.Join(dir, "keys.json"), filepath.Join(dir, "link.json")
	require.NoError(t, access.WriteKeys(path, nil))
	require.NoError(t, os.Chmod(path, 0o640))
	require.NoError(t, os.Symlink(path, link))
	k, secret := drawnKey(t, access.Key{Kind: access.ClinicKey, Name: "practice", Clinics: []string{"north"}})
	f, err := access.OpenKeyFile(path, nil)
	require.NoError(t, err)
	require.NoError(t, access.AddKey(link, k))
	info, err := os.Lstat(link)
	require.NoError(t, err)
	assert.NotZero(t, info.Mode()&os.ModeSymlink, "the link is still one")
	info, err = os.Stat(path)
	require.NoError(t, err)
	assert.Equal(t, os.FileMode(0o640), info.Mode().Perm())
	_, found := f.Find(secret)
	assert.True(t, found, "the reader of the target sees the key")
}

// Keys added at one time by several are all there, and one revoked beside them
// does not come back.
func TestChangesOfKeysDoNotLoseOneAnother(t *testing.T) {
	path := filepath.Join(t.TempDir(), "keys.json")
	gone, _ := drawnKey(t, access.Key{Kind: access.ClinicKey, Name: "old", Clinics: []string{"north"}})
	require.NoError(t, access.AddKey(path, gone))
	var all sync.WaitGroup
	for n := range 12 {
		k, _ := drawnKey(t, access.Key{Kind: access.ClinicKey, Name: fmt.Sprint("practice ", n), Clinics: []string{"north"}})
		all.Go(func() { assert.NoError(t, access.AddKey(path, k)) })
	}
	all.Go(func() { assert.NoError(t, access.RevokeKey(path, gone.ID)) })
	all.Wait()
	keys, err := access.ReadKeys(path)
	require.NoError(t, err)
	assert.Len(t, keys, 12)
}

// A file that could not be read for a while is read as soon as it can be, though
// nothing of it changed, and the fault is said once.
func TestKeysThatCannotBeReadAreTriedAgain(t *testing.T) {
	path := filepath.Join(t.TempDir(), "keys.json")
	require.NoError(t, access.WriteKeys(path, nil))
	var said []error
	f, err := access.OpenKeyFile(path, func(err error) { said = append(said, err) })
	require.NoError(t, err)
	k, secret := drawnKey(t, access.Key{Kind: access.ClinicKey, Name: "practice", Clinics: []string{"north"}})
	require.NoError(t, access.AddKey(path, k))
	aside := path + ".aside"
	require.NoError(t, os.Rename(path, aside))
	require.NoError(t, os.Mkdir(path, 0o700)) // a folder in its place: it is there, and no read of it succeeds
	for range 3 {
		_, found := f.Find(secret)
		assert.False(t, found)
	}
	assert.Len(t, said, 1)
	assert.False(t, f.Current())
	require.NoError(t, os.Remove(path))
	require.NoError(t, os.Rename(aside, path))
	_, found := f.Find(secret)
	assert.True(t, found)
	assert.True(t, f.Current())

	// The same file, out of reach for a while, with its folder.
	folder := filepath.Dir(path)
	require.NoError(t, os.Rename(folder, folder+".aside"))
	require.NoError(t, os.WriteFile(folder, nil, 0o600)) // no folder: a fault that is not that the file is gone
	_, found = f.Find(secret)
	assert.True(t, found)
	assert.False(t, f.Current())
	assert.Len(t, said, 2)
	require.NoError(t, os.Remove(folder))
	require.NoError(t, os.Rename(folder+".aside", folder))
	_, found = f.Find(secret)
	assert.True(t, found)
	assert.True(t, f.Current())

	require.NoError(t, os.Remove(path))
	_, found = f.Find(secret)
	assert.False(t, found, "removed")
	assert.False(t, f.Current())
}

// A file without a list of keys is a mistake, not a file that opens nothing.
func TestAFileWithoutAListOfKeysIsAFault(t *testing.T) {
	for _, text := range []string{"null", "{}", `{"keys":null}`} {
		path := filepath.Join(t.TempDir(), "keys.json")
		require.NoError(t, os.WriteFile(path, []byte(text), 0o600))
		_, err := access.ReadKeys(path)
		assert.ErrorContains(t, err, "no list of keys", text)
	}
}

// Half a registration is none, though a staff key stands beside it.
func TestHalfARegistrationIsNone(t *testing.T) {
	for _, r := range []access.Registration{{System: "https://register.example"}, {Value: "R-1"}} {
		_, _, err := access.NewKey(access.Key{Kind: access.PersonKey, Clinics: []string{"north"},
			Person: &access.Person{Family: "Quill", StaffKey: "pod-1", Registration: &r}}, zeros{}, time.Unix(0, 0))
		assert.ErrorContains(t, err, "names a person", r)
	}
}

type zeros struct{}

func (zeros) Read(p []byte) (int, error) { return len(p), nil }

var drawn byte

func drawnKey(t *testing.T, k access.Key) (access.Key, string) {
	t.Helper()
	drawn++
	full, secret, err := access.NewKey(k, repeated(drawn), time.Unix(0, 0))
	require.NoError(t, err)
	return full, secret
}

// repeated is a reader of one byte again and again.
type repeated byte

func (r repeated) Read(p []byte) (int, error) {
	for i := range p {
		p[i] = byte(r)
	}
	return len(p), nil
}
