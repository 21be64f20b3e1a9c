package back

import (
	"errors"
	"slices"
	"strings"
	"time"

	"nailbridge/mapping/internal/rawjson"
	"nailbridge/mapping/terms"
)

// An input of any size is read part by part: what is of one patient is one part, and
// all that the way back holds at once. Parts holds what they share. The same resources
// give the same records, findings and counts by Read and by parts, but that what is
// found comes part by part.

// Kind says how a resource goes with the parts of an input.
type Kind int

// The kinds of resources.
const (
	// Owned is of one patient, and read with what is of the same.
	Owned Kind = iota
	// Loose names no patient, as a Medication: it is read with each part that refers to
	// it.
	Loose
	// About is a Provenance: it is read with each part that it is about.
	About
	// Shared is of the clinic, as its staff: it is held while all parts are read.
	Shared
)

// sharedTypes are of a clinic, and few; unless they name a patient.
var sharedTypes = []string{"Practitioner", "PractitionerRole", "Organization", "Location", "HealthcareService", "Device"}

// patientNames are the members by which a resource names its patient.
var patientNames = []string{"subject", "patient"}

// Place says where a resource belongs, by keys: what a reference says, or type and id at
// its end.
type Place struct {
	Kind  Kind
	Ref   string   // its own key, of all its versions
	URL   string   // its fullUrl in a Bundle, another key; "" for none
	Owner string   // key of the patient of an owned one; "": it names none
	Alias string   // of a Patient, another key by which others name it; "" for none
	To    []string // keys that it refers to; of a Provenance, of what it is about
	// Records are the ids of clinic records: of an Encounter its own, of a Provenance
	// those that it names.
	Records []string
}

// Place is where the resource belongs.
func (r Resource) Place() Place {
	typ, id := textOf(r.value, "resourceType"), textOf(r.value, "id")
	p := Place{Ref: refOf(typ, id, r.url, r.from)}
	if keyOf(r.url) != p.Ref {
		p.URL = r.url // else references find it by type and id
	}
	for _, name := range patientNames {
		if p.Owner == "" {
			p.Owner = keyOf(textOf(r.value, name, "reference"))
		}
	}
	_, read := standing[typ]
	switch {
	case typ == "Patient":
		p.Owner = p.Ref
		if keyOf(r.url) != p.Ref {
			p.Alias = keyOf(r.url)
		}
	case p.Owner != "":
	case typ == "Provenance":
		p.Kind = About
	case slices.Contains(sharedTypes, typ):
		p.Kind = Shared
	case !read && typ != "Condition" && typ != "AllergyIntolerance":
		p.Kind = Loose
	}
	from := r.value
	if typ == "Provenance" {
		from = &rawjson.Node{Kind: rawjson.Array}
		if t := member(r.value, "target"); t != nil {
			from = t
		}
		p.Records = recordsNamed(member(r.value, "entity"))
	}
	for _, text := range refersTo(from, nil) {
		if ref := typeAndID(text); ref != "" {
			p.To = append(p.To, ref)
		}
		if strings.Contains(text, ":") { // an address, and no type and id alone
			p.To = append(p.To, text)
		}
	}
	if typ == "Encounter" {
		p.Records = numbersOf(r.value, "record", id)
	}
	return p
}

// refOf is the key of a resource: type and id, or what stands for the id.
func refOf(typ, id, url, from string) string {
	for _, name := range []string{id, url, from} {
		if name != "" {
			return typ + "/" + name
		}
	}
	return typ + "/"
}

// keyOf is the key that a reference gives.
func keyOf(reference string) string {
	if ref := typeAndID(reference); ref != "" {
		return ref
	}
	return reference
}

// recordsNamed are the ids of the clinic records that a Provenance names.
func recordsNamed(entities *rawjson.Node) (out []string) {
	if entities == nil {
		return nil
	}
	for _, e := range entities.Elems {
		if id := newNode(e).ext(terms.ExtClinicRecord).ext("record").peek("valueString"); id != "" {
			out = append(out, id)
		}
	}
	return out
}

// numbersOf are the values of the clinic's own numbers of a kind, else what stands in
// for one.
func numbersOf(n *rawjson.Node, kind, instead string) (out []string) {
	if ids := member(n, "identifier"); ids != nil {
		for _, x := range ids.Elems {
			if strings.HasSuffix(textOf(x, "system"), "/"+kind) {
				out = append(out, textOf(x, "value"))
			}
		}
	}
	if out == nil {
		out = []string{instead}
	}
	return out
}

// noInstant asks for what counts at last.
var noInstant time.Time

// errPutAway says that what was put away did not come back as it was.
var errPutAway = errors.New("back: a resource that was put away is no JSON any more")

// Piece is a resource of a part, as it was put away: its body, its fullUrl, and where it
// stood in the input.
type Piece struct {
	Body      []byte
	URL, From string
	// Read says of the leaves of a loose one whether a part before has read them.
	Read []bool
}

// Piece is what is put away of a resource.
func (r Resource) Piece() Piece { return Piece{Body: r.Body(), URL: r.url, From: r.from} }

// Parts reads an input part by part, once it has what they share.
type Parts struct {
	o         Options
	revisions bool
	shared    *input // of Revisions all versions, else those that count
	now       *input // those that count
	staff     *reader
	told      map[Finding]bool // of resources that are in several parts
	most      int
}

// NewParts begins. revisions asks for every content of each record (Revisions).
func NewParts(o Options, revisions bool) *Parts {
	return &Parts{o: o, revisions: revisions, shared: newInput(), told: map[Finding]bool{}}
}

// Share takes in a resource that all parts share, before the first of them. Many files may
// have the same one: a version that does not count is named, and not held.
func (p *Parts) Share(piece Piece) (out Result, err error) {
	all, err := p.shared.pieces([]Piece{piece})
	if err != nil || p.revisions {
		return out, err
	}
	x := all[0]
	have := p.shared.byRef[x.ref]
	switch {
	case have == nil:
		p.shared.byRef[x.ref] = x
		return out, nil
	case x.counts(have):
		p.shared.byRef[x.ref] = x
		x = have
	}
	p.shared.all = slices.DeleteFunc(p.shared.all, func(y *res) bool { return x == y })
	out.count([]*res{x}, nil)
	return out, nil
}

// begin reads what is shared, once.
func (p *Parts) begin() {
	if p.staff == nil {
		p.now = p.shared.at(noInstant)
		p.staff = newReader(p.o, p.now)
		p.staff.staff()
	}
}

// pieces takes in what was put away.
func (in *input) pieces(ps []Piece) (out []*res, err error) {
	for _, p := range ps {
		value, fault := rawjson.ParseWithin(p.Body, maxBytes)
		if fault != nil {
			return nil, errPutAway
		}
		out = append(out, in.add(newNode(value), p.URL, p.From))
	}
	return out, nil
}

// Most is the greatest number of resources that were held at once.
func (p *Parts) Most() int { return p.most }

// Read reads one part: what is of a patient, and the loose ones that go with it, whose
// leaves that were read it notes on them.
func (p *Parts) Read(own, loose []Piece) (Result, error) {
	in := newInput()
	mine, err := in.pieces(own)
	if err != nil {
		return Result{}, err
	}
	guests, err := in.pieces(loose)
	if err != nil {
		return Result{}, err
	}
	p.begin()
	p.most = max(p.most, len(p.shared.all)+len(in.all))
	sortResources(mine)
	var out Result
	used := mine
	if p.revisions {
		in.all = append(in.all, p.shared.all...)
		err = out.revisions(p.o, in)
	} else {
		now := in.at(noInstant)
		now.shared, used = p.now, now.all
		r := newReader(p.o, now)
		r.people = p.staff.people
		out.Records, out.Findings = r.records(), r.findings
	}
	p.once(&out, guests)
	out.count(mine, used)
	for i, g := range guests {
		loose[i].note(g)
	}
	return out, err
}

// note adds what was read of a loose resource.
func (p *Piece) note(x *res) {
	x.mark(p.Read)
	p.Read = x.marks(nil)
}

// once leaves out what was told before of a resource that is in several parts.
func (p *Parts) once(out *Result, guests []*res) {
	of := map[string]bool{}
	for _, g := range append(guests, p.shared.all...) {
		of[g.ref] = true
	}
	out.Findings = slices.DeleteFunc(out.Findings, func(f Finding) bool {
		if !of[f.Resource] {
			return false
		}
		told := p.told[f]
		p.told[f] = true
		return told
	})
}

// Versions counts and names what no part read of one loose resource, in all its versions.
func (p *Parts) Versions(of []Piece) (Result, error) {
	in := newInput()
	all, err := in.pieces(of)
	for i, x := range all {
		x.mark(of[i].Read)
	}
	sortResources(all)
	var out Result
	out.count(all, p.used(in))
	return out, err
}

// used are the resources of which something may be read.
func (p *Parts) used(in *input) []*res {
	if p.revisions {
		return in.all
	}
	return in.at(noInstant).all
}

// Rest counts and names what no part read of what they share, and what stood around the
// resources in Bundles.
func (p *Parts) Rest(around int) Result {
	p.begin()
	out := Result{Findings: p.staff.findings}
	if p.revisions {
		out.Findings = nil // each part has read the staff by itself
	}
	sortResources(p.shared.all)
	out.count(p.shared.all, p.used(p.shared))
	out.around(around)
	return out
}
