package config

import (
	"errors"
	"fmt"
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

// Clinic is what settings say of one clinic.
type Clinic struct {
	// Identity is the clinic whose records its door takes.
	Identity Identity `json:"clinic"`
	// Zone is the IANA name of the zone of times recorded without offset.
	Zone string `json:"zone"`
	// ShareUnstated, when present, shares patients who never stated anything,
	// on the lawful basis that its text names (D3.1).
	ShareUnstated string `json:"shareUnstated,omitempty"`
	// Formulary is the name of a set of the product, or the path of a file of
	// the clinic's own, relative to the settings file; absent: no ceiling is
	// chosen.
	Formulary string `json:"formulary,omitempty"`
	// WeightConvention says which body weight limits in mg/kg are multiplied by:
	// absent as recorded, else ideal-in-obesity or cap-70-kg (C-7).
	WeightConvention string `json:"weightConvention,omitempty"`
	// DefaultProtocol applies where a record names no protocol (D4.1).
	DefaultProtocol string `json:"defaultProtocol,omitempty"`
	// Protocols are paths, relative to the settings file, of follow-up protocols
	// of the clinic's own, each a PlanDefinition that stands for the program's of
	// its id.
	Protocols []string `json:"protocols,omitempty"`
	// Weekend is what a protocol date on a weekend becomes: absent leaves it, else
	// next (the Monday after), previous (the Friday before) or nearest (C-50).
	Weekend string `json:"weekend,omitempty"`
	// Holidays is the ISO 3166-1 code of the country whose public holidays are days
	// off as weekends are; ClosedOn are further such days, YYYY-MM-DD.
	Holidays string          `json:"holidays,omitempty"`
	ClosedOn []followup.Date `json:"closedOn,omitempty"`
	// TourniquetAtRisk is the clinic's own tourniquet limit for toes at risk.
	TourniquetAtRisk *LocalLimit `json:"tourniquetAtRisk,omitempty"`
	// HideFigures keeps computed figures out of answers and resources.
	HideFigures bool `json:"hideFigures,omitempty"`
	// Test says that its records are made to try things: only keys that name
	// the clinic see it.
	Test bool `json:"test,omitempty"`
}

// LocalLimit is a limit of the clinic's own and where it comes from.
type LocalLimit struct {
	Minutes int64  `json:"minutes"`
	Source  string `json:"source"`
}

// Identity names a clinic.
type Identity struct {
	ID   string `json:"id"`   // as in record headers
	Name string `json:"name"` // Organization.name
	// IdentifierBase is the absolute URI under which the clinic numbers its
	// own things.
	IdentifierBase string `json:"identifierBase"`
}

// check gives every fault of a clinic.
func (c Clinic) check() []error {
	var errs []error
	fault := func(format string, args ...any) { errs = append(errs, fmt.Errorf(format, args...)) }
	if c.Identity.ID == "" {
		fault("clinic.id is missing")
	}
	if c.Identity.Name == "" {
		fault("clinic.name is missing")
	}
	if !absolute(c.Identity.IdentifierBase) {
		fault("clinic.identifierBase is not an absolute URI")
	}
	if c.ShareUnstated != "" && strings.TrimSpace(c.ShareUnstated) == "" {
		fault("shareUnstated names no lawful basis")
	}
	if _, err := location(c.Zone); err != nil {
		fault("zone: %w", err)
	}
	if p := record.Code(c.DefaultProtocol); p != "" && followup.Lookup(p) == nil {
		fault("defaultProtocol: no such protocol")
	}
	if !followup.Weekend(c.Weekend).Valid() {
		fault("weekend: not one of next, previous, nearest")
	}
	if !safety.WeightConvention(c.WeightConvention).Valid() {
		fault("weightConvention: not one of %s", strings.Join(conventions(), ", "))
	}
	if off := c.daysOff(); !(followup.DaysOff{Country: off.Country}).Valid() {
		fault("holidays: not one of %s", strings.Join(followup.Countries(), ", "))
	} else if off.Weekend == followup.WeekendKeep && (off.Country != "" || len(off.Closed) > 0) {
		fault("holidays: weekend does not say what a date on a day off becomes")
	}
	if l := c.TourniquetAtRisk; l != nil && (l.Minutes < 1 || strings.TrimSpace(l.Source) == "") {
		fault("tourniquetAtRisk: minutes and their source are needed")
	}
	return errs
}

func (c Clinic) daysOff() followup.DaysOff {
	return followup.DaysOff{Weekend: followup.Weekend(c.Weekend), Country: c.Holidays, Closed: c.ClosedOn}
}

// conventions are the names of the conventions of weight.
func conventions() []string {
	var out []string
	for _, w := range safety.WeightConventions() {
		out = append(out, string(w))
	}
	return out
}

// tourniquet is the clinic's own limit; nil for none.
func (c Clinic) tourniquet() *safety.LocalLimit {
	if c.TourniquetAtRisk == nil {
		return nil
	}
	return &safety.LocalLimit{Minutes: c.TourniquetAtRisk.Minutes, Source: c.TourniquetAtRisk.Source}
}

func location(zone string) (*time.Location, error) {
	if zone == "" || zone == "Local" {
		return nil, errors.New("an IANA zone name is needed")
	}
	return time.LoadLocation(zone)
}

// Settings are the settings of the fold of each clinic, in a namespace of ids.
func (f File) Settings(namespace uuid.UUID) ([]mapping.Settings, error) {
	t, err := f.terms()
	if err != nil {
		return nil, err
	}
	licence, err := terms.ParseLicence(f.SnomedCT)
	if err != nil {
		return nil, err
	}
	var out []mapping.Settings
	for _, c := range f.Clinics {
		own, err := c.settings()
		if err != nil {
			return nil, fmt.Errorf("settings: clinic %q: %w", c.Identity.ID, err)
		}
		protocols, err := c.protocols()
		if err != nil {
			return nil, fmt.Errorf("settings: clinic %q: protocols: %w", c.Identity.ID, err)
		}
		out = append(out, mapping.Settings{
			Namespace: namespace, Terms: t, Codes: terms.Setting{SnomedCT: licence, HCPCS: f.HCPCS}, Clinic: own, Protocols: protocols,
		})
	}
	return out, nil
}

// terms are the code maps, with what the deployment confirmed (D7.2).
func (f File) terms() (*terms.Terms, error) {
	t, err := terms.Load()
	if err != nil || f.ConfirmedCodes == "" {
		return t, err
	}
	b, err := os.ReadFile(f.ConfirmedCodes)
	if err != nil {
		return nil, fmt.Errorf("settings: confirmedCodes: %w", err)
	}
	if t, err = t.Confirm(f.ConfirmedCodes, b); err != nil {
		return nil, fmt.Errorf("settings: confirmedCodes: %w", err)
	}
	return t, nil
}

func (c Clinic) settings() (mapping.ClinicSettings, error) {
	zone, err := location(c.Zone)
	if err != nil {
		return mapping.ClinicSettings{}, err
	}
	formulary, err := loadFormulary(c.Formulary)
	if err != nil {
		return mapping.ClinicSettings{}, fmt.Errorf("formulary: %w", err)
	}
	return mapping.ClinicSettings{
		ID: c.Identity.ID, Name: c.Identity.Name, Zone: zone, IdentifierBase: c.Identity.IdentifierBase,
		Formulary: formulary, DefaultProtocol: record.Code(c.DefaultProtocol), ShareUnstated: c.ShareUnstated, DaysOff: c.daysOff(),
		WeightConvention: safety.WeightConvention(c.WeightConvention), RiskTourniquet: c.tourniquet(), HideFigures: c.HideFigures,
	}, nil
}

// protocols are those of the clinic's own among those of the program; nil where
// it has none.
func (c Clinic) protocols() ([]*followup.Protocol, error) {
	var own []*followup.Protocol
	for _, path := range c.Protocols {
		b, err := os.ReadFile(path)
		if err != nil {
			return nil, err
		}
		p, err := followup.Own(b)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", filepath.Base(path), err)
		}
		own = append(own, p)
	}
	return followup.Stand(own)
}

// isPath tells a file from the name of a set of the product.
func isPath(formulary string) bool { return strings.ContainsAny(formulary, `/\.`) }

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
		return nil, err
	}
	return safety.Parse(b)
}
