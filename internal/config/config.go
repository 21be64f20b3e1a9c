// Package config reads the settings of a deployment: one JSON file that names
// the clinic of the door, its zone, what may be shared, and which code and
// formulary sets are in force.
package config

import (
	"cmp"
	"errors"
	"fmt"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/google/uuid"

	"nailbridge/mapping"
	"nailbridge/mapping/followup"
	"nailbridge/mapping/record"
	"nailbridge/mapping/safety"
	"nailbridge/mapping/terms"
)

// File is the settings file. Every member but clinic, zone and publicBaseUrl
// may be absent.
type File struct {
	// Clinic is the clinic whose records this door takes.
	Clinic Clinic `json:"clinic"`
	// Zone is the IANA name of the zone of times recorded without offset.
	Zone string `json:"zone"`
	// PublicBaseURL is the absolute URL of /fhir as hubs see it, without a
	// slash at the end: it stands in fullUrl and links.
	PublicBaseURL string `json:"publicBaseUrl"`
	// ShareUnstated, when present, shares patients who never stated anything,
	// on the lawful basis that its text names (D3.1).
	ShareUnstated string `json:"shareUnstated,omitempty"`
	// Formulary is the name of a set of the product, or the path of a file of
	// the clinic's own, relative to the settings file; absent: no ceiling is
	// chosen.
	Formulary string `json:"formulary,omitempty"`
	// SnomedCT is free-set (the default), licensed or off (D7.1).
	SnomedCT string `json:"snomedCt,omitempty"`
	// HCPCS adds the HCPCS toe modifiers (D5.2).
	HCPCS bool `json:"hcpcs,omitempty"`
	// DefaultProtocol applies where a record names no protocol (D4.1).
	DefaultProtocol string `json:"defaultProtocol,omitempty"`
	// Weekend is what a protocol date on a weekend becomes: absent leaves it, else
	// next (the Monday after), previous (the Friday before) or nearest (C-50).
	Weekend string `json:"weekend,omitempty"`
}

// Clinic names a clinic.
type Clinic struct {
	ID   string `json:"id"`   // as in record headers
	Name string `json:"name"` // Organization.name
	// IdentifierBase is the absolute URI under which the clinic numbers its
	// own things.
	IdentifierBase string `json:"identifierBase"`
}

// DemoNamespace is the namespace of ids of the demo, the goldens and
// --demo-ids only: ids made in it can be guessed (D1.7).
var DemoNamespace = uuid.MustParse("c0ffee00-0000-4000-8000-000000000001")

// Read reads and checks a settings file; the error names every fault.
func Read(path string) (File, error) {
	b, err := os.ReadFile(path)
	if err != nil {
		return File{}, err
	}
	f, err := Parse(b)
	if err != nil {
		return f, fmt.Errorf("%s: %w", path, err)
	}
	return f.resolve(filepath.Dir(path)), nil
}

// Parse reads and checks settings; the error names every fault. They are read
// as strictly as a record: encoding/json would take "ShareUnstated" for
// shareUnstated, and let the last of two formularies win.
func Parse(b []byte) (File, error) {
	var f File
	var errs []error
	for _, x := range record.DecodeStrict(b, &f) {
		text := x.Text
		if x.Code == "null-value" || x.Code == "empty-value" {
			text = "it is empty; leave it out"
		}
		errs = append(errs, fmt.Errorf("settings: %s: %s", cmp.Or(x.Pointer, "/"), text))
	}
	if len(errs) > 0 && f == (File{}) {
		return f, errors.Join(errs...) // nothing could be read that could be checked
	}
	return f, errors.Join(append(errs, f.check())...)
}

// resolve takes the path of a formulary file as relative to the settings file.
func (f File) resolve(dir string) File {
	if isPath(f.Formulary) && !filepath.IsAbs(f.Formulary) {
		f.Formulary = filepath.Join(dir, f.Formulary)
	}
	return f
}

func (f File) check() error {
	var errs []error
	fault := func(format string, args ...any) { errs = append(errs, fmt.Errorf("settings: "+format, args...)) }
	if f.Clinic.ID == "" {
		fault("clinic.id is missing")
	}
	if f.Clinic.Name == "" {
		fault("clinic.name is missing")
	}
	if !absolute(f.Clinic.IdentifierBase) {
		fault("clinic.identifierBase is not an absolute URI")
	}
	if !servable(f.PublicBaseURL) {
		fault("publicBaseUrl is not an absolute http or https URL without query and without a slash at the end")
	}
	if f.ShareUnstated != "" && strings.TrimSpace(f.ShareUnstated) == "" {
		fault("shareUnstated names no lawful basis")
	}
	if _, err := f.location(); err != nil {
		fault("zone: %w", err)
	}
	if _, err := terms.ParseLicence(f.SnomedCT); err != nil {
		fault("snomedCt: %w", err)
	}
	if p := record.Code(f.DefaultProtocol); p != "" && followup.Lookup(p) == nil {
		fault("defaultProtocol: no such protocol")
	}
	if !followup.Weekend(f.Weekend).Valid() {
		fault("weekend: not one of next, previous, nearest")
	}
	return errors.Join(errs...)
}

// absolute reports an absolute URI, such as an https one or a urn.
func absolute(s string) bool {
	u, err := url.Parse(s)
	return err == nil && u.IsAbs() && (u.Host != "" || u.Opaque != "")
}

// servable reports a URL that fullUrl and links can be made of.
func servable(s string) bool {
	u, err := url.Parse(s)
	return err == nil && (u.Scheme == "http" || u.Scheme == "https") && u.Hostname() != "" && u.User == nil &&
		!strings.ContainsAny(s, "?#") && !strings.HasSuffix(s, "/")
}

// isPath tells a file from the name of a set of the product.
func isPath(formulary string) bool { return strings.ContainsAny(formulary, `/\.`) }

func (f File) location() (*time.Location, error) {
	if f.Zone == "" || f.Zone == "Local" {
		return nil, errors.New("an IANA zone name is needed")
	}
	return time.LoadLocation(f.Zone)
}

// Settings are the settings of the fold in a namespace of ids.
func (f File) Settings(namespace uuid.UUID) (mapping.Settings, error) {
	zone, err := f.location()
	if err != nil {
		return mapping.Settings{}, err
	}
	t, err := terms.Load()
	if err != nil {
		return mapping.Settings{}, err
	}
	licence, err := terms.ParseLicence(f.SnomedCT)
	if err != nil {
		return mapping.Settings{}, err
	}
	formulary, err := loadFormulary(f.Formulary)
	if err != nil {
		return mapping.Settings{}, err
	}
	return mapping.Settings{
		Namespace: namespace, Terms: t, Codes: terms.Setting{SnomedCT: licence, HCPCS: f.HCPCS},
		Clinic: mapping.ClinicSettings{
			ID: f.Clinic.ID, Name: f.Clinic.Name, Zone: zone, IdentifierBase: f.Clinic.IdentifierBase,
			Formulary: formulary, DefaultProtocol: record.Code(f.DefaultProtocol), ShareUnstated: f.ShareUnstated, Weekend: followup.Weekend(f.Weekend),
		},
	}, nil
}

// loadFormulary takes a set of the product by name, or a file of the clinic's.
func loadFormulary(name string) (*safety.Formulary, error) {
	if name == "" {
		return nil, nil
	}
	if !isPath(name) {
		return safety.Load(name)
	}
	b, err := os.ReadFile(name)
	if err != nil {
		return nil, fmt.Errorf("settings: formulary: %w", err)
	}
	f, err := safety.Parse(b)
	if err != nil {
		return nil, fmt.Errorf("settings: formulary: %w", err)
	}
	return f, nil
}
