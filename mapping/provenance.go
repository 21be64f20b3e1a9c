package mapping

import (
	"cmp"
	"encoding/base64"
	"encoding/hex"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	cpb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/codes_go_proto"
	dpb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/datatypes_go_proto"
	vpb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/resources/provenance_go_proto"

	"nailbridge/mapping/internal/r4"
	"nailbridge/mapping/record"
	"nailbridge/mapping/resource"
	"nailbridge/mapping/terms"
)

// Activity is what a commit did to the targets of a Provenance (D5.9).
type Activity string

// The activities.
const (
	ActivityCreate  Activity = "create"
	ActivityUpdate  Activity = "update"
	ActivityNullify Activity = "nullify" // entered in error (D6)
)

// VersionedRef names one version of a resource; an empty VersionID names the
// resource, for documents whose fullUrls are not http (D5.9).
type VersionedRef struct {
	Ref       resource.Ref
	VersionID string
}

// String is "Type/id/_history/version", or "Type/id".
func (v VersionedRef) String() string {
	if v.VersionID == "" {
		return v.Ref.String()
	}
	return v.Ref.String() + "/_history/" + v.VersionID
}

// ProvenanceInput is what one commit did to one case with one activity.
type ProvenanceInput struct {
	Targets  []VersionedRef // at least one
	Activity Activity
	Recorded time.Time // meta.lastUpdated of the targets
	Sources  []Source  // the contents folded; none when nothing is left
	Owner    string    // PatientKey
	Case     string    // record id of the surgery; "" for none
	Commit   string    // names the commit within the deployment
	Causes   []Cause   // of a re-map: what had changed; nil: records caused the commit
}

// Cause is one thing that a re-map was made for: what the resources were made
// with before, and with what they are now.
type Cause struct {
	Part   string `json:"part"`   // such as "dose limits"
	Before string `json:"before"` // "": not known, or none
	Now    string `json:"now"`    // "": none
}

// String names the part and both versions.
func (c Cause) String() string {
	return fmt.Sprintf("%s, before: %s; now: %s", c.Part, cmp.Or(c.Before, "none known"), cmp.Or(c.Now, "none"))
}

// sourceSystem says that an identifier's value is a URI (R4
// datatypes.html#Identifier).
const sourceSystem = "urn:ietf:rfc:3986"

// MakeProvenance builds the Provenance of one commit: the clinic's authors, the
// bridge that assembled the resources, and the hash of each source (D5.9). A
// Provenance never changes; each commit has its own id.
func MakeProvenance(s Settings, in ProvenanceInput) (resource.Resource, error) {
	if len(in.Targets) == 0 {
		return resource.Resource{}, fmt.Errorf("mapping: a Provenance without a target")
	}
	b := newBuilder(s, record.Identifier{})
	text := r4.NewText("Where these resources come from").Row("Activity", string(in.Activity)).
		Row("Recorded", in.Recorded.UTC().Format(resource.LastUpdatedLayout))
	out := &vpb.Provenance{
		Id:       r4.ID(s.newID("Provenance", s.Clinic.ID, in.Owner, in.Case, string(in.Activity), in.Commit)),
		Recorded: r4.Instant(in.Recorded),
		Activity: b.element("provenance-activity-" + string(in.Activity)),
		Agent:    b.provenanceAgents(in.Sources),
	}
	for _, t := range in.Targets {
		out.Target = append(out.Target, &dpb.Reference{Reference: &dpb.Reference_Uri{Uri: r4.String(t.String())}})
	}
	for _, src := range in.Sources {
		e, err := b.sourceEntity(src)
		if err != nil {
			return resource.Resource{}, err
		}
		out.Entity = append(out.Entity, e)
		text.Row("Source", sourceText(src))
	}
	var made []string
	for _, v := range append(s.versions(), s.choices()...) {
		made = append(made, v[0]+" "+v[1])
	}
	with := strings.Join(made, ", ")
	out.Entity = append(out.Entity, entity(&dpb.Reference{Display: r4.String("Made with: " + with)}))
	text.Row("Made with", with)
	for _, c := range in.Causes {
		out.Entity = append(out.Entity, entity(&dpb.Reference{Display: r4.String("Made again because of a change: " + c.String())}))
		text.Row("Made again because of a change", c.String())
	}
	out.Text = text.Narrative()
	return claimed(out)
}

// notRecorded stands for the author of an old record that names none: the clinic
// answers for it.
const notRecorded = "Author not recorded"

// provenanceAgents are the authors of the sources, each once, and the bridge,
// all on behalf of the clinic.
func (b *builder) provenanceAgents(sources []Source) []*vpb.Provenance_Agent {
	var out []*vpb.Provenance_Agent
	var seen []string
	for i := range sources {
		p := &sources[i].Author
		who, key := b.who(p), p.Key()+"|"+r4.NameText(p.Name)
		if who == nil && sources[i].Historical {
			who = r4.Ref(b.orgRef())
			who.Display = r4.String(notRecorded)
		}
		if p.Key() != "" {
			key = p.Key()
		}
		if who == nil || slices.Contains(seen, key) {
			continue
		}
		seen = append(seen, key)
		out = append(out, b.agent("author", who))
	}
	return append(out, b.agent("assembler", r4.Ref(b.deviceRef())))
}

func (b *builder) agent(kind string, who *dpb.Reference) *vpb.Provenance_Agent {
	return &vpb.Provenance_Agent{
		Type: b.element("provenance-agent-" + kind), Who: who, OnBehalfOf: r4.Ref(b.orgRef()),
	}
}

// sourceEntity names a folded content by the hash of its publishable part, as
// RFC 6920 writes it.
func (b *builder) sourceEntity(s Source) (*vpb.Provenance_Entity, error) {
	sum, err := hex.DecodeString(s.Hash)
	if err != nil || len(sum) == 0 {
		return nil, fmt.Errorf("mapping: the hash of a source is not hexadecimal")
	}
	name := "ni:///sha-256;" + base64.RawURLEncoding.EncodeToString(sum)
	e := entity(&dpb.Reference{
		Identifier: r4.Identifier(0, nil, sourceSystem, name, resource.Ref{}),
		Display:    r4.String(sourceText(s)),
	})
	e.Extension = []*dpb.Extension{b.clinicRecord(s)}
	if who := b.who(&s.Author); who != nil {
		e.Agent = []*vpb.Provenance_Agent{b.agent("author", who)}
	}
	return e, nil
}

// clinicRecord is the header of a source as recorded. It stands here, since
// another counter or saved-at alone is no other content (D1.1) and must not make
// another version of what was folded.
func (b *builder) clinicRecord(s Source) *dpb.Extension {
	parts := []*dpb.Extension{
		r4.Extension("record", r4.String(s.Record)), r4.Extension("kind", r4.Code(string(s.Kind))),
	}
	if s.Status != "" {
		parts = append(parts, r4.Extension("status", r4.Code(string(s.Status))))
	}
	if s.Revision != nil {
		parts = append(parts, r4.Extension("revision", r4.DecimalText(strconv.FormatInt(*s.Revision, 10))))
	}
	if s.SavedAt != nil {
		parts = append(parts, r4.Extension("saved-at", b.when(s.SavedAt)))
	}
	if s.Historical {
		parts = append(parts, r4.Extension("historical", r4.Boolean(true)))
	}
	if s.Followed {
		parts = append(parts, r4.Extension("followed", r4.Boolean(true)))
	}
	if c := s.Converted; c != nil {
		parts = append(parts, convertedFrom(c)...)
	}
	if s.SchemaVersion != "" {
		parts = append(parts, r4.Extension("schema-version", r4.String(s.SchemaVersion)))
	}
	return r4.ComplexExtension(terms.ExtClinicRecord, parts...)
}

// convertedFrom is the old row that a record was made of.
func convertedFrom(c *record.Converted) (out []*dpb.Extension) {
	add := func(name, value string) {
		if value != "" {
			out = append(out, r4.Extension(name, r4.String(value)))
		}
	}
	add("file", c.File)
	if c.Row != nil {
		out = append(out, r4.Extension("row", r4.DecimalText(strconv.FormatInt(*c.Row, 10))))
	}
	add("layout", c.Layout)
	for _, who := range c.DecidedBy {
		add("decided-by", who)
	}
	return out
}

func entity(what *dpb.Reference) *vpb.Provenance_Entity {
	return &vpb.Provenance_Entity{
		Role: &vpb.Provenance_Entity_RoleCode{Value: cpb.ProvenanceEntityRoleCode_SOURCE}, What: what,
	}
}

func sourceText(s Source) string {
	text := strings.TrimSpace("Clinic record " + s.Record + ", " + strings.ToLower(record.KindSet.Display(s.Kind)))
	c := s.Converted
	if c == nil {
		return text
	}
	text += ", converted from old data"
	if c.File != "" {
		text += ", file " + c.File
	}
	if c.Row != nil {
		text += fmt.Sprintf(", row %d", *c.Row)
	}
	if c.Layout != "" {
		text += ", by the layout " + c.Layout
	}
	if len(c.DecidedBy) > 0 {
		text += ", doubtful words decided by " + strings.Join(c.DecidedBy, ", ")
	}
	return text
}
