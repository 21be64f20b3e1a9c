package terms

import (
	"crypto/sha256"
	"encoding/hex"
	"io/fs"
	"sync"
)

// Hash names the code maps as a whole: it changes with any of their data, so
// that what was made of others can be told.
var Hash = sync.OnceValue(func() string {
	h := sha256.New()
	err := fs.WalkDir(files, "data", func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		b, err := files.ReadFile(path)
		_, _ = h.Write(append([]byte(path+"\x00"), b...)) // a hash never fails
		return err
	})
	if err != nil {
		panic(err) // the data are part of the program
	}
	return hex.EncodeToString(h.Sum(nil))
})
