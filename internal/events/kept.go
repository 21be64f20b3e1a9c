package events

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
)

// The server deletes a stream that it fails to read when it starts, be it for a
// moment. What it had acknowledged would be lost (D9). So each start first gives
// the files that messages are in a second name. When some are gone after it, they
// are put back; when a whole stream is gone again, the bridge does not start
// without it.
const (
	// dataFolder is the server's own, below its StoreDir: in it are
	// ACCOUNT/streams/STREAM/msgs/1.blk and so on, and meta.inf beside msgs.
	dataFolder     = "jetstream"
	streamsFolder  = "streams"
	messagesFolder = "msgs"
	// keptFolder holds the second names from before a start until its end: ACCOUNT/STREAM/1.blk.
	keptFolder = "jetstream-kept"
	// halfFolder is a keptFolder on its way, to be or to go.
	halfFolder = "jetstream-kept.part"

	blockSuffix = ".blk"
	// indexFile, among the blocks, is made of them, and made anew when it is gone.
	indexFile = "index.db"
)

// settingsFiles are what the server knows a stream by.
var settingsFiles = []string{"meta.inf", "meta.sum"}

// kept keeps the files of an embedded server through its start.
type kept struct{ dir string } // the server's StoreDir

// stream is the stream of an account, by their names.
type stream struct{ account, name string }

func (k kept) data(s stream) string {
	return filepath.Join(k.dir, dataFolder, s.account, streamsFolder, s.name)
}

func (k kept) second(folder string, s stream) string {
	return filepath.Join(k.dir, folder, s.account, s.name)
}

// keep gives the files second names. A file system that has none is
// errors.ErrUnsupported.
func (k kept) keep() error {
	if err := os.RemoveAll(filepath.Join(k.dir, halfFolder)); err != nil {
		return err
	}
	accounts, err := names(filepath.Join(k.dir, dataFolder), fs.DirEntry.IsDir)
	if err != nil {
		return err
	}
	some := false
	for _, a := range accounts {
		streams, err := names(filepath.Join(k.dir, dataFolder, a, streamsFolder), fs.DirEntry.IsDir)
		if err != nil {
			return err
		}
		for _, s := range streams {
			if strings.HasPrefix(s, ".") { // the server is about to delete it
				continue
			}
			if err := k.keepStream(stream{a, s}); err != nil {
				return err
			}
			some = true
		}
	}
	if !some {
		return nil
	}
	return os.Rename(filepath.Join(k.dir, halfFolder), filepath.Join(k.dir, keptFolder))
}

func (k kept) keepStream(s stream) error {
	blocks, err := names(filepath.Join(k.data(s), messagesFolder), isBlock)
	if err != nil {
		return err
	}
	to := k.second(halfFolder, s)
	if err := os.MkdirAll(to, 0o700); err != nil {
		return err
	}
	for _, f := range append(blocks, settingsFiles...) {
		err := os.Link(k.file(s, f), filepath.Join(to, f))
		switch {
		case errors.Is(err, fs.ErrNotExist): // a stream that was not yet made
		case errors.Is(err, syscall.EPERM): // what link(2) says of a file system without second names
			return errors.Join(errors.ErrUnsupported, err)
		case err != nil:
			return err
		}
	}
	return nil
}

func isBlock(e fs.DirEntry) bool {
	return e.Type().IsRegular() && strings.HasSuffix(e.Name(), blockSuffix)
}

// file is where the server has a file of a stream.
func (k kept) file(s stream, name string) string {
	if slices.Contains(settingsFiles, name) {
		return filepath.Join(k.data(s), name)
	}
	return filepath.Join(k.data(s), messagesFolder, name)
}

// putBack gives blocks that are gone since keep their names again, and forgets
// the second names. It is also what a start that was cut off left to do.
func (k kept) putBack() error {
	streams, err := k.changed()
	if err != nil {
		return err
	}
	for _, s := range streams {
		if err := k.restore(s); err != nil {
			return err
		}
	}
	return k.forget()
}

// restore gives the files of a stream that are gone their names again. What is
// there stays: it may have grown. The index of another state goes.
func (k kept) restore(s stream) error {
	files, err := names(k.second(keptFolder, s), anything)
	if err != nil {
		return err
	}
	if err := os.MkdirAll(filepath.Join(k.data(s), messagesFolder), 0o700); err != nil {
		return err
	}
	if err := os.Remove(k.file(s, indexFile)); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	for _, f := range files {
		err := os.Link(filepath.Join(k.second(keptFolder, s), f), k.file(s, f))
		if err != nil && !errors.Is(err, fs.ErrExist) {
			return err
		}
	}
	return nil
}

// changed gives the streams of which a block with messages is gone: lost, or
// taken off by age.
func (k kept) changed() (out []stream, err error) {
	accounts, err := names(filepath.Join(k.dir, keptFolder), anything)
	if err != nil {
		return nil, err
	}
	for _, a := range accounts {
		streams, err := names(filepath.Join(k.dir, keptFolder, a), anything)
		if err != nil {
			return nil, err
		}
		for _, s := range streams {
			whole, err := k.complete(stream{a, s})
			if err != nil {
				return nil, err
			}
			if !whole {
				out = append(out, stream{a, s})
			}
		}
	}
	return out, nil
}

// complete says whether the blocks of a stream that were kept are there.
func (k kept) complete(s stream) (bool, error) {
	blocks, err := names(k.second(keptFolder, s), isBlock)
	if err != nil {
		return false, err
	}
	for _, f := range blocks {
		was, err := os.Stat(filepath.Join(k.second(keptFolder, s), f))
		if err != nil {
			return false, err
		}
		_, err = os.Stat(k.file(s, f))
		if err != nil && !errors.Is(err, fs.ErrNotExist) {
			return false, err
		}
		if was.Size() > 0 && err != nil {
			return false, nil
		}
	}
	return true, nil
}

// errUnread: the server did not take up a stream that has messages.
var errUnread = errors.New("a stream can not be read from the disk; its messages are kept, and the next start tries again")

// lost says whether a stream that changed is there no more. One that the server
// took up has a block, however empty.
func (k kept) lost(streams []stream) error {
	for _, s := range streams {
		blocks, err := names(filepath.Join(k.data(s), messagesFolder), isBlock)
		if err != nil {
			return err
		}
		if len(blocks) == 0 {
			return fmt.Errorf("%w: %s", errUnread, s.name)
		}
	}
	return nil
}

// forget takes the second names off: at once for the next start, then one by one.
func (k kept) forget() error {
	half := filepath.Join(k.dir, halfFolder)
	if err := os.RemoveAll(half); err != nil {
		return err
	}
	err := os.Rename(filepath.Join(k.dir, keptFolder), half)
	if errors.Is(err, fs.ErrNotExist) {
		return nil // nothing was kept
	}
	if err == nil {
		_ = os.RemoveAll(half) // else before the next start
	}
	return err
}

func anything(fs.DirEntry) bool { return true }

// names are those of the entries of a folder that are wanted; none when there is
// no folder.
func names(dir string, wanted func(fs.DirEntry) bool) (out []string, err error) {
	in, err := os.ReadDir(dir)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	for _, e := range in {
		if wanted(e) {
			out = append(out, e.Name())
		}
	}
	return out, err
}
