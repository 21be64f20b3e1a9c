package followup

import (
	"bytes"
	"cmp"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"html"
	"regexp"
	"slices"
	"strings"
	"time"

	"nailbridge/mapping/record"
)

// A clinic's own protocol is a file in the form of those of the program: a
// PlanDefinition with the members of planFile and no others, so that nothing of
// it is taken silently for nothing.
type (
	planFile struct {
		ResourceType string         `json:"resourceType"`
		ID           string         `json:"id"`
		Meta         *planMeta      `json:"meta,omitempty"`
		Text         *planText      `json:"text,omitempty"`
		Extension    []planInterval `json:"extension,omitempty"`
		URL          string         `json:"url"`
		Version      string         `json:"version"`
		Name         string         `json:"name,omitempty"`
		Title        string         `json:"title"`
		Type         *planConcept   `json:"type,omitempty"`
		Status       string         `json:"status"`
		Experimental bool           `json:"experimental"`
		Date         string         `json:"date"`
		Publisher    string         `json:"publisher"`
		Description  string         `json:"description,omitempty"`
		Usage        string         `json:"usage,omitempty"`
		ApprovalDate string         `json:"approvalDate"`
		Endorser     []planPerson   `json:"endorser"`
		Action       []planAction   `json:"action"`
	}
	planMeta struct {
		VersionID   string `json:"versionId,omitempty"`
		LastUpdated string `json:"lastUpdated,omitempty"`
	}
	planText struct {
		Status string `json:"status"`
		Div    string `json:"div"`
	}
	planConcept struct {
		Coding []planCoding `json:"coding"`
	}
	planCoding struct {
		System  string `json:"system"`
		Code    string `json:"code"`
		Display string `json:"display"`
	}
	planPerson struct {
		Name string `json:"name"`
	}
	planAction struct {
		ID            string         `json:"id"`
		Extension     []planInterval `json:"extension,omitempty"`
		Title         string         `json:"title"`
		Description   string         `json:"description,omitempty"`
		Documentation []planSource   `json:"documentation,omitempty"`
		RelatedAction []planRelated  `json:"relatedAction,omitempty"`
	}
	planInterval struct {
		Extension []planPart `json:"extension"`
		URL       string     `json:"url"`
	}
	planPart struct {
		URL           string        `json:"url"`
		ValueDuration *planDuration `json:"valueDuration,omitempty"`
	}
	planDuration struct {
		Value  int64  `json:"value"`
		Unit   string `json:"unit"`
		System string `json:"system"`
		Code   string `json:"code"`
	}
	planSource struct {
		Type     string `json:"type"`
		Citation string `json:"citation"`
	}
	planRelated struct {
		ActionID       string        `json:"actionId"`
		Relationship   string        `json:"relationship"`
		OffsetDuration *planDuration `json:"offsetDuration,omitempty"`
	}
)

// Own reads a protocol of a clinic's own, which stands for the program's of the
// same id. It is a version of that protocol by itself: the file's own with the
// first digits of a hash of what it says, so that a changed window is another
// version and the same bytes never have two (D4.1, D8.3). Its JSON is made
// anew, with a narrative of the steps as they are. Every fault is returned.
func Own(b []byte) (*Protocol, error) {
	var f planFile
	errs := record.DecodeStrict(b, &f)
	if len(errs) > 0 {
		return nil, errors.Join(errs...)
	}
	if Lookup(record.Code(f.ID)) == nil { // as /fhir serves a clinic's own
		f.ID = f.URL[strings.LastIndexByte(f.URL, '/')+1:]
	}
	if Lookup(record.Code(f.ID)) == nil {
		return nil, errors.New("/id: no protocol that a record may name")
	}
	f.tidy()
	errs = append(errs, f.faults()...)
	p, err := ParseProtocol(f.encode())
	if err = errors.Join(append(errs, err)...); err != nil {
		return nil, err
	}
	if err := p.apart(); err != nil {
		return nil, err
	}
	return f.publish(p), nil
}

const maxVersion = 32 // characters of the file's own part of a version

// planName is what R4 asks of PlanDefinition.name (pdf-0).
var planName = regexp.MustCompile(`^[A-Z][A-Za-z0-9_]{0,254}$`)

// faults gives what the form does not hold.
func (f *planFile) faults() (errs []error) {
	fault := func(bad bool, text string) { errs = append(errs, errIf(bad, text)) }
	blank := func(s string) bool { return strings.TrimSpace(s) == "" }
	noDate := func(s string) bool { _, err := time.Parse(time.DateOnly, s); return err != nil }
	fault(len(f.Version) > maxVersion || strings.ContainsAny(f.Version, " |+&#\t\n"), "/version: not a version of up to 32 characters without spaces, |, +, & and #")
	fault(!planName.MatchString(f.Name), "/name: not a name of letters, digits and _ that begins with a capital")
	fault(blank(f.Title), "/title: required")
	fault(blank(f.Publisher) || f.Publisher == programPublisher, "/publisher: the clinic, not the publisher of the program's protocols")
	fault(noDate(f.Date), "/date: want a date that exists, YYYY-MM-DD")
	fault(noDate(f.ApprovalDate), "/approvalDate: want a date that exists, YYYY-MM-DD")
	fault(len(f.Endorser) == 0, "/endorser: who approved it is required")
	for i, e := range f.Endorser {
		fault(blank(e.Name), fmt.Sprintf("/endorser/%d/name: required", i))
	}
	errs = append(errs, intervalFaults("", f.Extension, RecallExtension)...)
	for i, a := range f.Action {
		errs = append(errs, intervalFaults(fmt.Sprintf("/action/%d", i), a.Extension, WindowExtension, RecallExtension)...)
	}
	return errs
}

// intervalFaults holds the intervals of a place to be of the kinds given, each
// once, with each of its parts once: what is left out or misspelt would count as
// no day at all.
func intervalFaults(at string, list []planInterval, kinds ...string) (errs []error) {
	parts := map[string]string{WindowExtension: "after before", RecallExtension: "after before offset"}
	seen := map[string]bool{}
	for i, x := range list {
		var names []string
		for _, part := range x.Extension {
			names = append(names, part.URL)
		}
		slices.Sort(names)
		if !slices.Contains(kinds, x.URL) || seen[x.URL] {
			errs = append(errs, fmt.Errorf("%s/extension/%d/url: not one of %s, or there twice", at, i, strings.Join(kinds, ", ")))
		} else if got := strings.Join(names, " "); got != parts[x.URL] {
			errs = append(errs, fmt.Errorf("%s/extension/%d: has the parts %q instead of %q", at, i, got, parts[x.URL]))
		}
		seen[x.URL] = true
	}
	return errs
}

// programPublisher is the publisher of the program's own protocols.
const programPublisher = "Nailbridge project"

// tidy puts what the program knows better in the place of what was sent: no
// meta, the type of all protocols, status active, the part of the version that
// is the file's, units named by their code.
func (f *planFile) tidy() {
	f.Meta, f.Text, f.Status = nil, nil, "active"
	f.Type = &planConcept{[]planCoding{{"http://terminology.hl7.org/CodeSystem/plan-definition-type", "clinical-protocol", "Clinical Protocol"}}}
	if i := len(f.Version) - hashDigits - 1; i > 0 && f.Version[i] == '-' && !strings.Contains(f.Version[i+1:], "-") {
		if _, err := hex.DecodeString(f.Version[i+1:]); err == nil {
			f.Version = f.Version[:i]
		}
	}
	for _, x := range f.intervals() {
		for _, part := range x.Extension {
			part.ValueDuration.tidy()
		}
	}
	for _, a := range f.Action {
		for i, s := range a.Documentation {
			a.Documentation[i].Type = cmp.Or(s.Type, "citation")
		}
		for _, r := range a.RelatedAction {
			r.OffsetDuration.tidy()
		}
	}
}

// intervals are all windows and recalls.
func (f *planFile) intervals() []planInterval {
	out := f.Extension
	for _, a := range f.Action {
		out = append(out[:len(out):len(out)], a.Extension...)
	}
	return out
}

// tidy names the unit by its code.
func (d *planDuration) tidy() {
	if d == nil {
		return
	}
	if name, ok := map[string]string{"d": "day", "wk": "week", "mo": "month", "a": "year"}[d.Code]; ok {
		if d.Unit = name; d.Value != 1 {
			d.Unit += "s"
		}
	}
}

// publish gives the protocol its version, narrative and JSON.
func (f *planFile) publish(p *Protocol) *Protocol {
	sum := sha256.Sum256(f.encode())
	mark := hex.EncodeToString(sum[:])[:hashDigits]
	f.Version += "-" + mark
	f.ID += "-" + mark
	f.Text = &planText{"generated", narrate(p, f.Usage)}
	p.Version, p.JSON = f.Version, f.encode()
	return p
}

const hashDigits = 12 // of a version, 48 bits

func (f *planFile) encode() []byte { return encode(f) }

// encode marshals what came of JSON or is our own struct, which cannot fail.
func encode(v any) []byte {
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	if err := e.Encode(v); err != nil {
		panic("followup: " + err.Error())
	}
	return bytes.TrimSuffix(b.Bytes(), []byte("\n"))
}

// apart checks that the windows follow one another without a day in common, from
// the day of the operation on, whatever day that is: a date belongs to one step
// at most.
func (p *Protocol) apart() error {
	for op := (Date{Year: 2024, Month: 1, Day: 1}); op.Year < 2025; op = op.AddDays(1) { // a leap year
		last := op.AddDays(-1)
		for _, s := range p.Steps {
			at := s.When.date(op, DaysOff{})
			if last.Compare(at.AddDays(-s.When.Before)) >= 0 {
				return fmt.Errorf("step %q: its window begins before the one before it ended, or before the operation", s.ID)
			}
			last = at.AddDays(s.When.After)
		}
	}
	return nil
}

// narrate tells the steps of a protocol; every text is escaped.
func narrate(p *Protocol, usage string) string {
	var b strings.Builder
	fmt.Fprintf(&b, `<div xmlns="http://www.w3.org/1999/xhtml"><p>%s</p>`, html.EscapeString(p.Title))
	if usage != "" {
		fmt.Fprintf(&b, `<p>%s</p>`, html.EscapeString(usage))
	}
	b.WriteString(`<table><thead><tr><th>Step</th><th>Review</th><th>After the operation</th><th>Window</th><th>Recall when missed, after</th><th>Source</th></tr></thead><tbody>`)
	for _, s := range p.Steps {
		recall := "not said"
		if r := p.recall(s.ID); r != nil {
			recall = r.text()
		}
		fmt.Fprintf(&b, `<tr><td>%s</td><td>%s</td><td>%s</td><td>%d d before to %d d after</td><td>%s</td><td>%s</td></tr>`,
			s.ID, html.EscapeString(s.Title), s.When.text(), s.When.Before, s.When.After, recall, html.EscapeString(s.Basis))
	}
	b.WriteString(`</tbody></table></div>`)
	return b.String()
}

// text is the interval without its window.
func (i Interval) text() string {
	d := planDuration{Value: int64(i.Days), Code: "d"}
	if i.Months > 0 {
		d = planDuration{Value: int64(i.Months), Code: "mo"}
	}
	d.tidy()
	return fmt.Sprintf("%d %s", d.Value, d.Unit)
}

// Stand puts protocols of a clinic's own in the place of the program's of the
// same id; nil where there are none.
func Stand(own []*Protocol) ([]*Protocol, error) {
	if len(own) == 0 {
		return nil, nil
	}
	all, err := Load()
	if err != nil {
		return nil, err
	}
	var out []*Protocol
	put := map[string]bool{}
	for _, p := range all {
		for _, x := range own {
			if x.ID == p.ID && put[p.ID] {
				return nil, fmt.Errorf("two protocols stand for %q", p.ID)
			}
			if x.ID == p.ID {
				put[p.ID], p = true, x
			}
		}
		out = append(out, p)
	}
	return out, nil
}

// Published lists the PlanDefinitions that canonicals of plans resolve to: those
// of the program under their own ids, and every other version that plans were
// made with, of now and of before, under an id of its own; one that no clinic
// uses any more says that it is retired (D8.3). kept are their JSON as they were
// in force.
func Published(inForce []*Protocol, kept [][]byte) ([]Artifact, error) {
	all, err := Artifacts()
	if err != nil {
		return nil, err
	}
	seen := map[string]bool{}
	for _, a := range all {
		seen[a.URL+"|"+a.Version] = true
	}
	add := func(b []byte, retire bool) error {
		a, err := artifactOf(b)
		if err != nil || seen[a.URL+"|"+a.Version] {
			return err
		}
		seen[a.URL+"|"+a.Version] = true
		a, err = a.besides(retire)
		all = append(all, a)
		return err
	}
	for _, p := range inForce {
		err = errors.Join(err, add(p.JSON, false))
	}
	for _, b := range kept {
		err = errors.Join(err, add(b, true))
	}
	return all, err
}

// besides is the artifact under an id that the program's of now does not have.
func (a Artifact) besides(retire bool) (Artifact, error) {
	var tree map[string]any
	d := json.NewDecoder(bytes.NewReader(a.JSON))
	d.UseNumber()
	if err := d.Decode(&tree); err != nil {
		return a, err
	}
	if Lookup(record.Code(a.ID)) != nil {
		sum := sha256.Sum256(a.JSON)
		a.ID += "-" + hex.EncodeToString(sum[:])[:hashDigits]
		tree["id"] = a.ID
	}
	if retire {
		tree["status"] = "retired"
	}
	a.JSON = encode(tree)
	return a, nil
}

func artifactOf(b []byte) (Artifact, error) {
	var head struct{ ResourceType, ID, URL, Version string }
	err := json.Unmarshal(b, &head)
	return Artifact{head.ResourceType, head.ID, head.URL, head.Version, b}, err
}
