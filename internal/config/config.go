// Package config reads the settings of a deployment: one JSON file that names
// the clinics of the doors, of each its zone, what may be shared and which
// limits are in force, and for all of them where hubs find them and which code
// sets may leave.
package config

import (
	"cmp"
	"errors"
	"fmt"
	"nailbridge/mapping/followup"
	"net/url"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"time"

	"github.com/google/uuid"

	"nailbridge/mapping/record"
	"nailbridge/mapping/terms"
)

// File is what a settings file says, in either form: members of one clinic at
// the top, or a list clinics of objects with these members. Nothing of one
// clinic counts for another. Every member but clinic, zone and publicBaseUrl
// may be absent.
type File struct {
	Clinics []Clinic
	// PublicBaseURL is the absolute URL of /fhir as hubs see it, without a
	// slash at the end: it stands in fullUrl and links.
	PublicBaseURL string
	// SearchZone is the IANA name of the zone of dates without offset in
	// searches, of a query and of what it is compared with; "": that of the
	// clinics, which must be the same for all then.
	SearchZone string
	// SnomedCT is free-set (the default), licensed or off (D7.1).
	SnomedCT string
	// HCPCS adds the HCPCS toe modifiers (D5.2).
	HCPCS bool
	// ConfirmedCodes is the path, relative to the settings file, of the file of
	// SNOMED CT codes that the deployment confirmed (D7.2); "": none.
	ConfirmedCodes string
}

// Document is a settings file as written: in one of two forms.
type Document struct {
	PublicBaseURL string `json:"publicBaseUrl"`
	SearchZone    string `json:"searchZone,omitempty"`
	SnomedCT      string `json:"snomedCt,omitempty"`
	HCPCS         bool   `json:"hcpcs,omitempty"`

	ConfirmedCodes string `json:"confirmedCodes,omitempty"`

	Clinics []Clinic `json:"clinics,omitempty"`

	// Those of Clinic, in the form for one.
	Identity        Identity `json:"clinic"`
	Zone            string   `json:"zone"`
	ShareUnstated   string   `json:"shareUnstated,omitempty"`
	Formulary       string   `json:"formulary,omitempty"`
	DefaultProtocol string   `json:"defaultProtocol,omitempty"`
	Weekend         string   `json:"weekend,omitempty"`
	Test            bool     `json:"test,omitempty"`

	Holidays         string          `json:"holidays,omitempty"`
	ClosedOn         []followup.Date `json:"closedOn,omitempty"`
	TourniquetAtRisk *LocalLimit     `json:"tourniquetAtRisk,omitempty"`
	HideFigures      bool            `json:"hideFigures,omitempty"`
	WeightConvention string          `json:"weightConvention,omitempty"`
	Protocols        []string        `json:"protocols,omitempty"`
}

// one is the clinic of the form for one.
func (d Document) one() Clinic {
	return Clinic{
		Identity: d.Identity, Zone: d.Zone, ShareUnstated: d.ShareUnstated, Formulary: d.Formulary,
		DefaultProtocol: d.DefaultProtocol, Weekend: d.Weekend, Test: d.Test,
		Holidays: d.Holidays, ClosedOn: d.ClosedOn, TourniquetAtRisk: d.TourniquetAtRisk, HideFigures: d.HideFigures, WeightConvention: d.WeightConvention,
		Protocols: d.Protocols,
	}
}

// file is what a document says in either form.
func (d Document) file() (File, error) {
	f := File{Clinics: d.Clinics, PublicBaseURL: d.PublicBaseURL, SearchZone: d.SearchZone, SnomedCT: d.SnomedCT, HCPCS: d.HCPCS, ConfirmedCodes: d.ConfirmedCodes}
	switch one := d.one(); {
	case len(d.Clinics) == 0:
		f.Clinics = []Clinic{one}
	case !reflect.DeepEqual(one, Clinic{}):
		return f, errors.New("settings: /clinics: what is said of one clinic stands beside the list; each clinic of the list says its own")
	}
	return f, nil
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
	var d Document
	var errs []error
	for _, err := range record.DecodeStrict(b, &d) {
		errs = append(errs, fmt.Errorf("settings: %w", err))
	}
	if len(errs) > 0 && reflect.ValueOf(d).IsZero() {
		return File{}, errors.Join(errs...) // nothing could be read that could be checked
	}
	f, err := d.file()
	return f, errors.Join(append(errs, err, f.check())...)
}

// resolve takes the paths of files as relative to the settings file.
func (f File) resolve(dir string) File {
	from := func(path *string) {
		if *path != "" && !filepath.IsAbs(*path) {
			*path = filepath.Join(dir, *path)
		}
	}
	from(&f.ConfirmedCodes)
	for i := range f.Clinics {
		if c := &f.Clinics[i]; isPath(c.Formulary) {
			from(&c.Formulary)
		}
		for j := range f.Clinics[i].Protocols {
			from(&f.Clinics[i].Protocols[j])
		}
	}
	return f
}

func (f File) check() error {
	errs := []error{f.checkEach(), f.checkTogether()}
	fault := func(format string, args ...any) { errs = append(errs, fmt.Errorf("settings: "+format, args...)) }
	if !servable(f.PublicBaseURL) {
		fault("publicBaseUrl is not an absolute http or https URL without query and without a slash at the end")
	}
	if _, err := terms.ParseLicence(f.SnomedCT); err != nil {
		fault("snomedCt: %w", err)
	}
	if licence, err := terms.ParseLicence(f.SnomedCT); err == nil && f.ConfirmedCodes != "" && licence != terms.Licensed {
		fault("confirmedCodes: codes of a licensed release leave only where snomedCt is licensed (D7.1)")
	}
	if f.SearchZone != "" {
		if _, err := location(f.SearchZone); err != nil {
			fault("searchZone: %w", err)
		}
	}
	return errors.Join(errs...)
}

// checkEach checks each clinic by itself.
func (f File) checkEach() error {
	var errs []error
	for i, c := range f.Clinics {
		place := ""
		if len(f.Clinics) > 1 {
			place = f.place(i) + ": "
		}
		for _, err := range c.check() {
			errs = append(errs, fmt.Errorf("settings: %s%w", place, err))
		}
	}
	return errors.Join(errs...)
}

// place is where a clinic of a list stands.
func (f File) place(i int) string { return fmt.Sprintf("/clinics/%d", i) }

// checkTogether checks that no two clinics are taken for one.
func (f File) checkTogether() error {
	var errs []error
	same := func(i int, member string, j int) {
		errs = append(errs, fmt.Errorf("settings: %s/clinic/%s: %s/clinic/%s is the same, or differs by case alone", f.place(i), member, f.place(j), member))
	}
	for i, c := range f.Clinics {
		for j, d := range f.Clinics[:i] {
			if c.Identity.ID != "" && strings.EqualFold(c.Identity.ID, d.Identity.ID) {
				same(i, "id", j)
			}
			if c.Identity.IdentifierBase != "" && strings.EqualFold(c.Identity.IdentifierBase, d.Identity.IdentifierBase) {
				same(i, "identifierBase", j)
			}
		}
		if f.SearchZone == "" && c.Zone != f.Clinics[0].Zone {
			errs = append(errs, fmt.Errorf("settings: searchZone is missing: %s has another zone than %s", f.place(i), f.place(0)))
		}
	}
	return errors.Join(errs...)
}

// Location is the zone of dates without offset in searches.
func (f File) Location() (*time.Location, error) {
	return location(cmp.Or(f.SearchZone, f.Clinics[0].Zone))
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
