// Package cli is the suite as a command: of `go run ./conformance` and of the
// program alike.
package cli

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"os"
	"strings"
	"time"

	"nailbridge/conformance/suite"
)

// Command are the flags.
type Command struct {
	Target string        `required:"" placeholder:"URL" help:"Address of a running bridge, above /records and /fhir."`
	HubKey string        `name:"hub-key" type:"existingfile" placeholder:"FILE" help:"Key of a hub that sees the test clinic and not the other."`
	Clinic string        `placeholder:"ID=FILE" help:"A clinic that the target declares a test clinic, and the file of its key."`
	Other  string        `placeholder:"ID=FILE" help:"A second test clinic, to try the walls between clinics."`
	Yes    bool          `help:"Write invented records into these clinics, and take them back at the end."`
	Format string        `help:"Form of the report: ${enum}." enum:"text,json,junit,testreport" default:"text"`
	Limit  time.Duration `name:"timeout" default:"1m" help:"How long one request may take."`
}

// ErrFailed says that something did not hold; the report says what.
var ErrFailed = errors.New("the target does not hold everything")

// Help is what --help says below the description.
func (Command) Help() string {
	return `Without --clinic and --yes nothing is written, and every row that needs records fails. The suite's records are of nobody;
it withdraws them and declines their sharing at the end. Exit status: 0 every row in force passed or is observed elsewhere; 1 some
row failed; 2 asked wrongly, or nothing answers.`
}

// Run runs the suite and writes its report; how far it is goes to progress.
func (c Command) Run(ctx context.Context, out, progress io.Writer, now time.Time) error {
	o, err := c.options(now)
	if err != nil {
		return err
	}
	if err := reached(ctx, o); err != nil {
		return err
	}
	o.Progress = func(done, all int, id string) {
		if done%25 == 0 {
			fmt.Fprintf(progress, "%d of %d: %s\n", done, all, id)
		}
	}
	r := suite.Run(ctx, o)
	if err := r.Write(out, c.Format); err != nil {
		return err
	}
	if !r.OK() {
		return ErrFailed
	}
	return nil
}

func (c Command) options(now time.Time) (suite.Options, error) {
	o := suite.Options{Target: c.Target, Now: now, Client: &http.Client{Timeout: c.Limit}}
	err := address(c.Target)
	if err != nil {
		return o, err
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
			return o, errors.New("--yes is needed to write into a clinic")
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
			return o, err
		}
		o.Clinics = append(o.Clinics, suite.Clinic{ID: id, Key: k})
	}
	if c.Other != "" && c.Clinic == "" {
		return o, errors.New("--other needs --clinic")
	}
	return o, nil
}

// address holds the target to what the report may show: it names the target, so that
// there is no place in it for a secret.
func address(target string) error {
	u, err := url.Parse(target)
	switch {
	case err != nil || u.Scheme != "http" && u.Scheme != "https" || u.Host == "":
		return errors.New("--target is an http or https URL")
	case u.User != nil || u.RawQuery != "" || u.Fragment != "":
		return errors.New("--target has no user, password or query: the report shows it, and keys stand in files")
	}
	return nil
}

// reached tells beforehand of an address at which nothing answers, or which is that of
// /fhir itself: a report of every requirement as failed would say less.
func reached(ctx context.Context, o suite.Options) error {
	base := strings.TrimSuffix(o.Target, "/")
	x, err := stated(ctx, o.Client, base+"/fhir/metadata")
	if err != nil {
		return fmt.Errorf("--target: %w", err)
	}
	if x {
		return nil
	}
	if below, err := stated(ctx, o.Client, base+"/metadata"); err == nil && below {
		return errors.New("--target is the address above /records and /fhir, not that of /fhir")
	}
	return nil
}

// stated reports a CapabilityStatement at an address; an error says that nothing answered.
func stated(ctx context.Context, client *http.Client, address string) (bool, error) {
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, address, nil)
	if err != nil {
		return false, err
	}
	res, err := client.Do(req)
	if err != nil {
		return false, err
	}
	defer func() { _ = res.Body.Close() }()
	var body struct{ ResourceType string }
	err = json.NewDecoder(io.LimitReader(res.Body, 32<<20)).Decode(&body)
	return err == nil && res.StatusCode == http.StatusOK && body.ResourceType == "CapabilityStatement", nil
}

// key is what a file holds, without the end of its line.
func key(file string) (string, error) {
	b, err := os.ReadFile(file)
	if err != nil {
		return "", err
	}
	return strings.TrimSpace(string(b)), nil
}
