// Package cli is the suite as a command: of `go run ./conformance` and of the
// program alike.
package cli

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"os"
	"slices"
	"strings"
	"time"

	"nailbridge/conformance/suite"
)

// Command are the flags.
type Command struct {
	Target    string            `required:"" placeholder:"URL" help:"Address of a running bridge, above /records and /fhir."`
	HubKey    string            `name:"hub-key" type:"existingfile" placeholder:"FILE" help:"Key of a hub that sees the test clinic and not the other."`
	Clinic    string            `placeholder:"ID=FILE" help:"A clinic that the target declares a test clinic, and the file of its key."`
	Other     string            `placeholder:"ID=FILE" help:"A second test clinic, to try the walls between clinics."`
	NATS      string            `name:"nats" placeholder:"URL" help:"NATS server of its second door, to send records there too."`
	ClinicKey map[string]string `name:"clinic-key" placeholder:"CLINIC=FILE" help:"With --nats: file of the key of a clinic's practice system there, where it is another than over HTTP."`
	Yes       bool              `help:"Write invented records into these clinics, and take them back at the end."`
	Quick     bool              `help:"Try in small what a row names a large number of, such as ten thousand matches; the report says how many."`
	Format    string            `help:"Form of the report: ${enum}." enum:"text,json,junit,testreport,html" default:"text"`
	Limit     time.Duration     `name:"timeout" default:"1m" help:"How long one request may take."`
}

// ErrFailed says that something did not hold; the report says what.
var ErrFailed = errors.New("the target does not hold everything")

// Help is what --help says below the description.
func (Command) Help() string {
	return `Without --clinic and --yes nothing is written, and every row that needs records fails. The suite's records are of nobody;
it withdraws them and declines their sharing at the end. With --nats the rules of the receiving side are tried by both doors.
A run takes some minutes; with --quick less. Exit status: 0 every row in force passed or is observed elsewhere; 1 some row
failed; 2 asked wrongly, the target is no FHIR server, does not know a key or does not declare a clinic as a test, or the run was
ended.`
}

// Run runs the suite and writes its report; how far it is goes to progress.
func (c Command) Run(ctx context.Context, out, progress io.Writer, now time.Time) error {
	o, err := c.options(now)
	if err != nil {
		return err
	}
	if err := suite.Reach(ctx, o); err != nil {
		return err
	}
	o.Progress = teller(progress, time.Now)
	r := suite.Run(ctx, o)
	if err := r.Write(out, c.Format); err != nil {
		return err
	}
	if c.Format != "text" { // which ends with it
		fmt.Fprint(progress, r.Summary())
	}
	if r.Ended != "" {
		return errors.New(r.Ended)
	}
	if !r.OK() {
		return ErrFailed
	}
	return nil
}

// between is how far apart two words on how far a run is are, at least.
const between = 5 * time.Second

// teller tells how far a run is, now and then.
func teller(to io.Writer, clock func() time.Time) func(done, all int, what string) {
	var last time.Time
	return func(done, all int, what string) {
		if now := clock(); now.Sub(last) >= between {
			last = now
			fmt.Fprintf(to, "%d of %d: %s\n", done, all, what)
		}
	}
}

func (c Command) options(now time.Time) (suite.Options, error) {
	o := suite.Options{Target: c.Target, Quick: c.Quick, Now: now, Clock: time.Now, Client: &http.Client{Timeout: c.Limit}}
	err := address(c.Target)
	if err != nil {
		return o, err
	}
	if c.Limit <= 0 {
		return o, errors.New("--timeout is longer than nothing")
	}
	if c.HubKey != "" {
		if o.HubKey, err = key(c.HubKey); err != nil {
			return o, err
		}
	}
	for _, named := range []string{c.Clinic, c.Other} {
		if named == "" {
			continue
		}
		if !c.Yes {
			return o, errors.New("--yes is needed to write into a clinic; what is written is taken back at the end")
		}
		id, file, ok := strings.Cut(named, "=")
		if !ok || id == "" {
			return o, errors.New("a clinic is named as ID=FILE, with the file of its key")
		}
		if len(o.Clinics) > 0 && o.Clinics[0].ID == id {
			return o, errors.New("--other is another clinic than --clinic")
		}
		k, err := key(file)
		if err != nil {
			return o, fmt.Errorf("the key of clinic %s: %w", id, err)
		}
		o.Clinics = append(o.Clinics, suite.Clinic{ID: id, Key: k})
	}
	if c.Other != "" && c.Clinic == "" {
		return o, errors.New("--other needs --clinic")
	}
	return o, c.second(&o)
}

// second sets what is asked of the second door.
func (c Command) second(o *suite.Options) error {
	o.NATS, o.Patience = c.NATS, c.Limit
	switch {
	case c.NATS == "" && len(c.ClinicKey) > 0:
		return errors.New("--clinic-key goes with --nats")
	case c.NATS == "":
		return nil
	case !strings.Contains(c.NATS, "://"):
		return errors.New("--nats is a URL, such as nats://127.0.0.1:4270 or tls://nats.example:4222")
	case c.Clinic == "":
		return errors.New("--nats needs --clinic: records are sent there, and nothing else is tried")
	}
	for id, file := range c.ClinicKey {
		i := slices.IndexFunc(o.Clinics, func(c suite.Clinic) bool { return c.ID == id })
		if i < 0 {
			return fmt.Errorf("--clinic-key: %q is neither the clinic of --clinic nor that of --other", id)
		}
		k, err := key(file)
		if err != nil {
			return fmt.Errorf("the key of clinic %s: %w", id, err)
		}
		o.Clinics[i].NATSKey = k
	}
	return nil
}

// address holds the target to what the report may show: it names the target, so that
// there is no place in it for a secret.
func address(target string) error {
	u, err := url.Parse(target)
	switch {
	case err != nil || u.Scheme != "http" && u.Scheme != "https" || u.Host == "":
		return errors.New("--target is an http or https URL, with a host")
	case strings.HasSuffix(strings.TrimSuffix(u.Path, "/"), "/fhir"):
		return errors.New("--target is the address above /fhir and /records")
	case u.User != nil || u.RawQuery != "" || u.Fragment != "":
		return errors.New("--target has no user, password or query: the report shows it, and keys stand in files")
	}
	return nil
}

// key is what a file holds, without the end of its line.
func key(file string) (string, error) {
	b, err := os.ReadFile(file)
	if err != nil {
		return "", err
	}
	return strings.TrimSpace(string(b)), nil
}
