package oracles

import (
	"bytes"
	"context"
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"slices"

	"github.com/rogpeppe/go-internal/lockedfile"
)

// source is the Java program, so that a test binary can build it wherever it runs.
//
//go:embed java/pom.xml java/src
var source embed.FS

// jvm are the settings of the Java machine. Runs are short, so the slower compiler costs more than it gains: measured on
// 13 small resources 9.9 s of processor time with them and 19.0 s without, on four times 498 official examples 95 s and
// 112 s. Thousands of resources are another matter: from longRun on, the better compiler earns its keep.
var jvm = []string{"-Xmx2g", "-XX:+UseSerialGC"}

// longRun is the size of the documents, of about 3000 resources and counted as often as they are validated, from which the
// better compiler is let at the program.
const longRun = 5 << 20

// run builds the program if it must and runs it once. A status other than 0 is no error; being unable to start the
// program, or having to kill it, is.
func run(ctx context.Context, args []string, long bool) (stdout, stderr []byte, status int, err error) {
	built, err := program(ctx)
	if err != nil {
		return nil, nil, 0, err
	}
	machine := slices.Clone(jvm)
	if !long {
		machine = append(machine, "-XX:TieredStopAtLevel=1")
	}
	command := append(machine, "-jar", filepath.Join(built, "oracle.jar"))
	java := exec.CommandContext(ctx, "java", append(command, args...)...)
	var out, log bytes.Buffer
	java.Stdout, java.Stderr = &out, &log
	err = java.Run()
	var exit *exec.ExitError
	if errors.As(err, &exit) && exit.Exited() {
		return out.Bytes(), log.Bytes(), exit.ExitCode(), nil
	}
	if err != nil {
		return nil, nil, 0, fmt.Errorf("running the Java program: %w\n%s", err, &log)
	}
	return out.Bytes(), log.Bytes(), clean, nil
}

// Command runs another class of the built program than the validator, by its full name.
func Command(ctx context.Context, class string, args ...string) (*exec.Cmd, error) {
	built, err := program(ctx)
	if err != nil {
		return nil, err
	}
	command := append(slices.Clone(jvm), "-XX:TieredStopAtLevel=1", "-cp", filepath.Join(built, "oracle.jar"), class)
	return exec.CommandContext(ctx, "java", append(command, args...)...), nil
}

// program gives the folder with the built program: oracle.jar, and in lib the modules it needs. It is built once for
// each state of the source, into the user's cache folder; the first build downloads about 145 MB. Test binaries that run
// side by side wait for one another.
func program(ctx context.Context) (string, error) {
	cache, err := os.UserCacheDir()
	if err != nil {
		return "", fmt.Errorf("finding a cache folder: %w", err)
	}
	digest, err := sourceDigest()
	if err != nil {
		return "", err
	}
	base := filepath.Join(cache, "nailbridge", "oracle")
	built := filepath.Join(base, digest)
	if err := os.MkdirAll(base, 0o755); err != nil {
		return "", fmt.Errorf("making the cache folder: %w", err)
	}
	unlock, err := lockedfile.MutexAt(filepath.Join(base, "lock")).Lock()
	if err != nil {
		return "", fmt.Errorf("locking the cache folder: %w", err)
	}
	defer unlock()
	if _, err := os.Stat(built); !errors.Is(err, fs.ErrNotExist) {
		return built, err
	}
	if failed == nil {
		failed = build(ctx, base, built)
	}
	return built, failed
}

// failed is why the build failed, so that a process does not try it for every test. The lock that program takes guards it.
var failed error

// build compiles the program in a folder of its own below base and moves the finished product to built in one step, so
// that an interrupted build leaves nothing that looks finished.
func build(ctx context.Context, base, built string) error {
	work, err := os.MkdirTemp(base, "build-")
	if err != nil {
		return fmt.Errorf("making a build folder: %w", err)
	}
	defer os.RemoveAll(work)
	tree, err := fs.Sub(source, "java")
	if err != nil {
		return err
	}
	if err := os.CopyFS(work, tree); err != nil {
		return fmt.Errorf("writing the Java source: %w", err)
	}
	mvn := exec.CommandContext(ctx, "mvn", "-q", "-B", "package")
	mvn.Dir = work
	if out, err := mvn.CombinedOutput(); err != nil {
		return fmt.Errorf("building the Java program: %w\n%s", err, out)
	}
	product := filepath.Join(work, "product")
	if err := os.Mkdir(product, 0o755); err != nil {
		return err
	}
	for _, name := range []string{"oracle.jar", "lib"} {
		if err := os.Rename(filepath.Join(work, "target", name), filepath.Join(product, name)); err != nil {
			return fmt.Errorf("collecting the built program: %w", err)
		}
	}
	return os.Rename(product, built)
}

// sourceDigest names the state of the Java source in 16 hexadecimal digits.
func sourceDigest() (string, error) {
	sum := sha256.New()
	err := fs.WalkDir(source, ".", func(name string, entry fs.DirEntry, err error) error {
		if err != nil || entry.IsDir() {
			return err
		}
		text, err := source.ReadFile(name)
		fmt.Fprintf(sum, "%s %d\n%s", name, len(text), text)
		return err
	})
	return hex.EncodeToString(sum.Sum(nil))[:16], err
}
