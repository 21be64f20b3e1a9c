package main

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
	"syscall"
	"time"

	"nailbridge/testdata"
)

// clinic is the clinic of the demo's settings, whose door is driven.
const clinic = "brindlemere"

// upTime is how long a bridge may take to be ready.
const upTime = time.Minute

// server is a running bridge.
type server struct {
	cmd        *exec.Cmd
	said       *bytes.Buffer
	base, nats string // URLs
	ended      chan error
}

// buildBinary builds the bridge into a folder.
func buildBinary(ctx context.Context, dir string) (string, error) {
	path := filepath.Join(dir, "nailbridge")
	cmd := exec.CommandContext(ctx, "go", "build", "-o", path, "nailbridge/bridge")
	cmd.Env = append(os.Environ(), "CGO_ENABLED=0")
	if out, err := cmd.CombinedOutput(); err != nil {
		return "", fmt.Errorf("building the bridge: %w: %s", err, out)
	}
	return path, nil
}

// startServer starts the binary with both doors on an empty data folder below
// dir, and waits until they are open.
func startServer(ctx context.Context, binary, dir string) (*server, error) {
	port, err := freePort()
	if err != nil {
		return nil, err
	}
	natsPort, err := freePort()
	if err != nil {
		return nil, err
	}
	settings := filepath.Join(dir, "settings.json")
	text := bytes.ReplaceAll(testdata.Settings(), []byte("127.0.0.1:8470"), []byte("127.0.0.1:"+port))
	if err := os.WriteFile(settings, text, 0o600); err != nil {
		return nil, err
	}
	s := &server{said: &bytes.Buffer{}, base: "http://127.0.0.1:" + port, nats: "nats://127.0.0.1:" + natsPort, ended: make(chan error, 1)}
	s.cmd = exec.Command(binary, "serve", "--config", settings, "--data", filepath.Join(dir, "data"),
		"--listen", "127.0.0.1:"+port, "--nats-listen", "127.0.0.1:"+natsPort)
	s.cmd.Stdout, s.cmd.Stderr = io.Discard, s.said
	if err := s.cmd.Start(); err != nil {
		return nil, err
	}
	go func() { s.ended <- s.cmd.Wait() }()
	if err := s.waitReady(ctx); err != nil {
		return nil, errors.Join(err, s.stop())
	}
	return s, nil
}

func (s *server) waitReady(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(ctx, upTime)
	defer cancel()
	for _, path := range []string{"/ready", "/health/nats"} {
		for !answers(ctx, s.base+path) {
			select {
			case err := <-s.ended:
				s.ended <- err
				return fmt.Errorf("the bridge ended: %w: %s", err, s.said)
			case <-ctx.Done():
				return fmt.Errorf("the bridge is not ready: %w", ctx.Err())
			case <-time.After(20 * time.Millisecond):
			}
		}
	}
	return nil
}

// answers reports a 200.
func answers(ctx context.Context, url string) bool {
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, url, nil)
	if err != nil {
		return false
	}
	res, err := http.DefaultClient.Do(req)
	if err != nil {
		return false
	}
	return errors.Join(res.Body.Close()) == nil && res.StatusCode == http.StatusOK
}

// stop asks the bridge to end, and reports an end that was not clean.
func (s *server) stop() error {
	if err := s.cmd.Process.Signal(syscall.SIGTERM); err != nil && !errors.Is(err, os.ErrProcessDone) {
		return err
	}
	select {
	case err := <-s.ended:
		if err != nil {
			return fmt.Errorf("the bridge ended with %w: %s", err, tail(s.said.String()))
		}
		return nil
	case <-time.After(upTime):
		return errors.Join(errors.New("the bridge does not stop"), s.cmd.Process.Kill())
	}
}

// tail is the end of a log.
func tail(s string) string {
	lines := strings.Split(strings.TrimSpace(s), "\n")
	return strings.Join(lines[max(0, len(lines)-10):], "\n")
}

func freePort() (string, error) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return "", err
	}
	_, port, err := net.SplitHostPort(l.Addr().String())
	return port, errors.Join(err, l.Close())
}
