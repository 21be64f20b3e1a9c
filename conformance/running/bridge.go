// Package running drives a bridge from outside: the built binary as a process
// with both doors open, and the doors as senders of records use them. It knows
// nothing of what is behind the doors.
package running

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"time"

	"nailbridge/testdata"
)

// Clinic is the clinic of the demo's settings, whose doors are open.
const Clinic = "brindlemere"

// upTime is how long a bridge may take to be ready, and to stop.
const upTime = time.Minute

// Build builds the bridge into a folder and gives the path of the binary.
func Build(ctx context.Context, dir string) (string, error) {
	path := filepath.Join(dir, "nailbridge")
	cmd := exec.CommandContext(ctx, "go", "build", "-o", path, "nailbridge/bridge")
	cmd.Env = append(os.Environ(), "CGO_ENABLED=0")
	if out, err := cmd.CombinedOutput(); err != nil {
		return "", fmt.Errorf("building the bridge: %w: %s", err, out)
	}
	return path, nil
}

// Bridge is a place where a bridge runs: a binary, a data folder and ports,
// the same each time that it is started.
type Bridge struct {
	Base, NATS string // URLs of the doors
	// Exec starts its process; nil: as any other.
	Exec func(*exec.Cmd) error

	dir   string
	ports []string
	args  []string
	open  []string  // paths that answer 200 once it is ready
	cmd   *exec.Cmd // that was started last; nil when none was
	said  *tail
	end   chan error
}

// New prepares a place in an empty folder, with the settings of the demo.
func New(binary, dir string) (*Bridge, error) {
	ports, err := FreePorts(2)
	if err != nil {
		return nil, err
	}
	return At(binary, dir, ports[0], ports[1])
}

// At is New at these ports.
func At(binary, dir, port, natsPort string) (*Bridge, error) {
	if err := writeSettings(dir, testdata.Settings(), port); err != nil {
		return nil, err
	}
	return &Bridge{
		Base: "http://127.0.0.1:" + port, NATS: "nats://127.0.0.1:" + natsPort,
		dir: dir, ports: []string{port, natsPort}, open: []string{"/ready", "/health/nats"},
		args: []string{binary, "serve", "--config", SettingsIn(dir), "--data", DataIn(dir),
			"--listen", "127.0.0.1:" + port, "--nats-listen", "127.0.0.1:" + natsPort},
	}, nil
}

// writeSettings writes the settings of a place at another port than the demo's.
func writeSettings(dir string, text []byte, port string) error {
	return os.WriteFile(SettingsIn(dir), bytes.ReplaceAll(text, []byte("127.0.0.1:8470"), []byte("127.0.0.1:"+port)), 0o600)
}

// Demo prepares the demo, which keeps its data in a folder and has the door over HTTP alone.
func Demo(binary, data string) (*Bridge, error) {
	ports, err := FreePorts(1)
	if err != nil {
		return nil, err
	}
	address := "127.0.0.1:" + ports[0]
	return &Bridge{Base: "http://" + address, open: []string{"/ready"}, args: []string{binary, "demo", "--listen", address, "--data", data}}, nil
}

// SettingsIn and DataIn are the settings and the data of a place in a folder.
func SettingsIn(dir string) string { return filepath.Join(dir, "settings.json") }

// DataIn is the data folder.
func DataIn(dir string) string { return filepath.Join(dir, "data") }

// Start starts the bridge and waits until its doors are open.
func (b *Bridge) Start(ctx context.Context) error {
	b.cmd, b.said, b.end = nil, &tail{}, make(chan error, 1)
	cmd, end := exec.Command(b.args[0], b.args[1:]...), b.end
	cmd.Stdout, cmd.Stderr = io.Discard, b.said
	start := b.Exec
	if start == nil {
		start = (*exec.Cmd).Start
	}
	if err := start(cmd); err != nil {
		return err
	}
	b.cmd = cmd
	go func() { end <- cmd.Wait() }()
	if err := b.waitReady(ctx); err != nil {
		return errors.Join(err, b.Stop())
	}
	return nil
}

// Ticked waits for the first tick of the schedule of a demo, whose story has something for it: the store changes once more.
func (b *Bridge) Ticked(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(ctx, upTime)
	defer cancel()
	for !strings.Contains(b.Said(), "windows ended without a review") {
		select {
		case <-ctx.Done():
			return fmt.Errorf("the schedule has not ticked: %w: %s", ctx.Err(), b.said)
		case <-time.After(20 * time.Millisecond):
		}
	}
	return nil
}

// PID is the number of the process that runs.
func (b *Bridge) PID() int { return b.cmd.Process.Pid }

// Said is the end of what it said since its last start.
func (b *Bridge) Said() string { return b.said.String() }

func (b *Bridge) waitReady(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(ctx, upTime)
	defer cancel()
	for _, path := range b.open {
		for !answers(ctx, b.Base+path) {
			select {
			case err := <-b.end:
				b.end <- err
				return fmt.Errorf("the bridge ended: %w: %s", err, b.said)
			case <-ctx.Done():
				return fmt.Errorf("the bridge is not ready: %w: %s", ctx.Err(), b.said)
			case <-time.After(5 * time.Millisecond):
			}
		}
	}
	return nil
}

// answers reports a 200.
func answers(ctx context.Context, url string) bool {
	status, _, err := Get(ctx, url)
	return err == nil && status == http.StatusOK
}

// Stop asks the bridge to end, and reports an end that was not clean. One that
// was never started has none.
func (b *Bridge) Stop() error {
	if b.cmd == nil {
		return nil
	}
	if err := b.cmd.Process.Signal(syscall.SIGTERM); err != nil && !errors.Is(err, os.ErrProcessDone) {
		return err
	}
	select {
	case err := <-b.end:
		b.end <- nil
		if err != nil {
			return fmt.Errorf("the bridge ended with %w: %s", err, b.said)
		}
		return nil
	case <-time.After(upTime):
		return errors.Join(errors.New("the bridge does not stop"), b.Kill())
	}
}

// Kill ends the bridge at once, as kill -9 does, and waits until it is gone. One
// that is gone already stays so.
func (b *Bridge) Kill() error {
	if b.cmd == nil {
		return nil
	}
	if err := b.cmd.Process.Kill(); err != nil && !errors.Is(err, os.ErrProcessDone) {
		return err
	}
	<-b.end
	b.end <- nil
	return nil
}

// Died reports a bridge that ended without being asked to, with what it said
// last.
func (b *Bridge) Died() error {
	select {
	case err := <-b.end:
		b.end <- err
		return fmt.Errorf("the bridge ended by itself: %w: %s", err, b.said)
	default:
		return nil
	}
}

// tail keeps the end of a log.
type tail struct {
	mu   sync.Mutex
	last []byte
}

// tailSize is how much of a log is kept.
const tailSize = 8 << 10

// Write keeps the end of what was written.
func (t *tail) Write(p []byte) (int, error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.last = append(t.last, p...)
	if over := len(t.last) - tailSize; over > 0 {
		t.last = append([]byte(nil), t.last[over:]...)
	}
	return len(p), nil
}

// String is the end of the log.
func (t *tail) String() string {
	t.mu.Lock()
	defer t.mu.Unlock()
	return strings.TrimSpace(string(t.last))
}

// FreePorts are n ports that nobody listens on, each another.
func FreePorts(n int) (ports []string, err error) {
	var held []net.Listener
	defer func() {
		for _, l := range held {
			err = errors.Join(err, l.Close())
		}
	}()
	for range n {
		l, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			return nil, err
		}
		held = append(held, l)
		_, port, err := net.SplitHostPort(l.Addr().String())
		if err != nil {
			return nil, err
		}
		ports = append(ports, port)
	}
	return ports, nil
}
