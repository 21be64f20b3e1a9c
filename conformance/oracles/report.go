package oracles

import (
	"bufio"
	"bytes"
	"cmp"
	"fmt"
	"io"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"
)

// Levels of a [Finding], as the validator names them.
const (
	Fatal       = "fatal" // the validator itself failed on the input
	Error       = "error"
	Warning     = "warning"
	Information = "information" // shown only with [Options.Verbose]
)

// CodingID is the message id of what the program itself finds about codings, beside the validator.
const CodingID = "ORACLE_CODING"

// A Finding is one thing the validator says about one input.
type Finding struct {
	Level    string
	Input    string // the input's path, with ":LINE" behind it for a line of NDJSON
	Resource string // the input's type and id: "Procedure/7"; for a Bundle the Bundle's own
	Place    string // where in the input, in the validator's notation: "Procedure.code.coding[0]"
	ID       string // the message id, or for an invariant its canonical and key: ".../Observation#obs-6"
	Text     string
	Filtered bool // named by the filter file, so not counted as error or warning
}

// String is the finding on one line.
func (f Finding) String() string {
	return fmt.Sprintf("%s: %s %s %s: %s (%s)", f.Input, f.Level, f.Resource, f.Place, f.Text, f.ID)
}

// entryResource is where an entry's resource begins in a place, by the Java validator with its type and id.
var entryResource = regexp.MustCompile(`^Bundle\.entry\[\d+\]\.resource(?:/\*(\w+)/[^*]*\*/)?`)

// index is a place in a list.
var index = regexp.MustCompile(`\[\d+\]`)

// Element is the place as a path in the resource, whether that is in a Bundle or not, without places in lists:
// "Procedure.code.coding".
func (f Finding) Element() string {
	place := f.Place
	if m := entryResource.FindStringSubmatch(place); m != nil {
		typ, _, _ := strings.Cut(f.Resource, "/")
		place = cmp.Or(m[1], typ) + place[len(m[0]):]
	}
	return index.ReplaceAllString(place, "")
}

// A Report is what one run of the validator found.
type Report struct {
	Findings []Finding
	Unused   []string // entries of the filter file that met no alarm: message id, where and location

	Inputs    int            // documents read: files, and lines of NDJSON
	Resources int            // resources in them, those in the entries of Bundles included
	Types     map[string]int // the same resources by type

	Errors, Warnings, Filtered int

	Rounds    []time.Duration // what one input took the validator on one thread, in each round of [Options.Times]
	Asked     int             // questions that a reference in JavaScript put to its library
	Snapshots [][]byte        // with [Options.Snapshots]
}

// Round is the median of the rounds: what one input took the validator.
func (r Report) Round() time.Duration { return slices.Sorted(slices.Values(r.Rounds))[len(r.Rounds)/2] }

// Err is nil when the validator has nothing to complain of: no error, no warning, no unused filter. Otherwise its text
// names the counts and every complaint, which may quote values from the inputs.
func (r Report) Err() error {
	if r.Errors == 0 && r.Warnings == 0 && len(r.Unused) == 0 {
		return nil
	}
	var b strings.Builder
	fmt.Fprintf(&b, "%d errors and %d warnings in %d resources", r.Errors, r.Warnings, r.Resources)
	for _, f := range r.Findings {
		if !f.Filtered && f.Level != Information {
			fmt.Fprintf(&b, "\n  %s", f)
		}
	}
	for _, u := range r.Unused {
		fmt.Fprintf(&b, "\n  filter entry without an alarm: %s", u)
	}
	return fmt.Errorf("%s", b.String())
}

// parseReport reads the program's output. A line it does not know, a missing total, or a total that contradicts the
// lines above it is an error: such a run proves nothing.
func parseReport(out []byte) (Report, error) {
	var r Report
	closed := false
	lines := bufio.NewReader(bytes.NewReader(out))
	for {
		line, err := lines.ReadString('\n')
		if err == io.EOF && line == "" {
			break
		}
		kind, rest, _ := strings.Cut(strings.TrimRight(line, "\r\n"), "\t")
		if closed {
			return Report{}, fmt.Errorf("output goes on after the total: %q", line)
		}
		switch kind {
		case "finding", "filtered":
			f, err := parseFinding(rest)
			if err != nil {
				return Report{}, err
			}
			f.Filtered = kind == "filtered"
			r.Findings = append(r.Findings, f)
		case "unused":
			r.Unused = append(r.Unused, rest)
		case "timed":
			if err := r.parseTimed(rest); err != nil {
				return Report{}, err
			}
		case "asked":
			if r.Asked, err = strconv.Atoi(rest); err != nil {
				return Report{}, fmt.Errorf("questions: %w", err)
			}
		case "total":
			if err := r.parseTotal(rest); err != nil {
				return Report{}, err
			}
			closed = true
		default:
			return Report{}, fmt.Errorf("unknown line of output: %q", line)
		}
	}
	if !closed {
		return Report{}, fmt.Errorf("output has no total")
	}
	return r, r.addsUp()
}

func (r *Report) parseTimed(columns string) error {
	var inputs, nanoseconds int64
	if n, _ := fmt.Sscanf(columns, "%d\t%d", &inputs, &nanoseconds); n != 2 || inputs <= 0 || nanoseconds <= 0 {
		return fmt.Errorf("times that say nothing: %q", columns)
	}
	r.Rounds = append(r.Rounds, time.Duration(nanoseconds/inputs))
	return nil
}

func parseFinding(columns string) (Finding, error) {
	c := strings.Split(columns, "\t")
	if len(c) != 6 {
		return Finding{}, fmt.Errorf("a finding has 6 columns, not %d: %q", len(c), columns)
	}
	return Finding{Level: c[0], Input: c[1], Resource: c[2], Place: c[3], ID: c[4], Text: c[5]}, nil
}

func (r *Report) parseTotal(columns string) error {
	unused := 0
	counts := map[string]*int{
		"inputs": &r.Inputs, "resources": &r.Resources, "errors": &r.Errors,
		"warnings": &r.Warnings, "filtered": &r.Filtered, "unused": &unused,
	}
	r.Types = map[string]int{}
	for _, column := range strings.Split(columns, "\t") {
		name, value, _ := strings.Cut(column, "=")
		if name == "types" {
			if err := parseTypes(value, r.Types); err != nil {
				return err
			}
			continue
		}
		into, ok := counts[name]
		if !ok {
			return fmt.Errorf("unknown count in the total: %q", column)
		}
		n, err := strconv.Atoi(value)
		if err != nil {
			return fmt.Errorf("count in the total: %w", err)
		}
		*into = n
		delete(counts, name)
	}
	if len(counts) > 0 {
		return fmt.Errorf("counts missing in the total: %q", columns)
	}
	if unused != len(r.Unused) {
		return fmt.Errorf("total says %d unused filters, %d are listed", unused, len(r.Unused))
	}
	return nil
}

// parseTypes reads "Patient:1,Procedure:2".
func parseTypes(list string, into map[string]int) error {
	if list == "" {
		return nil
	}
	for _, item := range strings.Split(list, ",") {
		name, count, _ := strings.Cut(item, ":")
		n, err := strconv.Atoi(count)
		if err != nil {
			return fmt.Errorf("count of type %s: %w", name, err)
		}
		into[name] = n
	}
	return nil
}

// addsUp compares the total with the findings and the types.
func (r Report) addsUp() error {
	var errors, warnings, filtered, resources int
	for _, f := range r.Findings {
		switch {
		case f.Filtered:
			filtered++
		case f.Level == Fatal || f.Level == Error:
			errors++
		case f.Level == Warning:
			warnings++
		}
	}
	for _, n := range r.Types {
		resources += n
	}
	if errors != r.Errors || warnings != r.Warnings || filtered != r.Filtered || resources != r.Resources {
		return fmt.Errorf("total says %d errors, %d warnings, %d filtered, %d resources; the lines say %d, %d, %d, %d",
			r.Errors, r.Warnings, r.Filtered, r.Resources, errors, warnings, filtered, resources)
	}
	return nil
}
