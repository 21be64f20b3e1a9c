// Command pictures lets a real browser show the guide's pages: it measures each
// at 390 pixels, where nothing may scroll sideways, takes a picture of each there
// and on a wide screen, and prints each on A4, where no column may be cut. It
// needs Chromium, and pdftotext of poppler-utils.
package main

import (
	"context"
	_ "embed"
	"errors"
	"flag"
	"fmt"
	"html/template"
	"io"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"time"

	"nailbridge/conformance/running"
)

// narrow is the width of a small phone in CSS pixels.
const narrow = 390

// A4 is 595 points wide, and the stylesheet leaves 14 mm on each side.
const printed = 595.3 - 14*72/25.4

func main() {
	pages := flag.String("pages", "", "folder of the pages, as `bridge guide --pages` writes them")
	out := flag.String("out", "", "folder to write the pictures into")
	browser := flag.String("browser", "chromium", "the browser's command")
	flag.Parse()
	running.Main("pictures", func(ctx context.Context, _ []string, said io.Writer) error {
		return run(ctx, album{*pages, *out, *browser}, said)
	})
}

// album is what is shown, to where, by what.
type album struct{ pages, out, browser string }

func run(ctx context.Context, a album, said io.Writer) error {
	files, err := filepath.Glob(filepath.Join(a.pages, "*.html"))
	if err != nil || len(files) == 0 {
		return errors.Join(err, fmt.Errorf("no pages in %q", a.pages))
	}
	if err := os.MkdirAll(a.out, 0o755); err != nil {
		return err
	}
	var names []string
	for _, f := range files {
		names = append(names, filepath.Base(f))
	}
	base, closeServer, err := serve(a.pages, names)
	if err != nil {
		return err
	}
	defer closeServer()
	faults := a.measure(ctx, base, names, said)
	for _, n := range names {
		faults = errors.Join(faults, a.show(ctx, base, n))
	}
	if faults == nil {
		fmt.Fprintf(said, "%d pages: none scrolls sideways at %d pixels, none is cut on A4; pictures in %s\n", len(names), narrow, a.out)
	}
	return faults
}

//go:embed measure.html
var measuring string

// serve serves the pages on this machine, and one that measures them.
func serve(dir string, names []string) (base string, stop func(), err error) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return "", nil, err
	}
	page := template.Must(template.New("measure").Parse(measuring))
	mux := http.NewServeMux()
	mux.Handle("/", http.FileServer(http.Dir(dir)))
	mux.HandleFunc("/measure", func(w http.ResponseWriter, _ *http.Request) {
		_ = page.Execute(w, map[string]any{"Width": narrow, "Names": names})
	})
	srv := &http.Server{Handler: mux, ReadHeaderTimeout: 10 * time.Second}
	go func() { _ = srv.Serve(l) }()
	return "http://" + l.Addr().String() + "/", func() { _ = srv.Close() }, nil
}

func (a album) chromium(ctx context.Context, args ...string) ([]byte, error) {
	cmd := exec.CommandContext(ctx, a.browser, append([]string{"--headless", "--no-sandbox", "--disable-gpu", "--hide-scrollbars"}, args...)...)
	out, err := cmd.Output()
	if err != nil {
		return nil, fmt.Errorf("%s: %w", a.browser, err)
	}
	return out, nil
}

var measured = regexp.MustCompile(`([\w-]+\.html) (\d+)`)

// measure asks the browser how wide each page is.
func (a album) measure(ctx context.Context, base string, names []string, said io.Writer) error {
	dom, err := a.chromium(ctx, "--virtual-time-budget=120000", "--window-size=800,900", "--dump-dom", base+"measure")
	if err != nil {
		return err
	}
	var faults error
	widths := map[string]string{}
	for _, m := range measured.FindAllStringSubmatch(string(dom), -1) {
		widths[m[1]] = m[2]
	}
	for _, n := range names {
		if w, err := strconv.Atoi(widths[n]); err != nil || w > narrow {
			faults = errors.Join(faults, fmt.Errorf("%s is %q pixels wide on a screen of %d", n, widths[n], narrow))
		}
	}
	fmt.Fprintf(said, "%d pages measured\n", len(widths))
	return faults
}

// show takes the pictures of a page and prints it.
func (a album) show(ctx context.Context, base, name string) error {
	to := filepath.Join(a.out, strings.TrimSuffix(name, ".html"))
	for _, size := range []string{fmt.Sprintf("%d,3000", narrow), "1200,1600"} {
		width, _, _ := strings.Cut(size, ",")
		if _, err := a.chromium(ctx, "--window-size="+size, "--screenshot="+to+"-"+width+".png", base+name); err != nil {
			return err
		}
	}
	if _, err := a.chromium(ctx, "--no-pdf-header-footer", "--print-to-pdf="+to+".pdf", base+name); err != nil {
		return err
	}
	return cut(ctx, to+".pdf")
}

var word = regexp.MustCompile(`xMax="([0-9.]+)"[^>]*>([^<]*)<`)

// cut says which words of a printed page stand beyond its margin.
func cut(ctx context.Context, pdf string) error {
	out, err := exec.CommandContext(ctx, "pdftotext", "-bbox", pdf, "-").Output()
	if err != nil {
		return fmt.Errorf("pdftotext: %w", err)
	}
	words := 0
	for _, m := range word.FindAllStringSubmatch(string(out), -1) {
		words++
		if x, err := strconv.ParseFloat(m[1], 64); err != nil || x > printed+1 {
			return fmt.Errorf("%s: %q stands at %s of %.0f points", pdf, m[2], m[1], printed)
		}
	}
	if words == 0 {
		return fmt.Errorf("%s: nothing was printed", pdf)
	}
	return nil
}
