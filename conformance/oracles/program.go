package oracles

import (
	"bufio"
	"bytes"
	"context"
	"embed"
	"encoding/json"
	"fmt"
	"io"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"sync"

	"nailbridge/conformance/oracles/cache"
)

// source is the Java program, so that a test binary can build it wherever it runs.
//
//go:embed java/pom.xml java/src
var source embed.FS

// jvm are the settings of the Java machine. Runs are short, so the slower compiler costs more than it gains: measured on
// 13 small resources 9.9 s of processor time with them and 19.0 s without, on four times 498 official examples 95 s and
// 112 s. Ten thousands of resources are another matter: from longRun on, the better compiler earns its keep.
var jvm = []string{"-Xmx2g", "-XX:+UseSerialGC"}

// longRun is the size of the documents, counted as often as they are validated, from which the better compiler is let at the
// program: 12 MB of Bundles took 41 s of processor time without it and 55 s with it, and another machine to start besides.
const longRun = 16 << 20

// servers are the Java machines of this process, which are started when first needed and end with it: one for long runs and
// one for short ones. To start one takes as long as to check hundreds of resources.
var servers = map[bool]*server{false: {}, true: {}}

// server is one Java machine, asked by one at a time.
type server struct {
	mu  sync.Mutex
	cmd *exec.Cmd
	in  io.WriteCloser
	out *bufio.Reader
	log bytes.Buffer
}

// run builds the program if it must and asks it. A status other than 0 is no error; being unable to ask the program is.
func run(ctx context.Context, args []string, long bool) (stdout, stderr []byte, status int, err error) {
	s := servers[long]
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.cmd == nil {
		if err := s.start(ctx, long); err != nil {
			return nil, nil, 0, err
		}
	}
	cmd := s.cmd
	defer context.AfterFunc(ctx, func() { _ = cmd.Process.Kill() })() // what hangs is ended
	if stdout, stderr, status, err = s.ask(args); err != nil {
		_, s.cmd = cmd.Process.Kill(), nil
		return nil, nil, 0, fmt.Errorf("asking the Java program: %w: %w\n%s", err, cmd.Wait(), &s.log)
	}
	return stdout, stderr, status, nil
}

func (s *server) start(ctx context.Context, long bool) (err error) {
	built, err := program(ctx)
	if err != nil {
		return err
	}
	machine := slices.Clone(jvm)
	if !long {
		machine = append(machine, "-XX:TieredStopAtLevel=1")
	}
	cmd := exec.Command("java", append(machine, "-jar", filepath.Join(built, "oracle.jar"), "--serve")...)
	s.log.Reset()
	cmd.Stderr = &s.log
	if s.in, err = cmd.StdinPipe(); err != nil {
		return err
	}
	out, err := cmd.StdoutPipe()
	if err != nil {
		return err
	}
	s.out = bufio.NewReader(out)
	if err := cmd.Start(); err != nil {
		return fmt.Errorf("running the Java program: %w", err)
	}
	s.cmd = cmd
	return nil
}

func (s *server) ask(args []string) (stdout, stderr []byte, status int, err error) {
	if args == nil {
		args = []string{}
	}
	if err := json.NewEncoder(s.in).Encode(args); err != nil {
		return nil, nil, 0, err
	}
	line, err := s.out.ReadString('\n')
	if err != nil {
		return nil, nil, 0, err
	}
	var outSize, errSize int
	if _, err := fmt.Sscanf(line, "%d %d %d", &status, &outSize, &errSize); err != nil {
		return nil, nil, 0, fmt.Errorf("an answer without its lengths: %q", line)
	}
	both := make([]byte, outSize+errSize)
	if _, err := io.ReadFull(s.out, both); err != nil {
		return nil, nil, 0, err
	}
	return both[:outSize], both[outSize:], status, nil
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

// program gives the folder with the built program: oracle.jar, and in lib the modules it needs. The first build downloads
// about 145 MB.
func program(ctx context.Context) (string, error) {
	tree, err := fs.Sub(source, "java")
	if err != nil {
		return "", err
	}
	return cache.Built("oracle", tree, func(work string) (string, error) {
		mvn := exec.CommandContext(ctx, "mvn", "-q", "-B", "package")
		mvn.Dir = work
		if out, err := mvn.CombinedOutput(); err != nil {
			return "", fmt.Errorf("building the Java program: %w\n%s", err, out)
		}
		product := filepath.Join(work, "product")
		if err := os.Mkdir(product, 0o755); err != nil {
			return "", err
		}
		for _, name := range []string{"oracle.jar", "lib"} {
			if err := os.Rename(filepath.Join(work, "target", name), filepath.Join(product, name)); err != nil {
				return "", fmt.Errorf("collecting the built program: %w", err)
			}
		}
		return product, nil
	})
}
