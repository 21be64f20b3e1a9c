package mapping

import (
	"math/big"
	"strconv"
	"strings"

	cpb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/codes_go_proto"
	dpb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/datatypes_go_proto"
	mapb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/resources/medication_administration_go_proto"
	mpb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/resources/medication_go_proto"

	"nailbridge/mapping/internal/r4"
	"nailbridge/mapping/record"
	"nailbridge/mapping/terms"
)

// injection builds the Medication of one local anaesthetic as drawn up and
// the MedicationAdministration of it as given.
func (c *caseFold) injection(t *record.Toe, key string, a *record.Agent, ak string) {
	med := c.medicationRef("agent", key, ak)
	m := &mpb.Medication{
		Id:         r4.ID(med.ID),
		Identifier: []*dpb.Identifier{c.identifier("medication", partValue(c.caseID, "agent/"+key+"/"+ak))},
		Status:     &mpb.Medication_StatusCode{Value: cpb.MedicationStatusCode_ACTIVE},
		Code:       c.solution(a),
		Batch:      batch(a.Batch, a.Expiry),
	}
	t1 := r4.NewText("Local anaesthetic").Row("Agent", record.AnaestheticSet.Display(a.Agent)).
		Row("Strength", percentText(a.Percent)).Row("Batch", a.Batch).Row("Expiry", whenText(a.Expiry))
	item := c.translate("anaesthetic", a.Agent)
	if item == nil && a.Percent != nil {
		item = r4.AbsentConcept("unknown")
	}
	if item != nil {
		m.Ingredient = append(m.Ingredient, ingredient(item, perML(a.Percent)))
	}
	if item := c.vasoconstrictor(a); item != nil {
		m.Ingredient = append(m.Ingredient, ingredient(item, oneInN(a.Ratio)))
	}
	if a.Vasoconstrictor != "" || a.Ratio != nil {
		t1.Row("Vasoconstrictor", record.VasoconstrictorSet.Display(a.Vasoconstrictor)+ratioText(a.Ratio))
	}
	m.Text = t1.Narrative()
	c.add(m)
	c.administration(t, key, a, ak)
}

// solution is the agent; "no vasoconstrictor" is said in its text, since R4 has
// no element for an ingredient that is not in a medication.
func (c *caseFold) solution(a *record.Agent) *dpb.CodeableConcept {
	if a.Vasoconstrictor != "none" {
		return c.translate("anaesthetic", a.Agent)
	}
	none := strings.ToLower(record.VasoconstrictorSet.Display(a.Vasoconstrictor))
	return c.translateText("anaesthetic", a.Agent, joinText(record.AnaestheticSet.Display(a.Agent), none))
}

// vasoconstrictor is the ingredient: of a ratio without a name, one not known;
// nil where there is none.
func (c *caseFold) vasoconstrictor(a *record.Agent) *dpb.CodeableConcept {
	switch {
	case a.Vasoconstrictor != "" && a.Vasoconstrictor != "none":
		return c.translate("vasoconstrictor", a.Vasoconstrictor)
	case a.Ratio != nil:
		return r4.AbsentConcept("unknown")
	}
	return nil
}

// administration builds the injection itself. Volume or time not recorded:
// the element with a reason only (D5.5; mad-1).
func (c *caseFold) administration(t *record.Toe, key string, a *record.Agent, ak string) {
	ref := c.administrationRef(key, ak)
	at := c.when(a.At)
	if at == nil {
		at = r4.AbsentDateTime("unknown")
	}
	dose := &dpb.SimpleQuantity{Extension: []*dpb.Extension{r4.AbsentReason("unknown")}}
	volume := "not recorded"
	if a.ML != nil {
		dose, volume = r4.SimpleQuantity(a.ML.String(), "mL", "mL"), a.ML.String()+" mL"
	}
	m := &mapb.MedicationAdministration{
		Id:         r4.ID(ref.ID),
		Identifier: []*dpb.Identifier{c.identifier("administration", partValue(c.caseID, key+"/"+ak))},
		PartOf:     r4.Refs(c.procedureRef("block", key)),
		Status:     &mapb.MedicationAdministration_StatusCode{Value: cpb.MedicationAdministrationStatusCode_COMPLETED},
		Medication: &mapb.MedicationAdministration_MedicationX{
			Choice: &mapb.MedicationAdministration_MedicationX_Reference{Reference: r4.Ref(c.medicationRef("agent", key, ak))}},
		Subject: r4.Ref(c.patientRef()),
		Context: r4.Ref(c.encounterRef(c.caseID)),
		Effective: &mapb.MedicationAdministration_EffectiveX{
			Choice: &mapb.MedicationAdministration_EffectiveX_DateTime{DateTime: at}},
		Dosage: &mapb.MedicationAdministration_Dosage{
			Site: c.injectionSite(t, a), Route: c.translate("route", routeOf(t.Block.Technique)), Dose: dose,
		},
	}
	if ref, ok := c.bodyStructureRef(t.Side, t.Digit, ""); ok {
		m.Dosage.Extension = []*dpb.Extension{r4.Extension(terms.ExtBodySite, r4.Ref(ref))}
	}
	if actor := c.who(a.Giver); actor != nil {
		m.Performer = []*mapb.MedicationAdministration_Performer{{Function: c.translate("performer-function", "giver"), Actor: actor}}
	}
	if c.hasIndication() {
		m.ReasonReference = r4.Refs(c.conditionRef())
	}
	m.Text = r4.NewText("Local anaesthetic given").Row("Status", "completed").
		Row("Agent", record.AnaestheticSet.Display(a.Agent)+" "+percentText(a.Percent)).Row("Volume", volume).
		Row("Place", placeText(t.Side, t.Digit, "")).Row("Site", record.InjectionSiteSet.Display(a.Site)).
		Row("At", whenText(a.At)).Narrative()
	c.add(m)
}

// injectionSite is where the needle went, else the toe.
func (c *caseFold) injectionSite(t *record.Toe, a *record.Agent) *dpb.CodeableConcept {
	if site := c.translate("injection-site", a.Site); site != nil {
		return site
	}
	return c.toeSite(t.Side, t.Digit)
}

// routeOf is the route that a block technique takes: a digital or ring block
// goes beside the nerves, an infiltration into the tissue.
func routeOf(technique record.Code) record.Code {
	switch technique {
	case "digital-block", "ring-block":
		return "perineural"
	case "infiltration":
		return "infiltration"
	}
	return ""
}

// chemical builds the Medication of a matrix chemical (D5.3). Its strength is
// recorded in per cent without saying of what; it is given as it was recorded.
func (c *caseFold) chemical(m *record.Matrix, key, bk string) {
	med := &mpb.Medication{
		Id:         r4.ID(c.medicationRef("chemical", key, bk).ID),
		Identifier: []*dpb.Identifier{c.identifier("medication", partValue(c.caseID, "chemical/"+key+"/"+bk))},
		Status:     &mpb.Medication_StatusCode{Value: cpb.MedicationStatusCode_ACTIVE},
		Code:       c.translate("chemical", m.Agent),
		Batch:      batch(m.Batch, m.Expiry),
	}
	item := c.translate("chemical", m.Agent)
	if item == nil && m.Percent != nil {
		item = r4.AbsentConcept("unknown")
	}
	if item != nil {
		var strength *dpb.Ratio
		if m.Percent != nil {
			strength = &dpb.Ratio{Numerator: r4.Quantity(m.Percent.String(), "%", "%"), Denominator: r4.Quantity("1", "1", "1")}
		}
		med.Ingredient = []*mpb.Medication_Ingredient{ingredient(item, strength)}
	}
	med.Text = r4.NewText("Chemical for the nail matrix").Row("Agent", record.ChemicalSet.Display(m.Agent)).
		Row("Strength", percentText(m.Percent)).Row("Batch", m.Batch).Row("Expiry", whenText(m.Expiry)).Narrative()
	c.add(med)
}

func ingredient(item *dpb.CodeableConcept, strength *dpb.Ratio) *mpb.Medication_Ingredient {
	return &mpb.Medication_Ingredient{
		Item:     &mpb.Medication_Ingredient_ItemX{Choice: &mpb.Medication_Ingredient_ItemX_CodeableConcept{CodeableConcept: item}},
		IsActive: r4.Boolean(true), Strength: strength,
	}
}

// batch is lot and expiry; nil when neither was recorded.
func batch(lot string, expiry *record.When) *mpb.Medication_Batch {
	if strings.TrimSpace(lot) == "" && expiry == nil {
		return nil
	}
	out := &mpb.Medication_Batch{LotNumber: r4.String(lot)}
	if expiry != nil {
		out.ExpirationDate = r4.DateTime(dayOf(expiry), nil)
	}
	return out
}

// dayOf is the date of w without a time of day.
func dayOf(w *record.When) *record.When {
	d := *w
	d.Precision = min(d.Precision, record.PrecisionDay)
	d.HasOffset = false
	return &d
}

// perML is the strength of a percent w/v solution: 1 % = 10 mg/mL (C-1). Not
// recorded: left out, since a Ratio has both parts or none (rat-1).
func perML(percent *record.Decimal) *dpb.Ratio {
	if percent == nil {
		return nil
	}
	mg := new(big.Rat).Mul(percent.Rat(), big.NewRat(10, 1))
	return &dpb.Ratio{Numerator: r4.Quantity(exactText(mg), "mg", "mg"), Denominator: r4.Quantity("1", "mL", "mL")}
}

// oneInN is the strength 1:N, one gram in N millilitres (C-4).
func oneInN(n *int64) *dpb.Ratio {
	if n == nil || *n <= 0 {
		return nil
	}
	return &dpb.Ratio{Numerator: r4.Quantity("1000", "mg", "mg"), Denominator: r4.Quantity(strconv.FormatInt(*n, 10), "mL", "mL")}
}

// exactText is a finite decimal in full, without needless zeros.
func exactText(r *big.Rat) string {
	n, _ := r.FloatPrec()
	return r.FloatString(n)
}

func percentText(d *record.Decimal) string {
	if d == nil {
		return ""
	}
	return d.String() + " %"
}

func ratioText(n *int64) string {
	if n == nil {
		return ""
	}
	return " 1:" + strconv.FormatInt(*n, 10)
}
