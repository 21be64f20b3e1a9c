package erasures_test

import (
	"io/fs"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/erasures"
	"nailbridge/internal/store"
)

var (
	ours   = uuid.MustParse("6f1c1f5e-4a6b-4d36-9a44-3a8f0b1c2d3e")
	theirs = uuid.MustParse("6f1c1f5e-4a6b-4d36-9a44-3a8f0b1c2d3f")
	one    = store.Erasure{Subject: erasures.Subject(ours, store.Owner{Clinic: "north", Patient: "a|1"}), Reason: "order", Who: "Quill", At: time.Date(2026, 3, 2, 9, 0, 0, 1, time.UTC)}
)

// A subject is told apart by namespace, clinic and patient, and by where one
// ends and the other begins; it holds neither.
func TestSubjectsAreTheirOwn(t *testing.T) {
	seen := map[string]bool{}
	for _, ns := range []uuid.UUID{ours, theirs} {
		for _, o := range []store.Owner{{Clinic: "north", Patient: "a|1"}, {Clinic: "north", Patient: "a|2"}, {Clinic: "northa", Patient: "|1"}, {Clinic: "south", Patient: "a|1"}} {
			s := erasures.Subject(ns, o)
			assert.Regexp(t, `^[0-9a-f]{64}$`, s)
			assert.False(t, seen[s])
			seen[s] = true
		}
	}
	assert.NotEqual(t, erasures.Mark(ours), erasures.Mark(theirs))
	assert.NotContains(t, ours.String(), erasures.Mark(ours))
}

func TestAListIsAddedToAndReadBack(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, erasures.File)
	list, err := erasures.Read(path)
	require.NoError(t, err)
	assert.Empty(t, list)
	require.NoError(t, os.WriteFile(path+".part", []byte("of a kill, and longer than what comes now; "+one.Subject+one.Subject+one.Subject+one.Subject), 0o600))
	require.NoError(t, erasures.Add(dir, one))
	later := one
	later.At = one.At.Add(time.Hour)
	require.NoError(t, erasures.Add(dir, one, later))
	list, err = erasures.Read(path)
	require.NoError(t, err)
	assert.Equal(t, []store.Erasure{one, later}, list)
	st, err := os.Stat(path)
	require.NoError(t, err)
	assert.Equal(t, fs.FileMode(0o600), st.Mode())
	assert.NoFileExists(t, path+".part")
}

// A list that can not be read is no empty list: whoever is on it would come
// back. Nothing is added to it either.
func TestADamagedListIsTold(t *testing.T) {
	for _, text := range []string{"x", `{"subject":"short","at":"2026-03-02T09:00:00Z"}`, `{"subject":"` + one.Subject + `"}`, `{"name":"x"}`} {
		dir := t.TempDir()
		path := filepath.Join(dir, erasures.File)
		require.NoError(t, os.WriteFile(path, []byte(text), 0o600))
		_, err := erasures.Read(path)
		assert.ErrorContains(t, err, "not a list of erasures", text)
		assert.Error(t, erasures.Add(dir, one))
		b, err := os.ReadFile(path)
		require.NoError(t, err)
		assert.Equal(t, text, string(b))
	}
}
