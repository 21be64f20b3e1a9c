package mapping

import (
	"maps"
	"slices"
	"strconv"
	"strings"

	cpb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/codes_go_proto"
	dpb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/datatypes_go_proto"
	ppb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/resources/patient_go_proto"

	"nailbridge/mapping/internal/r4"
	"nailbridge/mapping/record"
	"nailbridge/mapping/resource"
)

// A merge joins the Patients of one person by Patient.link, both ways, and takes
// the one replaced out of use (D1.5; https://hl7.org/fhir/R4/patient-definitions.html#Patient.link).
// Cases, and the word on sharing, stay with the number that they came under. A
// merge is published where both of its Patients are, and shows nowhere else: no
// Patient names, and none is out of use for, one who is not shared (D3.1).

// replacement is one number of a person that replaces another.
type replacement struct {
	old, by record.Identifier
	from    *Current
	at      int // of old in the list of the merge
}

// MergeNames are the patients whom the merge records among the deliveries name, by
// key. Drafts and refused contents are of no account.
func MergeNames(ds []Delivery) []record.Identifier {
	var out []record.Identifier
	for _, d := range ds {
		if d.Record.Merge != nil && !d.Refused && d.Record.Status != "draft" {
			out = append(out, d.Record.Names()...)
		}
	}
	slices.SortFunc(out, func(a, b record.Identifier) int { return strings.Compare(a.Key(), b.Key()) })
	return slices.Compact(out)
}

// MayLeave reports whether what is made of a patient's cases may leave the
// clinic (D3.1). ds are all deliveries that name the patient.
func MayLeave(s Settings, ds []Delivery, p record.Identifier) bool {
	return decideSharing(ds, p, s.Clinic).Shared
}

// Join completes the folds of a clinic's patients, in which every delivery of the
// clinic stands that may be read, by what merges say: whoever is known only as
// replaced gets a fold too. It comes before what is said of the staff.
func Join(s Settings, folds []PatientFold) []PatientFold {
	byRecord := map[string][]Delivery{} // each fold holds all of a record id
	for _, f := range folds {
		for id, ds := range mergesByRecord(f.Deliveries) {
			byRecord[id] = ds
		}
	}
	named, out := MergeNames(slices.Concat(slices.Collect(maps.Values(byRecord))...)), slices.Clone(folds)
	for _, p := range named {
		if !slices.ContainsFunc(out, func(f PatientFold) bool { return f.Patient == p }) {
			out = append(out, PatientFold{Patient: p})
		}
	}
	var shared []record.Identifier
	for _, f := range out {
		if slices.Contains(named, f.Patient) && MayLeave(s, f.Deliveries, f.Patient) {
			shared = append(shared, f.Patient)
		}
	}
	for i := range out {
		if slices.Contains(named, out[i].Patient) {
			out[i].Merges, out[i].Joined = connected(byRecord, out[i].Patient), shared
		}
	}
	return out
}

// connected are the deliveries of the merges that name the patient, or another
// whom such a merge names, and so on.
func connected(byRecord map[string][]Delivery, p record.Identifier) []Delivery {
	var out []Delivery
	reached, left := []record.Identifier{p}, maps.Clone(byRecord)
	for found := true; found; {
		found = false
		for _, id := range slices.Sorted(maps.Keys(left)) {
			names := MergeNames(left[id])
			if slices.ContainsFunc(names, func(n record.Identifier) bool { return slices.Contains(reached, n) }) {
				out, reached, found = append(out, left[id]...), append(reached, names...), true
				delete(left, id)
			}
		}
	}
	return out
}

// mergesByRecord are all deliveries of each record id of which one is a merge.
func mergesByRecord(ds []Delivery) map[string][]Delivery {
	out := map[string][]Delivery{}
	for _, d := range ds {
		if d.Record.Merge != nil && !d.Refused {
			out[d.Record.Record] = nil
		}
	}
	for _, d := range ds {
		if of, ok := out[d.Record.Record]; ok {
			out[d.Record.Record] = append(of, d)
		}
	}
	return out
}

// standingMerges are the merges that count, the latest statement first. One that
// a held content withdraws or changes counts no more meanwhile (D2, held).
func (v *patientView) standingMerges() []Current {
	byID := map[string][]Delivery{}
	for _, d := range v.in.Merges {
		byID[d.Record.Record] = append(byID[d.Record.Record], d)
	}
	var out []Current
	for _, id := range slices.Sorted(maps.Keys(byID)) {
		st := Stand(byID[id], v.s.Clinic.Zone)
		c := st.Current
		if c != nil && c.Record.Merge != nil && c.Record.Status != "withdrawn" && !endangers(st) {
			out = append(out, Current{Delivery: c, Standing: st, NewerHeld: st.Top != c})
		}
	}
	slices.SortFunc(out, func(a, b Current) int { return v.compareContext(&b, &a) })
	return out
}

// settle decides which replacements count, the latest statement first: a number
// is replaced by one other, and by none that it replaces itself, through others
// too. What contradicts a later statement does not count.
func settle(merges []Current) (counts, contradicted []replacement) {
	by := map[record.Identifier]record.Identifier{}
	for i := range merges {
		now := patientValue(merges[i].Record)
		for at, old := range merges[i].Record.Merge.Replaces {
			r := replacement{old, now, &merges[i], at}
			if was, replaced := by[old]; replaced && was != now || leads(by, now, old) {
				contradicted = append(contradicted, r)
				continue
			}
			by[old] = now
			counts = append(counts, r)
		}
	}
	return counts, contradicted
}

// leads reports that one number is another, or is replaced by it in the end.
func leads(by map[record.Identifier]record.Identifier, from, to record.Identifier) bool {
	for from != to {
		next, replaced := by[from]
		if !replaced {
			return false
		}
		from = next
	}
	return true
}

// merged is what the merges make of one patient.
type merged struct {
	links   []patientLink
	sources []Current // the merges that make them, by record id
	signals []signal  // of merges whose patient replaces
}

// patientLink is one Patient.link; replaced says that the other replaces this one.
type patientLink struct {
	other    record.Identifier
	replaced bool
}

// merged settles the merges and takes out of them what concerns the patient.
func (v *patientView) merged(sharing Sharing) merged {
	var out merged
	counts, contradicted := settle(v.standingMerges())
	for _, r := range contradicted {
		if r.by == v.in.Patient {
			out.signals = append(out.signals, mergeSignal(r, "merge-contradicted", Warning,
				"This record says that a number replaces another, and a later record says otherwise, of one of the two: the later one counts. Please correct whichever is wrong."))
		}
	}
	for _, r := range counts {
		other := r.old
		if r.by != v.in.Patient {
			other = r.by
		}
		switch {
		case r.by != v.in.Patient && r.old != v.in.Patient:
		case sharing.Shared && slices.Contains(v.in.Joined, other):
			out.show(r, patientLink{other, r.old == v.in.Patient})
		case r.by == v.in.Patient:
			out.signals = append(out.signals, mergeSignal(r, "merge-not-shared", Note,
				"The two numbers are joined here. The region is not told, since not both are shared with it."))
		}
	}
	out.sort()
	return out
}

func (m *merged) show(r replacement, l patientLink) {
	if !slices.Contains(m.links, l) {
		m.links = append(m.links, l)
	}
	if !m.publishes(r.from) {
		m.sources = append(m.sources, *r.from)
	}
}

func (m *merged) sort() {
	slices.SortFunc(m.links, func(a, b patientLink) int { return strings.Compare(a.other.Key(), b.other.Key()) })
	slices.SortFunc(m.sources, func(a, b Current) int { return strings.Compare(a.Record.Record, b.Record.Record) })
}

// publishes reports that a merge is among the sources.
func (m *merged) publishes(c *Current) bool {
	return slices.ContainsFunc(m.sources, func(s Current) bool { return s.Record.Record == c.Record.Record })
}

func mergeSignal(r replacement, code string, l Level, text string) signal {
	return signal{Flag: Flag{
		Code: code, Level: l, Record: r.from.Record.Record, Place: "/merge/replaces/" + strconv.Itoa(r.at), Rule: "D1.5",
		Inputs: inputs("replaced", r.old.Key()), Text: text,
	}}
}

// mapMerges gives the sources that the links are made of, and the flags of the
// patient's own merges: those that stand as they came, and those that are
// contradicted or not shown.
func (v *patientView) mapMerges(b *builder, m merged) (sources []Source, flags []Flag) {
	b.links = m.links
	for _, c := range m.sources {
		sources = append(sources, b.source(c))
	}
	for _, c := range v.current {
		if c.Record.Kind != "merge" {
			continue
		}
		raised := standingSignals(c, "", v.s.Clinic.Zone)
		for _, s := range m.signals {
			if s.Record == c.Record.Record {
				raised = append(raised, s)
			}
		}
		published := b.perPatient()
		if !m.publishes(&c) {
			published = nil
		}
		flags = append(flags, publish(published, raised, v.acksOf(""))...)
	}
	return sources, flags
}

// What a narrative says of links. It names nobody: an earlier version may
// outlive the word on sharing of the other (D3.1).
const (
	saysReplaced = "Status: no longer in use; another record of the same person replaces this one."
	saysReplaces = "This record replaces another of the same person."
)

// link puts the links on a Patient, which is out of use where one replaces it.
func (b *builder) link(p *ppb.Patient) {
	for _, l := range b.links {
		typ := cpb.LinkTypeCode_REPLACES
		if l.replaced {
			typ, p.Active = cpb.LinkTypeCode_REPLACED_BY, &dpb.Boolean{Value: false}
		}
		p.Link = append(p.Link, &ppb.Patient_Link{
			Other: r4.Ref(b.s.patientRef(l.other)), Type: &ppb.Patient_Link_TypeCode{Value: typ},
		})
	}
}

// linkText is the part of the narrative that tells of links.
func linkText(t *r4.Text, links []*ppb.Patient_Link) *r4.Text {
	for _, says := range []struct {
		typ  cpb.LinkTypeCode_Value
		text string
	}{{cpb.LinkTypeCode_REPLACED_BY, saysReplaced}, {cpb.LinkTypeCode_REPLACES, saysReplaces}} {
		if linked(links, says.typ) {
			t.Line(says.text)
		}
	}
	return t
}

func linked(links []*ppb.Patient_Link, typ cpb.LinkTypeCode_Value) bool {
	return slices.ContainsFunc(links, func(l *ppb.Patient_Link) bool { return l.GetType().GetValue() == typ })
}

// Unlink takes from a stored Patient the links to all but some others, and what
// the links alone said of it: where the fold makes the Patient no more, and where
// it fails and one of the others may not be named any more (D1.5, D3.1).
func Unlink(r resource.Resource, keep []resource.Ref) (out resource.Resource, changed bool, err error) {
	msg, err := r4.Unmarshal(r.JSON())
	if err != nil {
		return r, false, err
	}
	p, ok := msg.(*ppb.Patient)
	if !ok {
		return r, false, nil
	}
	before := len(p.Link)
	p.Link = slices.DeleteFunc(p.Link, func(l *ppb.Patient_Link) bool {
		return !slices.ContainsFunc(keep, func(ref resource.Ref) bool { return ref.ID == l.GetOther().GetPatientId().GetValue() })
	})
	if len(p.Link) == before {
		return r, false, nil
	}
	p.Active = nil
	if linked(p.Link, cpb.LinkTypeCode_REPLACED_BY) {
		p.Active = &dpb.Boolean{Value: false}
	}
	p.Text.Div.Value = strings.NewReplacer("<p>"+saysReplaced+"</p>", "", "<p>"+saysReplaces+"</p>", "").Replace(p.Text.Div.Value)
	p.Text.Div.Value = strings.TrimSuffix(p.Text.Div.Value, "</div>") + linkText(&r4.Text{}, p.Link).HTML() + "</div>"
	out, err = r4.Marshal(p)
	return out, true, err
}

// joinedRefs are the Patients whom the patient's may name.
func (v *patientView) joinedRefs(sharing Sharing) []resource.Ref {
	var out []resource.Ref
	for _, l := range v.merged(sharing).links {
		out = append(out, v.s.patientRef(l.other))
	}
	return out
}
