package mapping

import (
	"fmt"
	"slices"
	"time"

	"nailbridge/mapping/followup"
	"nailbridge/mapping/record"
	"nailbridge/mapping/safety"
)

// CaseInput is what one case is folded from (D1.3).
type CaseInput struct {
	Surgery Current
	Visits  []Current // current reviews and contacts, in any order
	Facts   []OverdueFact
	Acks    []Acknowledgement
	// Others are the patient's other local anaesthetics at this clinic.
	Others []safety.GivenDose
	// Allergies are those that stood for the patient at the sitting; nil: as the
	// surgery states.
	Allergies []record.Allergy
	// Patient is the demographics that count; nil: as the surgery states.
	Patient *record.Patient
}

// caseFold is one case in the making.
type caseFold struct {
	*builder
	in      CaseInput
	rec     *record.Record
	sur     *record.Surgery
	safe    safety.Result
	spots   map[string]spot // by place of the safety arithmetic
	planIn  followup.Input
	plan    followup.Output
	flags   []Flag
	figures []Figure
	letters []Letter
}

// mapCase folds one case into the builder of its patient's fold.
func mapCase(b *builder, in CaseInput) caseResult {
	received := map[string]time.Time{in.Surgery.Record.Record: in.Surgery.Received}
	for _, v := range in.Visits {
		received[v.Record.Record] = v.Received
	}
	in.Visits = slices.SortedFunc(slices.Values(in.Visits), func(x, y Current) int {
		return followup.CompareVisits(x.Record, y.Record, received, b.s.Clinic.Zone)
	})
	rec := in.Surgery.Record
	if in.Patient == nil {
		in.Patient = believed(in.Surgery, b.s.Clinic.Zone)
	}
	var later []*record.Record
	for _, v := range in.Visits {
		later = append(later, v.Record)
	}
	c := &caseFold{builder: b.inCase(rec.Record, rec, later), in: in, rec: rec, sur: rec.Surgery}
	c.received = received
	c.safe = safety.Surgery(c.safetyInput())
	c.spots = c.readSpots()
	c.planIn = c.planInput()
	c.plan = followup.Plan(c.planIn)
	c.planned = c.plan.Status != followup.NoPlan
	c.resources()
	c.raise()
	c.letter()
	return caseResult{flags: c.flags, figures: c.figures, sources: c.sources(), plan: c.listed(), letters: c.letters, published: true}
}

// MapCase folds one case alone: its resources, flags, notes and figures (D1.3).
// The resources folded per patient and per clinic are FoldPatient's.
func MapCase(s Settings, owner record.Identifier, in CaseInput) (Result, error) {
	b := newBuilder(s, owner)
	out := Result{Patient: owner}
	out.merge(mapCase(b, in))
	return out, b.into(&out)
}

// caseResult is what a case adds to a Result beside resources.
type caseResult struct {
	flags     []Flag
	figures   []Figure
	sources   []Source
	plan      *Case
	letters   []Letter
	published bool
}

func (c *caseFold) safetyInput() safety.SurgeryInput {
	in := safety.SurgeryInput{
		Surgery: c.sur, Zone: c.s.Clinic.Zone, Formulary: c.s.Clinic.Formulary, Others: c.in.Others,
		AgeYears: ageAt(c.in.Patient, c.sur.SittingAt()), Allergies: c.in.Allergies,
		AgeMonths: monthsAt(c.in.Patient, c.sur.SittingAt()), Weight: c.s.Clinic.WeightConvention,
		RiskTourniquet: c.s.Clinic.RiskTourniquet, Historical: c.rec.Historical,
	}
	if m := c.sur.Measurements; m != nil {
		in.HeightCm = m.HeightCm
	}
	if c.in.Patient != nil {
		in.Sex = c.in.Patient.Gender
	}
	if in.Allergies == nil && c.sur.Allergies != nil {
		in.Allergies = c.sur.Allergies.Items
	}
	for _, v := range c.in.Visits {
		if r := v.Record.Review; r != nil && r.Attended() == "attended" {
			in.FirstReview = r.At
			break
		}
	}
	return in
}

// ageAt is the age in completed years; nil when birth or sitting are not known
// to the day.
func ageAt(p *record.Patient, at *record.When) *int {
	months := monthsAt(p, at)
	if months == nil {
		return nil
	}
	years := *months / 12
	return &years
}

// monthsAt is the age in completed months, known where ageAt is.
func monthsAt(p *record.Patient, at *record.When) *int {
	if p == nil || p.BirthDate == nil || at == nil || p.BirthDate.Precision < record.PrecisionDay || at.Precision < record.PrecisionDay {
		return nil
	}
	b := p.BirthDate
	months := (at.Year-b.Year)*12 + int(at.Month) - int(b.Month)
	if at.Day < b.Day {
		months--
	}
	if months < 0 {
		return nil
	}
	return &months
}

func (c *caseFold) planInput() followup.Input {
	in := followup.Input{
		Surgery: c.rec, Responses: c.later, Zone: c.s.Clinic.Zone, Received: c.received,
		Historical: c.rec.Historical && !c.rec.Followed, DaysOff: c.s.Clinic.DaysOff,
	}
	name := c.sur.Protocol
	if name == "" {
		name = c.s.Clinic.DefaultProtocol
	}
	in.Protocol = c.s.protocol(name)
	if c.in.Patient != nil {
		in.DeathDate = c.in.Patient.DeathDate
	}
	in.Overdue = factsOf(c.in.Facts, c.caseID)
	return in
}

// resources builds every resource of the case but the issues.
func (c *caseFold) resources() {
	c.encounters()
	c.conditions()
	c.procedureConsent()
	c.letterConsent()
	c.sitting()
	for i, key := range record.ToeKeys(c.sur.Toes) {
		c.toe(&c.sur.Toes[i], key)
	}
	c.surgeryFindings()
	c.sent(c.rec)
	for _, v := range c.later {
		c.visitFindings(v)
	}
	c.doseFigures()
	c.carePlan()
}

func (c *caseFold) sources() []Source {
	out := []Source{c.source(c.in.Surgery)}
	for _, v := range c.in.Visits {
		out = append(out, c.source(v))
	}
	return out
}

// source names a folded content for Provenance, whose author is one of the
// staff then.
func (b *builder) source(cur Current) Source {
	b.practitionerRef(cur.Record.Author)
	hash, err := publishedHash(cur.Record)
	if err != nil {
		b.errs = append(b.errs, err)
	}
	r := cur.Record
	s := Source{
		Record: r.Record, Case: b.caseID, Hash: hash, Kind: r.Kind,
		Revision: r.Revision, SavedAt: r.SavedAt, Status: r.Status, Historical: r.Historical, Followed: r.Followed, SchemaVersion: r.SchemaVersion, Converted: r.Converted,
	}
	if cur.Record.Author != nil {
		s.Author = *cur.Record.Author
	}
	return s
}

// publishedHash is the hash of the publishable part of a record: what D3
// keeps back must not change what a hub sees (D3.2, D5.9).
func publishedHash(r *record.Record) (string, error) {
	p := *r
	p.SavedAt, p.Converted, p.SafeguardingNote, p.WithheldNote = nil, nil, "", ""
	withoutWithheldPhotos(&p)
	b, err := record.Encode(&p)
	if err != nil {
		return "", fmt.Errorf("mapping: hash of a record: %w", err)
	}
	return record.ContentHash(b)
}

// listed is the case as the clinic's lists show it; nil without a plan.
func (c *caseFold) listed() *Case {
	if c.plan.Status == followup.NoPlan {
		return nil
	}
	return &Case{Surgery: c.caseID, Status: string(c.plan.Status), Activities: c.plan.Activities}
}
