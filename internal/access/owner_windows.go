package access

import "io/fs"

// keepOwner does nothing: a file takes the rights of its folder.
func keepOwner(string, fs.FileInfo) error { return nil }
