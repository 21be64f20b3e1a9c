package terms

import (
	"crypto/sha256"
	"encoding/hex"
	"io/fs"
)

// Hash names the code maps as a whole: it changes with any of their data and
// with what was confirmed, so that what was made of others can be told.
func (t *Terms) Hash() string { return t.hash }

func hashOf(fsys fs.FS) (string, error) {
	h := sha256.New()
	err := fs.WalkDir(fsys, "data", func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		b, err := fs.ReadFile(fsys, path)
		_, _ = h.Write(append([]byte(path+"\x00"), b...)) // a hash never fails
		return err
	})
	return hex.EncodeToString(h.Sum(nil)), err
}
