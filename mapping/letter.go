package mapping

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	cpb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/codes_go_proto"
	dpb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/datatypes_go_proto"
	cmpb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/resources/composition_go_proto"

	"nailbridge/mapping/followup"
	"nailbridge/mapping/internal/r4"
	"nailbridge/mapping/record"
	"nailbridge/mapping/resource"
	"nailbridge/mapping/safety"
)

// Letter is the letter of a case to the patient's other carers, as text.
type Letter struct {
	Case string
	Text string
}

// letterTitle is the title of every letter.
const letterTitle = "Letter on toenail surgery"

// letterCaution stands under every letter.
const letterCaution = "Made from the clinic's record. Figures are shown with their inputs and limits in the record itself; local protocol, the product label and the licensed clinician decide."

// watchFor is what a patient is to watch for (C-58, C-59).
const watchFor = "Watch for a dusky, white, cold or numb toe, throbbing pain, spreading redness, pus, fever, or blood coming through the dressing: call the same day."

// section is one heading of a letter in the making: local code, lines and
// entries.
type section struct {
	code    record.Code
	lines   []string
	entries []resource.Ref
}

func (s *section) line(format string, args ...any) {
	if text := strings.TrimSpace(r4.Clean(fmt.Sprintf(format, args...))); text != "" {
		s.lines = append(s.lines, text)
	}
}

func (s *section) entry(refs ...resource.Ref) {
	for _, r := range refs {
		if r != (resource.Ref{}) && !slices.Contains(s.entries, r) {
			s.entries = append(s.entries, r)
		}
	}
}

// letter builds the letter of the case: one Composition with a stable id, whose
// versions are its history (D6). Its headings are those of an outpatient letter
// and of an operation note (C-68 to C-70), as local codes. A patient who declined
// a letter has none, and what the record keeps back is not in it (D3.2).
func (c *caseFold) letter() {
	if c.sur.Letter == "declined" {
		return
	}
	ref := c.caseRef("Composition", "letter")
	sections := c.letterSections()
	out := &cmpb.Composition{
		Id:         r4.ID(ref.ID),
		Identifier: c.identifier("letter", c.caseID),
		Status:     &cmpb.Composition_StatusCode{Value: c.letterStatus()},
		Type:       r4.CodeableConcept(letterTitle), // preferred binding: no code of ours (D5.7)
		Subject:    r4.Ref(c.patientRef()),
		Encounter:  r4.Ref(c.encounterRef(c.caseID)),
		Date:       c.letterDate(),
		Author:     []*dpb.Reference{c.whoOrClinic(c.rec.Author)},
		Custodian:  r4.Ref(c.orgRef()),
		Title:      r4.String(letterTitle),
	}
	t := r4.NewText(letterTitle)
	text := []string{letterTitle}
	for _, s := range sections {
		out.Section = append(out.Section, c.letterSection(s))
		title := c.s.Terms.Translate("letter-section", s.code, c.s.Codes).Text
		t.List(title, s.lines...)
		text = append(text, "", title)
		text = append(text, s.lines...)
		if len(s.lines) == 0 {
			text = append(text, "Nothing is recorded.")
		}
	}
	out.Text = t.Line(letterCaution).Narrative()
	c.letters = append(c.letters, Letter{Case: c.caseID, Text: strings.Join(append(text, "", letterCaution), "\n") + "\n"})
	c.add(out)
}

// letterStatus is amended as soon as a review, a contact or an amended surgery
// counts, else final (D6).
func (c *caseFold) letterStatus() cpb.CompositionStatusCode_Value {
	if len(c.later) > 0 || c.rec.Status == "amended" {
		return cpb.CompositionStatusCode_AMENDED
	}
	return cpb.CompositionStatusCode_FINAL
}

// letterDate is when the last of what the letter tells took place.
func (c *caseFold) letterDate() *dpb.DateTime {
	last := c.sur.SittingAt()
	for _, r := range c.later {
		if at := r.VisitAt(); at != nil && (last == nil || last.Before(*at, c.s.Clinic.Zone)) {
			last = at
		}
	}
	if last == nil {
		return r4.AbsentDateTime("unknown")
	}
	return c.when(last)
}

// letterSection writes one section. A heading for which the record has nothing
// says so, and has nothing else (cmp-2).
func (c *caseFold) letterSection(s section) *cmpb.Composition_Section {
	concept := c.translate("letter-section", s.code)
	out := &cmpb.Composition_Section{Code: concept, Title: r4.String(c.s.Terms.Translate("letter-section", s.code, c.s.Codes).Text)}
	if len(s.entries) == 0 && len(s.lines) == 0 {
		out.EmptyReason = r4.CodeableConcept("Nothing is recorded")
		out.Text = r4.NewText("Nothing is recorded.").Narrative()
		return out
	}
	out.Entry = r4.Refs(s.entries...)
	if len(s.lines) > 0 {
		t := &r4.Text{}
		for _, l := range s.lines {
			t.Line(l)
		}
		out.Text = t.Narrative()
	}
	return out
}

func (c *caseFold) letterSections() []section {
	return []section{
		c.letterPatient(), c.letterDiagnosis(), c.letterHistory(), c.letterAllergies(), c.letterProcedures(),
		c.letterAnaesthetic(), c.letterMedications(), c.letterFindings(), c.letterAlerts(), c.letterPlan(), c.letterAdvice(), c.letterAuthor(),
	}
}

func (c *caseFold) letterPatient() section {
	s := section{code: "demographics"}
	s.entry(c.patientRef())
	s.line("Patient number %s", c.owner.Value)
	if p := c.in.Patient; p != nil {
		s.line("%s", r4.NameText(p.Name))
		if p.BirthDate != nil {
			s.line("Born %s", whenText(p.BirthDate))
		}
	}
	return s
}

func (c *caseFold) letterAuthor() section {
	s := section{code: "person-completing"}
	if ref, ok := c.practitionerRef(c.rec.Author); ok {
		s.entry(ref)
	}
	s.line("%s", personText(c.rec.Author))
	s.line("%s", c.s.Clinic.Name)
	return s
}

func (c *caseFold) letterDiagnosis() section {
	s := section{code: "diagnosis"}
	if !c.hasIndication() {
		return s
	}
	i := c.sur.Indication
	s.entry(c.conditionRef())
	s.line("%s", joinText(record.ConditionSet.Display(i.Condition), i.Text))
	if i.Stage != "" {
		s.line("%s (%s)", record.StageSet.Display(i.Stage), record.StageSystemSet.Display(i.StageSystem))
	}
	for _, x := range c.complications() {
		s.entry(x.ref)
		s.line("Complication: %s", joinText(c.s.Terms.Translate(x.set, x.code, c.s.Codes).Text, x.text))
	}
	return s
}

// letterHistory holds the risks that were answered yes.
func (c *caseFold) letterHistory() section {
	s := section{code: "history"}
	for _, x := range riskAnswers(c.sur.Risks) {
		if x.answer == "yes" {
			s.entry(c.observationRef("risk", c.caseID, string(x.code)))
			s.line("%s", c.s.Terms.Translate("risk", x.code, c.s.Codes).Text)
		}
	}
	return s
}

func (c *caseFold) letterAllergies() section {
	s := section{code: "allergies"}
	if a := c.sur.Allergies; a != nil && a.Status != "" {
		s.entry(c.observationRef("allergies-asked", c.caseID))
		s.line("%s", record.AllergyStatusSet.Display(a.Status))
	}
	for _, a := range c.in.Allergies {
		s.entry(c.ownRef("AllergyIntolerance", allergyKey(a)))
		s.line("%s", joinText(record.AllergenSet.Display(a.Substance), a.Text))
	}
	return s
}

// letterProcedures holds what was done, border by border, with the seconds of
// the chemical, and the minutes of the tourniquet, toe by toe.
func (c *caseFold) letterProcedures() section {
	s := section{code: "procedures"}
	s.entry(c.procedureRef("sitting"))
	s.line("%s", joinText(record.OutcomeSet.Display(c.sur.Outcome), spanText(c.sur.Start, c.sur.End)))
	s.line("%s", c.sur.OutcomeReason)
	keys := record.ToeKeys(c.sur.Toes)
	toes := safety.ToePlaces(c.sur)
	for i := range c.sur.Toes {
		t := &c.sur.Toes[i]
		for j, bk := range record.BorderKeys(t.Borders) {
			b := &t.Borders[j]
			s.entry(c.built(c.procedureRef("nail", keys[i], bk), c.procedureRef("matrix", keys[i], bk))...)
			s.line("%s: %s", placeText(t.Side, t.Digit, b.Border), cmp.Or(record.ProcedureSet.Display(b.Procedure), "operated on"))
			s.line("%s", c.chemicalText(b, safety.BorderPlaces(toes[i], t)[j]))
		}
		for _, pk := range record.TourniquetKeys(t.Tourniquets) {
			s.entry(c.procedureRef("tourniquet", keys[i], pk))
		}
		if minutes := c.figureAt(safety.TourniquetTotal, toes[i]+"/tourniquets"); minutes != "" {
			s.line("Tourniquet on the %s: %s min", placeText(t.Side, t.Digit, ""), minutes)
		}
	}
	return s
}

// built are those of the resources that were made.
func (c *caseFold) built(refs ...resource.Ref) []resource.Ref {
	return slices.DeleteFunc(refs, func(r resource.Ref) bool { return !c.has(r) })
}

// chemicalText names the chemical and its contact time at a border.
func (c *caseFold) chemicalText(b *record.Border, place string) string {
	m := b.Matrix
	if m == nil || m.Agent == "" {
		return ""
	}
	text := record.ChemicalSet.Display(m.Agent) + " " + percentText(m.Percent)
	if seconds := c.figureAt(safety.ContactSeconds, place+"/matrix"); seconds != "" {
		text += ", " + seconds + " s"
	}
	return "Matrix treated with " + strings.TrimSpace(text)
}

// figureAt is the value of a figure at a place; "" where there is none or
// figures are hidden.
func (c *caseFold) figureAt(code, place string) string {
	if c.s.Clinic.HideFigures {
		return ""
	}
	for _, f := range c.safe.Figures {
		if f.Code == code && f.Place == place {
			return f.Value
		}
	}
	return ""
}

// letterAnaesthetic holds the anaesthetics with their mass.
func (c *caseFold) letterAnaesthetic() section {
	s := section{code: "anaesthetic"}
	keys := record.ToeKeys(c.sur.Toes)
	places := safety.ToePlaces(c.sur)
	for i := range c.sur.Toes {
		t := &c.sur.Toes[i]
		for j, place := range safety.AgentPlaces(places[i], t) {
			a := &t.Block.Agents[j]
			s.entry(c.administrationRef(keys[i], record.AgentKeys(t.Block.Agents)[j]))
			text := strings.TrimSpace(record.AnaestheticSet.Display(a.Agent) + " " + percentText(a.Percent) + ratioText(a.Ratio))
			if a.ML != nil {
				text += ", " + a.ML.String() + " mL"
			}
			if mg := c.figureAt(safety.DoseMass, place); mg != "" {
				s.entry(c.built(c.figureRef(safety.DoseMass, place))...)
				text += " = " + mg + " mg"
			}
			s.line("%s: %s", placeText(t.Side, t.Digit, ""), text)
		}
	}
	return s
}

func (c *caseFold) letterMedications() section {
	s := section{code: "medications"}
	for _, r := range append([]*record.Record{c.rec}, c.later...) {
		_, antibiotics, _ := sentOf(r)
		for i, key := range record.AntibioticKeys(antibiotics) {
			a := &antibiotics[i]
			s.entry(c.caseRef("MedicationStatement", r.Record, key))
			s.line("%s", joinText(joinText(antibioticText(a), doseText(a)), strings.ToLower(record.SupplierSet.Display(a.Supplier))))
		}
	}
	return s
}

// letterFindings holds what the reviews and contacts found.
func (c *caseFold) letterFindings() section {
	s := section{code: "findings"}
	for _, r := range c.later {
		s.entry(c.observed[r.Record]...)
		s.line("%s of %s", record.KindSet.Display(r.Kind), cmp.Or(whenText(r.VisitAt()), "a day not recorded"))
		eachBorderFinding(r, func(p place, f *record.BorderFindings) {
			var found []string
			if f.WoundStage != "" {
				found = append(found, strings.ToLower(record.WoundStageSet.Display(f.WoundStage)))
			}
			if f.HealedOn != nil {
				found = append(found, "healed on "+whenText(f.HealedOn))
			}
			if f.Infection != nil && f.Infection.Diagnosis != "" {
				found = append(found, strings.ToLower(record.DiagnosisSet.Display(f.Infection.Diagnosis)))
			}
			if f.Discharge != nil {
				found = append(found, "discharged")
			}
			if len(found) > 0 {
				s.line("%s: %s", placeText(p.side, p.digit, p.border), strings.Join(found, ", "))
			}
		})
	}
	return s
}

// letterAlerts holds the flags that are published and open.
func (c *caseFold) letterAlerts() section {
	s := section{code: "safety-alerts"}
	for _, f := range c.flags {
		if f.Level != Note && f.Open() {
			s.entry(c.issueRef(f.ID))
			s.line("%s", f.Text)
		}
	}
	return s
}

// letterPlan holds the follow-up with the next dates.
func (c *caseFold) letterPlan() section {
	s := section{code: "plan"}
	if c.plan.Status == followup.NoPlan {
		return s
	}
	s.entry(c.planRef())
	s.line("Follow-up %s", c.plan.Status)
	for _, a := range c.plan.Activities {
		if a.Status.Open() {
			s.line("%s", activityText(a))
		}
	}
	s.line("The clinic follows the toe until it is discharged.")
	return s
}

// letterAdvice holds the advice given, what to watch for and whom to call.
func (c *caseFold) letterAdvice() section {
	s := section{code: "advice"}
	s.entry(c.built(c.procedureRef("advice"), c.observationRef("contact-for-trouble", c.caseID))...)
	if a := c.sur.Advice; a != nil {
		s.line("%s", a.Text)
	}
	s.line("%s", watchFor)
	if h := c.sur.Home; h != nil && r4.Clean(h.Contact) != "" {
		s.line("Contact: %s", h.Contact)
	}
	return s
}
