package followup

import (
	"embed"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"path"
	"regexp"
	"sync"

	"nailbridge/mapping/record"
)

// CanonicalBase is the base of the canonical URLs of the project's own
// artifacts.
const CanonicalBase = "https://nailbridge.example/fhir"

// The extensions of a protocol's PlanDefinition; their StructureDefinitions
// are among Artifacts.
const (
	WindowExtension = CanonicalBase + "/StructureDefinition/follow-up-window"
	RecallExtension = CanonicalBase + "/StructureDefinition/follow-up-recall"
)

// surgeryAction is the action from whose start every step is counted.
const surgeryAction = "surgery"

//go:embed protocols/*.json definitions/*.json
var data embed.FS

// Protocol is one follow-up protocol, read from its PlanDefinition.
type Protocol struct {
	ID      string
	URL     string
	Version string
	Title   string
	Steps   []Step
	// Recall is when a missed review is called again where its step does not
	// say; nil: the protocol does not say.
	Recall *Interval
	// JSON is the PlanDefinition as published.
	JSON []byte
}

// Step is one planned review.
type Step struct {
	ID          string // of the action, and of the activity it becomes (D4.1)
	Title       string
	Description string
	Basis       string // the source of the date, or that it is common practice
	When        Interval
	Recall      *Interval // overrides the protocol's
}

// Interval is a date counted from another, and the window around it.
type Interval struct {
	Months, Days  int // from the base date
	Before, After int // days of the window before and after the date
}

// Canonical is the URL with its version, as instantiatesCanonical names it.
func (p *Protocol) Canonical() string { return p.URL + "|" + p.Version }

// Step returns the step with the id, nil when there is none.
func (p *Protocol) Step(id string) *Step {
	if p == nil {
		return nil
	}
	for i := range p.Steps {
		if p.Steps[i].ID == id {
			return &p.Steps[i]
		}
	}
	return nil
}

// recall is the recall interval of a step, nil when the data has none.
func (p *Protocol) recall(step string) *Interval {
	if p == nil {
		return nil
	}
	if s := p.Step(step); s != nil && s.Recall != nil {
		return s.Recall
	}
	return p.Recall
}

// date counts the interval from base, with the setting for days off.
func (i Interval) date(base Date, off DaysOff) Date {
	return off.move(base.AddMonths(i.Months).AddDays(i.Days), base)
}

// Artifact is a FHIR resource that ships with the package as data.
type Artifact struct {
	Type, ID, URL, Version string
	JSON                   []byte
}

// Artifacts lists the PlanDefinitions and the StructureDefinitions of their
// extensions, which the hub serves so that canonicals resolve, by file name.
func Artifacts() ([]Artifact, error) {
	var out []Artifact
	for _, dir := range []string{"definitions", "protocols"} {
		entries, err := fs.ReadDir(data, dir)
		if err != nil {
			return nil, err
		}
		for _, e := range entries {
			b, err := data.ReadFile(path.Join(dir, e.Name()))
			if err != nil {
				return nil, err
			}
			a, err := artifactOf(b)
			if err != nil {
				return nil, fmt.Errorf("%s: %w", e.Name(), err)
			}
			out = append(out, a)
		}
	}
	return out, nil
}

// Load reads every embedded protocol and checks it.
func Load() ([]*Protocol, error) {
	artifacts, err := Artifacts()
	if err != nil {
		return nil, err
	}
	var out []*Protocol
	var errs []error
	for _, a := range artifacts {
		if a.Type != "PlanDefinition" {
			continue
		}
		p, err := ParseProtocol(a.JSON)
		if err != nil {
			errs = append(errs, fmt.Errorf("%s: %w", a.ID, err))
			continue
		}
		out = append(out, p)
	}
	return out, errors.Join(errs...)
}

var embedded = sync.OnceValues(Load)

// Lookup returns the protocol that a record or a clinic's setting names, nil
// when none is named or known. A protocol is read-only.
func Lookup(code record.Code) *Protocol {
	protocols, err := embedded()
	if err != nil {
		panic(err) // embedded data, checked by a test
	}
	for _, p := range protocols {
		if p.ID == string(code) {
			return p
		}
	}
	return nil
}

type planDefinition struct {
	ResourceType string      `json:"resourceType"`
	ID           string      `json:"id"`
	URL          string      `json:"url"`
	Version      string      `json:"version"`
	Title        string      `json:"title"`
	Extension    []extension `json:"extension"`
	Action       []action    `json:"action"`
}

type action struct {
	ID            string      `json:"id"`
	Title         string      `json:"title"`
	Description   string      `json:"description"`
	Extension     []extension `json:"extension"`
	Documentation []struct {
		Citation string `json:"citation"`
	} `json:"documentation"`
	RelatedAction []struct {
		ActionID       string    `json:"actionId"`
		Relationship   string    `json:"relationship"`
		OffsetDuration *duration `json:"offsetDuration"`
	} `json:"relatedAction"`
}

type extension struct {
	URL           string      `json:"url"`
	ValueDuration *duration   `json:"valueDuration"`
	Extension     []extension `json:"extension"`
}

// duration is a Duration in whole UCUM units of the calendar.
type duration struct {
	Value  int    `json:"value"`
	System string `json:"system"`
	Code   string `json:"code"`
}

// ParseProtocol reads a PlanDefinition whose actions hang on an action
// "surgery" by relatedAction, relationship after-start, offsetDuration in the
// UCUM units d, wk, mo or a. Every fault is returned.
func ParseProtocol(b []byte) (*Protocol, error) {
	var d planDefinition
	if err := json.Unmarshal(b, &d); err != nil {
		return nil, err
	}
	p := &Protocol{ID: d.ID, URL: d.URL, Version: d.Version, Title: d.Title, JSON: b}
	var errs []error
	if d.ResourceType != "PlanDefinition" || d.Version == "" || d.URL != CanonicalBase+"/PlanDefinition/"+d.ID {
		errs = append(errs, errors.New("type, id, url and version must be those of a protocol"))
	}
	var err error
	if p.Recall, err = readInterval(d.Extension, RecallExtension); err != nil {
		errs = append(errs, err)
	}
	seen := map[string]bool{surgeryAction: true}
	for i, a := range d.Action {
		if a.ID == surgeryAction && i == 0 {
			continue
		}
		s, err := readStep(a)
		if err != nil || seen[a.ID] {
			errs = append(errs, fmt.Errorf("action %d %q: %w", i, a.ID, errors.Join(err, errIf(seen[a.ID], "twice"))))
			continue
		}
		seen[a.ID] = true
		p.Steps = append(p.Steps, s)
	}
	errs = append(errs, errIf(len(d.Action) == 0 || d.Action[0].ID != surgeryAction, "the first action must be the surgery"))
	return p, errors.Join(errs...)
}

// stepID is narrower than a FHIR id: without a dot and shorter than 64, so
// that no id of a record-opened activity equals a step.
var stepID = regexp.MustCompile(`^[a-z0-9][a-z0-9-]{0,30}$`)

func readStep(a action) (Step, error) {
	s := Step{ID: a.ID, Title: a.Title, Description: a.Description}
	var errs []error
	if len(a.RelatedAction) != 1 || a.RelatedAction[0].ActionID != surgeryAction || a.RelatedAction[0].Relationship != "after-start" {
		return s, errors.New("must have one relatedAction after-start of the surgery")
	}
	window, err := readInterval(a.Extension, WindowExtension)
	errs = append(errs, err)
	if window == nil {
		errs = append(errs, errors.New("has no window"))
	} else {
		s.When = *window
	}
	errs = append(errs, a.RelatedAction[0].OffsetDuration.addTo(&s.When))
	s.Recall, err = readInterval(a.Extension, RecallExtension)
	errs = append(errs, err)
	if len(a.Documentation) > 0 {
		s.Basis = a.Documentation[0].Citation
	}
	errs = append(errs, errIf(!stepID.MatchString(s.ID), "id is not a step id"),
		errIf(s.Title == "", "has no title"), errIf(s.Basis == "", "does not say its source"))
	return s, errors.Join(errs...)
}

// readInterval reads the extension with the url; nil when it is absent.
func readInterval(list []extension, url string) (*Interval, error) {
	for _, e := range list {
		if e.URL != url {
			continue
		}
		i := &Interval{}
		var errs []error
		for _, part := range e.Extension {
			switch part.URL {
			case "offset":
				errs = append(errs, part.ValueDuration.addTo(i))
			case "before":
				errs = append(errs, part.ValueDuration.daysTo(&i.Before))
			case "after":
				errs = append(errs, part.ValueDuration.daysTo(&i.After))
			default:
				errs = append(errs, fmt.Errorf("unknown part %q", part.URL))
			}
		}
		return i, errors.Join(errs...)
	}
	return nil, nil
}

const ucum = "http://unitsofmeasure.org"

func (d *duration) addTo(i *Interval) error {
	if d == nil || d.System != ucum || d.Value < 1 {
		return errors.New("an offset must be a positive UCUM duration")
	}
	switch d.Code {
	case "d":
		i.Days = d.Value
	case "wk":
		i.Days = 7 * d.Value
	case "mo":
		i.Months = d.Value
	case "a":
		i.Months = 12 * d.Value
	default:
		return fmt.Errorf("unit %q is not d, wk, mo or a", d.Code)
	}
	return nil
}

func (d *duration) daysTo(days *int) error {
	if d == nil || d.System != ucum || d.Code != "d" || d.Value < 0 {
		return errors.New("a side of a window must be whole UCUM days")
	}
	*days = d.Value
	return nil
}

func errIf(bad bool, text string) error {
	if bad {
		return errors.New(text)
	}
	return nil
}
