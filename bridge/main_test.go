package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"io/fs"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/rogpeppe/go-internal/testscript"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/golden"
	"nailbridge/testdata"
)

// TestMain lets scripts run the program itself, as the command nailbridge, in
// a process of its own, and a small client as the command http.
func TestMain(m *testing.M) {
	testscript.Main(m, map[string]func(){"nailbridge": main, "http": func() { os.Exit(client()) }})
}

// TestStories plays each story in testdata/script against the program. Every
// story has a folder of its own with settings.json (the demo clinic's, served
// on a free port), records/, large.json, which is over the limit of a body, and
// the variables PORT, BASE, NATS (the address of a free port), OLD (the shipped exports of old records) and
// SYSTEM, that of the demo clinic's patients.
func TestStories(t *testing.T) {
	testscript.Run(t, testscript.Params{
		Dir:                 filepath.Join("testdata", "script"),
		UpdateScripts:       golden.Updating(),
		RequireExplicitExec: true,
		RequireUniqueNames:  true,
		Setup:               setupStory,
		Cmds: map[string]func(*testscript.TestScript, bool, []string){
			"exits": exits, "capture": capture, "lines": lines, "edit": edit, "terminate": terminate, "holds": holds,
		},
	})
}

func setupStory(e *testscript.Env) error {
	port, err := freePort()
	if err != nil {
		return err
	}
	e.Setenv("PORT", port)
	natsPort, err := freePort()
	if err != nil {
		return err
	}
	e.Setenv("NATS", "127.0.0.1:"+natsPort)
	e.Setenv("BASE", "http://127.0.0.1:"+port)
	old, err := filepath.Abs(filepath.Join("..", "testdata", "old"))
	if err != nil {
		return err
	}
	e.Setenv("OLD", old)
	e.Setenv("SYSTEM", "https://brindlemere.example/patient")
	settings := bytes.ReplaceAll(testdata.Settings(), []byte(":8470/"), []byte(":"+port+"/"))
	if err := os.WriteFile(filepath.Join(e.WorkDir, "settings.json"), settings, 0o600); err != nil {
		return err
	}
	records := filepath.Join(e.WorkDir, "records")
	if err := os.MkdirAll(records, 0o700); err != nil {
		return err
	}
	large := `{"clinic":"` + strings.Repeat("x", 1<<20) + `"}`
	if err := os.WriteFile(filepath.Join(e.WorkDir, "large.json"), []byte(large), 0o600); err != nil {
		return err
	}
	for _, f := range testdata.Records() {
		if err := os.WriteFile(filepath.Join(records, f.Name), f.Data, 0o600); err != nil {
			return err
		}
	}
	return nil
}

var ports struct {
	sync.Mutex
	given map[string]bool
}

// freePort is a port that nobody listens on and that no other story was given.
func freePort() (string, error) {
	ports.Lock()
	defer ports.Unlock()
	for {
		l, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			return "", err
		}
		_, port, err := net.SplitHostPort(l.Addr().String())
		if err = errors.Join(err, l.Close()); err != nil {
			return "", err
		}
		if ports.given == nil {
			ports.given = map[string]bool{}
		}
		if !ports.given[port] {
			ports.given[port] = true
			return port, nil
		}
	}
}

// exits runs a command and checks its exit status: exits 2 nailbridge ...
func exits(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 2 {
		ts.Fatalf("usage: exits status command args...")
	}
	got := 0
	var exit *exec.ExitError
	switch err := ts.Exec(args[1], args[2:]...); {
	case errors.As(err, &exit):
		got = exit.ExitCode()
	case err != nil:
		ts.Fatalf("%v", err)
	}
	if args[0] != strconv.Itoa(got) {
		ts.Fatalf("exit status %d, want %s", got, args[0])
	}
}

// capture keeps the first group of a pattern found in the last stdout:
// capture NAME 'pattern (group)'.
func capture(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 2 {
		ts.Fatalf("usage: capture NAME pattern")
	}
	re, err := regexp.Compile(args[1])
	ts.Check(err)
	found := re.FindStringSubmatch(ts.ReadFile("stdout"))
	if len(found) < 2 {
		ts.Fatalf("stdout holds no %s", args[1])
	}
	ts.Setenv(args[0], found[1])
}

// lines writes chosen lines of a file to another, so that a story can send the
// saves of a record file one by one: lines records/01.ndjson 1 save.json.
func lines(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 3 {
		ts.Fatalf("usage: lines file number to")
	}
	n, err := strconv.Atoi(args[1])
	ts.Check(err)
	all := strings.SplitAfter(ts.ReadFile(args[0]), "\n")
	if n < 1 || n > len(all) {
		ts.Fatalf("%s has no line %d", args[0], n)
	}
	ts.Check(os.WriteFile(ts.MkAbs(args[2]), []byte(all[n-1]), 0o600))
}

// edit replaces a text in a file: edit file old new.
func edit(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 3 {
		ts.Fatalf("usage: edit file old new")
	}
	text := ts.ReadFile(args[0])
	if !strings.Contains(text, args[1]) {
		ts.Fatalf("%s holds no %s", args[0], args[1])
	}
	text = strings.ReplaceAll(text, args[1], args[2])
	ts.Check(os.WriteFile(ts.MkAbs(args[0]), []byte(text), 0o600))
}

// holds looks for a text in every file below a folder: holds folder text.
func holds(ts *testscript.TestScript, neg bool, args []string) {
	if len(args) != 2 {
		ts.Fatalf("usage: holds folder text")
	}
	var found []string
	ts.Check(filepath.WalkDir(ts.MkAbs(args[0]), func(path string, e fs.DirEntry, err error) error {
		if err != nil || e.IsDir() {
			return err
		}
		b, err := os.ReadFile(path)
		if bytes.Contains(b, []byte(args[1])) {
			found = append(found, path)
		}
		return err
	}))
	if neg == (len(found) > 0) {
		ts.Fatalf("files that hold %s: %v", args[1], found)
	}
}

// terminate sends SIGTERM to every command in the background, as a service
// manager does.
func terminate(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 0 {
		ts.Fatalf("usage: terminate")
	}
	for _, c := range ts.BackgroundCmds() {
		ts.Check(c.Process.Signal(syscall.SIGTERM))
	}
}

// client is the command http of the stories:
//
//	http [-wait] [-until PATTERN] [-headers] [-type MEDIA] [-header 'Name: value']... METHOD URL [FILE]
//
// It prints the status, with -headers the header fields, and the body, JSON
// indented. With -wait it asks until the answer is 200, with -until until the
// body holds the pattern, for half a minute.
func client() int {
	set := flag.NewFlagSet("http", flag.ExitOnError)
	wait := set.Bool("wait", false, "")
	until := set.String("until", "", "")
	headers := set.Bool("headers", false, "")
	media := set.String("type", "application/json", "")
	var extra []string
	set.Func("header", "", func(s string) error { extra = append(extra, s); return nil })
	if err := set.Parse(os.Args[1:]); err != nil || set.NArg() < 2 {
		fmt.Fprintln(os.Stderr, "usage: http METHOD URL [FILE]")
		return 2
	}
	var body []byte
	if set.NArg() > 2 {
		var err error
		if body, err = os.ReadFile(set.Arg(2)); err != nil {
			fmt.Fprintln(os.Stderr, err)
			return 1
		}
		extra = append([]string{"Content-Type: " + *media}, extra...)
	}
	wanted := regexp.MustCompile(*until)
	for begin := time.Now(); ; time.Sleep(50 * time.Millisecond) {
		res, err := ask(set.Arg(0), set.Arg(1), body, extra)
		early := *wait && (err != nil || res.status != http.StatusOK) || *until != "" && !wanted.Match(res.body)
		switch {
		case early && time.Since(begin) < 30*time.Second:
			continue
		case err != nil:
			fmt.Fprintln(os.Stderr, err)
			return 1
		}
		res.print(os.Stdout, *headers)
		return 0
	}
}

type reply struct {
	status int
	header http.Header
	body   []byte
}

func ask(method, url string, body []byte, headers []string) (reply, error) {
	req, err := http.NewRequest(method, url, bytes.NewReader(body))
	if err != nil {
		return reply{}, err
	}
	for _, h := range headers {
		name, value, _ := strings.Cut(h, ": ")
		if name == "Host" {
			req.Host = value
		}
		req.Header.Set(name, value)
	}
	direct := http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	res, err := direct.Do(req)
	if err != nil {
		return reply{}, err
	}
	b, err := io.ReadAll(res.Body)
	return reply{res.StatusCode, res.Header, b}, errors.Join(err, res.Body.Close())
}

func (r reply) print(w io.Writer, headers bool) {
	fmt.Fprintln(w, r.status, http.StatusText(r.status))
	if headers {
		_ = r.header.Write(w)
	}
	var indented bytes.Buffer
	if json.Indent(&indented, r.body, "", "  ") == nil {
		r.body = indented.Bytes()
	}
	fmt.Fprintf(w, "%s\n", bytes.TrimRight(r.body, "\n"))
}

func write(t testing.TB, file string, b []byte) {
	t.Helper()
	require.NoError(t, os.WriteFile(file, b, 0o600))
}
