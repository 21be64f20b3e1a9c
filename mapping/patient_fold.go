package mapping

import (
	"cmp"
	"maps"
	"slices"
	"strings"
	"time"

	"nailbridge/mapping/record"
	"nailbridge/mapping/resource"
	"nailbridge/mapping/safety"
)

// Current is a content that counts, with what its standing says.
type Current struct {
	*Delivery
	Standing Standing
	// NewerHeld: a newer content of the record id is held (D2, held).
	NewerHeld bool
}

// patientView is a PatientFold sorted out: which contents count, which cases
// they make, which records wait.
type patientView struct {
	s       Settings
	in      PatientFold
	current []Current // counting, naming the patient, not withdrawn; by record id
	cases   []caseView
	waiting []Current
	moved   []string
	// kinds are the record ids that were sent as records of several kinds.
	kinds []kindChange
	// endangered are the cases of which a held content withdraws a record or
	// changes what it was done to.
	endangered []string
}

// caseView is one surgery with its reviews and contacts.
type caseView struct {
	surgery Current
	visits  []Current
}

// FoldPatient folds everything known at one clinic about one patient: the
// cases, each by mapCase, the resources folded per patient, and those of the
// clinic that they name (D1.3). An error is a fault of ours.
func FoldPatient(s Settings, in PatientFold) (Result, error) {
	v := newPatientView(s, in)
	sharing := decideSharing(in.Deliveries, in.Patient, s.Clinic)
	out := Result{
		Patient: in.Patient,
		Shared:  sharing.Shared, SharingBasis: sharing.Basis, Moved: v.moved,
	}
	for _, w := range v.waiting {
		out.Waiting = append(out.Waiting, w.Record.Record)
	}
	b := newBuilder(s, in.Patient)
	published := 0
	for _, c := range v.cases {
		out.merge(mapCase(b, v.caseInput(c)))
		published++
	}
	for _, w := range v.waiting {
		id := w.Record.Case()
		wr := mapWaiting(b, w, slices.Contains(v.moved, id), v.acksOf(id), sharing)
		out.merge(wr)
		if wr.published {
			published++
		}
	}
	joined := v.merged(sharing)
	sources, flags := v.mapMerges(b, joined)
	out.Sources, out.Flags = append(out.Sources, sources...), append(out.Flags, flags...)
	if published+len(joined.links) > 0 {
		v.mapPatientContext(b, sharing)
		out.Flags = append(out.Flags, v.patientSignals(b.perPatient(), sharing)...)
		v.mapClinic(b, sharing)
	} else {
		out.Flags = append(out.Flags, v.patientSignals(nil, sharing)...)
	}
	return out, b.into(&out)
}

// into finishes the builder and puts what it built into the result, sorted.
func (b *builder) into(out *Result) error {
	resources, caseOf, err := b.finish()
	out.Resources, out.CaseOf = resources, caseOf
	out.sort()
	return err
}

func newPatientView(s Settings, in PatientFold) *patientView {
	v := &patientView{s: s, in: in}
	byID := map[string][]Delivery{}
	for _, d := range in.Deliveries {
		byID[d.Record.Record] = append(byID[d.Record.Record], d)
	}
	ids := make([]string, 0, len(byID))
	for id := range byID {
		ids = append(ids, id)
	}
	slices.Sort(ids)
	for _, id := range ids {
		st := Stand(byID[id], s.Clinic.Zone)
		v.place(id, st)
		if k := kindsOf(byID[id], in.Patient, st); len(k.kinds) > 1 {
			v.kinds = append(v.kinds, k)
		}
	}
	v.group()
	return v
}

// place sorts one record id's standing into the view.
func (v *patientView) place(id string, st Standing) {
	if st.Current == nil {
		return
	}
	r := st.Current.Record
	if !names(r, v.in.Patient) {
		if r.Kind == "surgery" {
			v.moved = append(v.moved, id)
		}
		return
	}
	if r.Status == "withdrawn" {
		return
	}
	if endangers(st) {
		v.endangered = append(v.endangered, r.Case())
		if r.Kind == "surgery" && !names(st.Top.Record, v.in.Patient) {
			v.moved = append(v.moved, id)
		}
		return
	}
	v.current = append(v.current, Current{Delivery: st.Current, Standing: st, NewerHeld: st.Top != st.Current})
}

// endangers reports that the newest content is held and withdraws the record
// or changes its patient, toe, side, border, procedure or whom it replaces: what stands in must
// not be shown meanwhile (D2, held).
func endangers(st Standing) bool {
	if st.Top == st.Current {
		return false
	}
	top, cur := st.Top.Record, st.Current.Record
	if top.Status == "withdrawn" {
		return true
	}
	return !slices.Equal(operated(top), operated(cur)) || patientValue(top) != patientValue(cur)
}

func patientValue(r *record.Record) record.Identifier {
	if r.Patient == nil || r.Patient.Identifier == nil {
		return record.Identifier{}
	}
	return *r.Patient.Identifier
}

// operated lists toe, border and procedure of everything a record touches, and
// whom it says to be replaced.
func operated(r *record.Record) []string {
	var out []string
	add := func(side, digit record.Code, border, procedure record.Code) {
		out = append(out, strings.Join([]string{string(side), string(digit), string(border), string(procedure)}, "|"))
	}
	if r.Surgery != nil {
		for _, t := range r.Surgery.Toes {
			add(t.Side, t.Digit, "", "")
			for _, b := range t.Borders {
				add(t.Side, t.Digit, b.Border, b.Procedure)
			}
		}
	}
	for _, t := range findingsOf(r) {
		add(t.Side, t.Digit, "", "")
		for _, b := range t.Borders {
			add(t.Side, t.Digit, b.Border, "")
		}
	}
	if r.Merge != nil {
		for _, id := range r.Merge.Replaces {
			out = append(out, id.Key())
		}
	}
	slices.Sort(out)
	return slices.Compact(out)
}

// findingsOf gives the toe findings of a review or contact.
func findingsOf(r *record.Record) []record.ToeFindings {
	switch {
	case r.Review != nil:
		return r.Review.Toes
	case r.Contact != nil:
		return r.Contact.Toes
	}
	return nil
}

// group joins visits to their surgeries; a visit whose surgery is unknown,
// withdrawn or another patient's waits.
func (v *patientView) group() {
	at := map[string]int{}
	for _, c := range v.current {
		if c.Record.Kind == "surgery" {
			at[c.Record.Record] = len(v.cases)
			v.cases = append(v.cases, caseView{surgery: c})
		}
	}
	for _, c := range v.current {
		if c.Record.Kind == "surgery" || c.Record.Kind == "merge" {
			continue
		}
		if i, ok := at[c.Record.Case()]; ok {
			v.cases[i].visits = append(v.cases[i].visits, c)
		} else {
			v.waiting = append(v.waiting, c)
		}
	}
}

func (v *patientView) acksOf(caseID string) []Acknowledgement {
	var out []Acknowledgement
	for _, a := range v.in.Acks {
		if a.Case == caseID {
			out = append(out, a)
		}
	}
	slices.SortFunc(out, func(a, b Acknowledgement) int {
		return cmp.Or(a.At.Compare(b.At), strings.Compare(a.Flag, b.Flag), strings.Compare(a.InputsHash, b.InputsHash),
			strings.Compare(a.Who.Key(), b.Who.Key()), strings.Compare(a.Reason, b.Reason))
	})
	return out
}

// demographics are what the current contents state of the patient: each detail
// as the latest statement that gives it has it, by (saved-at, record,
// revision), historical ones only where no live one exists (D1.3). A review
// that names only the patient's number takes no name away.
func (v *patientView) demographics() *record.Patient {
	if len(v.current) == 0 {
		return nil
	}
	live := slices.ContainsFunc(v.current, func(c Current) bool { return !c.Record.Historical })
	out := &record.Patient{Identifier: &v.in.Patient}
	for _, c := range v.sorted() {
		if !c.Record.Historical || !live {
			overlayPatient(out, believed(c, v.s.Clinic.Zone))
		}
	}
	return out
}

// believed is the patient as a content states it, without a death that had not
// come to pass when the content was received.
func believed(c Current, zone *time.Location) *record.Patient {
	p := c.Record.Patient
	if p == nil || !p.DeathDate.Ahead(c.Received, zone) {
		return p
	}
	alive := *p
	alive.DeathDate = nil
	return &alive
}

// overlayPatient takes over what a later statement gives.
func overlayPatient(out, later *record.Patient) {
	if later.Name != nil {
		out.Name = later.Name
	}
	if later.BirthDate != nil {
		out.BirthDate = later.BirthDate
	}
	if later.DeathDate != nil {
		out.DeathDate = later.DeathDate
	}
	out.Gender = cmp.Or(later.Gender, out.Gender)
	out.Phone = cmp.Or(later.Phone, out.Phone)
	if later.AddressLine != "" || later.City != "" || later.PostalCode != "" {
		out.AddressLine, out.City, out.PostalCode = later.AddressLine, later.City, later.PostalCode
	}
}

// compareContext orders current contents as statements about the patient.
func (v *patientView) compareContext(a, b *Current) int {
	if a.Record.Historical != b.Record.Historical {
		if a.Record.Historical {
			return -1
		}
		return 1
	}
	return compareStatement(a.Delivery, b.Delivery, v.s.Clinic.Zone)
}

// sorted are the current contents as statements about the patient, the latest
// last.
func (v *patientView) sorted() []Current {
	out := slices.Clone(v.current)
	slices.SortFunc(out, func(a, b Current) int { return v.compareContext(&a, &b) })
	return out
}

// statements are the records of sorted.
func (v *patientView) statements() []*record.Record {
	var out []*record.Record
	for _, c := range v.sorted() {
		out = append(out, c.Record)
	}
	return out
}

// caseInput gathers what one case is folded from.
func (v *patientView) caseInput(c caseView) CaseInput {
	id := c.surgery.Record.Record
	in := CaseInput{Surgery: c.surgery, Visits: c.visits, Acks: v.acksOf(id), Patient: v.demographics()}
	for _, f := range v.in.Facts {
		if f.Case == id {
			in.Facts = append(in.Facts, f)
		}
	}
	for _, other := range v.cases {
		if o := other.surgery.Record; o.Record != id {
			in.Others = append(in.Others, safety.GivenDoses(o.Record, o.Surgery, v.s.Clinic.Zone)...)
		}
	}
	in.Allergies = v.allergiesAt(c.surgery.Record)
	return in
}

// allergiesAt are the allergies that stood when a surgery took place: by its own
// record, and by those of what came before it. An allergy found out later says
// nothing of what was known at the sitting.
func (v *patientView) allergiesAt(surgery *record.Record) []record.Allergy {
	sitting := surgery.Surgery.SittingAt()
	var known []*record.Record
	for _, r := range v.statements() {
		at := r.HappenedAt()
		if r != surgery && sitting != nil && at != nil && at.Before(*sitting, v.s.Clinic.Zone) {
			known = append(known, r)
		}
	}
	stand := standAllergies(append(known, surgery))
	out := []record.Allergy{}
	for _, key := range slices.Sorted(maps.Keys(stand.items)) {
		if a := stand.items[key]; !a.refuted {
			out = append(out, a.item)
		}
	}
	return out
}

// merge adds one case's part to the result.
func (r *Result) merge(c caseResult) {
	r.Flags = append(r.Flags, c.flags...)
	r.Figures = append(r.Figures, c.figures...)
	r.Sources = append(r.Sources, c.sources...)
	r.Letters = append(r.Letters, c.letters...)
	if c.plan != nil {
		r.Cases = append(r.Cases, *c.plan)
	}
}

// sort puts the flags of a case gravest first.
func (r *Result) sort() {
	resource.Sort(r.Resources)
	slices.SortFunc(r.Flags, func(a, b Flag) int {
		return cmp.Or(strings.Compare(a.Case, b.Case), cmp.Compare(b.Level.Rank(), a.Level.Rank()),
			strings.Compare(a.Code, b.Code), strings.Compare(a.Place, b.Place), strings.Compare(a.ID, b.ID))
	})
	slices.SortStableFunc(r.Figures, func(a, b Figure) int { return strings.Compare(a.Case, b.Case) })
	slices.SortFunc(r.Sources, func(a, b Source) int {
		return cmp.Or(strings.Compare(a.Case, b.Case), strings.Compare(a.Record, b.Record))
	})
	slices.Sort(r.Waiting)
}
