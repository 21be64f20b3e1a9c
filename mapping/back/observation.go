package back

import (
	"cmp"
	"slices"
	"strings"

	"nailbridge/mapping/record"
	"nailbridge/mapping/terms"
)

// seen is an Observation being read.
type seen struct {
	*res
	v    *visit
	name string   // of the code system finding, "risk" or "body-weight"
	keys []string // of its place
	code record.Code
}

// observation reads a finding that a record states. One with a device was
// computed and is of no record (D5.4).
func (r *reader) observation(x *res) {
	if x.get("device") != nil {
		return
	}
	v := r.of(x)
	if v == nil {
		return
	}
	o := seen{res: x, v: v}
	if parts := item(r.number(x.node, "observation")); parts != nil {
		o.keys = parts[1:]
	}
	switch code := x.get("code"); {
	case r.isElement("body-weight", code):
		o.name = "body-weight"
		code.take()
	default:
		if c := r.code("finding", code); c != "" {
			o.name = string(c)
		} else if c := r.code("risk", code); c != "" {
			o.name, o.code = "risk", c
		}
	}
	r.timeRead = false
	if o.name == "" || !r.readFinding(o) {
		return
	}
	r.aroundFinding(o)
}

// aroundFinding reads what a finding says again of its record: its time, who made
// it, and its kind. What says otherwise stays unread.
func (r *reader) aroundFinding(o seen) {
	for _, name := range []string{"status", "partOf", "derivedFrom", "basedOn", "specimen"} {
		o.take(name)
	}
	category := map[string]string{"body-weight": "vital-signs", "risk": "survey", "contact-time": "procedure",
		"specimen-result": "laboratory", "wound-culture": "laboratory"}[o.name]
	if hasCode(o.first("category"), cmp.Or(category, "exam")) {
		o.take("category")
	}
	if o.name != "site-marked" {
		r.sameDoer(o.first("performer"), o.v)
	}
	if r.timeRead {
		return
	}
	if w := r.when(o.node, "effectiveDateTime"); w != nil && (o.v.at() == nil || w.String() != o.v.at().String()) {
		o.leaveTime("effectiveDateTime")
	}
}

// readFinding reads the value of a finding to its field; false where the
// record has none for it.
func (r *reader) readFinding(o seen) bool {
	if f, ok := answersOf(o); ok {
		*f = r.answer(o)
		return true
	}
	if f, list, ok := codesOf(o); ok {
		*f = r.code(list, o.get("valueCodeableConcept"))
		return true
	}
	if f, ok := textsOf(o); ok {
		*f = o.str("valueString")
		return true
	}
	return r.measured(o) || r.ofPerfusion(o) || r.ofToe(o) || r.ofBorder(o) || r.ofOperation(o) || r.other(o)
}

// answer is yes, no, or asked and not known.
func (r *reader) answer(o seen) record.Code {
	if a := r.code("answer", o.get("valueCodeableConcept")); a != "" {
		return a
	}
	if hasCode(o.get("dataAbsentReason"), "asked-unknown") {
		o.take("dataAbsentReason")
		return "unknown"
	}
	return ""
}

// own is when a finding was made, where that is not the time of its record.
func (r *reader) own(o seen) *record.When {
	r.timeRead = true
	w := r.when(o.node, "effectiveDateTime")
	if w != nil && o.v.at() != nil && w.String() == o.v.at().String() {
		return nil
	}
	return w
}

// group reads a time that several findings have: one that says another than the
// first keeps it unread.
func (r *reader) group(o seen, at **record.When) {
	w := r.own(o)
	switch {
	case !r.grouped[at]:
		r.grouped[at], *at = true, w
	case w == nil && *at == nil, w != nil && *at != nil && w.String() == (*at).String():
	default:
		o.leaveTime("effectiveDateTime")
	}
}

// at is when what the record tells of took place.
func (v *visit) at() *record.When { return v.rec.HappenedAt() }

func risks(s *record.Surgery) *record.Risks {
	if s.Risks == nil {
		s.Risks = &record.Risks{}
	}
	return s.Risks
}

func home(s *record.Surgery) *record.Home {
	if s.Home == nil {
		s.Home = &record.Home{}
	}
	return s.Home
}

func consented(s *record.Surgery) *record.Consent {
	if s.Consent == nil {
		s.Consent = &record.Consent{}
	}
	return s.Consent
}

func counts(s *record.Surgery) *record.Counts {
	if s.Counts == nil {
		s.Counts = &record.Counts{}
	}
	return s.Counts
}

func indicated(s *record.Surgery) *record.Indication {
	if s.Indication == nil {
		s.Indication = &record.Indication{}
	}
	return s.Indication
}

// riskField is the field of a risk question.
func riskField(k *record.Risks, code record.Code) *record.Code {
	return map[record.Code]*record.Code{
		"pregnant": &k.Pregnant, "diabetes": &k.Diabetes, "arterial-disease": &k.ArterialDisease, "raynaud": &k.Raynaud,
		"neuropathy": &k.Neuropathy, "anticoagulant": &k.Anticoagulant, "immune-suppression": &k.ImmuneSuppress,
		"cardiac-disease": &k.CardiacDisease, "liver-disease": &k.LiverDisease, "other-anaesthetic-within-24h": &k.OtherAnaestheticWithin24h,
		"lactating": &k.Lactating, "sickle-cell": &k.SickleCell, "bypass": &k.Bypass, "renal-replacement": &k.RenalReplacement,
		"earlier-ulcer": &k.EarlierUlcer, "earlier-amputation": &k.EarlierAmputation, "deformity": &k.Deformity, "callus": &k.Callus,
		"active-foot-problem": &k.ActiveFootProblem, "spreading-infection": &k.SpreadingInfection,
	}[code]
}

// answersOf is the field of an answer that belongs to the record as a whole.
func answersOf(o seen) (*record.Code, bool) {
	if k := o.v.rec.Contact; k != nil && o.name == "seen-same-day" {
		return &k.SeenSameDay, true
	}
	s := o.v.rec.Surgery
	if s == nil {
		return nil, false
	}
	switch o.name {
	case "risk":
		f := riskField(risks(s), o.code)
		return f, f != nil
	case "swab-count-complete":
		return &counts(s).Swabs, true
	case "sharps-count-complete":
		return &counts(s).Sharps, true
	case "tissue-sent":
		return &s.TissueSent, true
	case "earlier-nail-surgery":
		return &indicated(s).EarlierSurgery, true
	case "adult-present":
		return &consented(s).AdultPresent, true
	case "escorted-home":
		return &home(s).Escort, true
	case "kit-given":
		return &home(s).Kit, true
	case "written-advice":
		return &advised(s).Written, true
	}
	return nil, false
}

// codesOf is the field of a code that belongs to the record as a whole, and its
// list.
func codesOf(o seen) (*record.Code, string, bool) {
	if k := o.v.rec.Contact; k != nil && o.name == "urgency-of-contact" {
		return &k.Urgency, "urgency", true
	}
	if w := o.v.rec.Review; w != nil {
		switch o.name {
		case "footwear-worn":
			return &w.Footwear, "footwear", true
		case "allergies-asked":
			return &allergies(&w.Allergies).Status, "allergy-status", true
		}
	}
	s := o.v.rec.Surgery
	if s == nil {
		return nil, "", false
	}
	switch o.name {
	case "footwear-worn":
		return &home(s).Footwear, "footwear", true
	case "allergies-asked":
		return &allergies(&s.Allergies).Status, "allergy-status", true
	case "capacity-to-consent":
		return &consented(s).Capacity, "capacity", true
	case "transport-home":
		return &home(s).Transport, "transport", true
	}
	return nil, "", false
}

func allergies(a **record.Allergies) *record.Allergies {
	if *a == nil {
		*a = &record.Allergies{}
	}
	return *a
}

// textsOf is the field of words that belong to the record as a whole.
func textsOf(o seen) (*string, bool) {
	switch rec := o.v.rec; {
	case rec.Contact != nil && o.name == "contact-advice":
		return &rec.Contact.Advice, true
	case rec.Contact != nil && o.name == "contact-outcome":
		return &rec.Contact.Outcome, true
	case rec.Review != nil && o.name == "clinician-note":
		return &rec.Review.Note, true
	case rec.Surgery == nil:
		return nil, false
	}
	s := o.v.rec.Surgery
	switch o.name {
	case "clinician-note":
		return &s.Note, true
	case "risk-override":
		return &risks(s).OverrideReason, true
	case "kit-contents":
		return &home(s).KitText, true
	case "contact-for-trouble":
		return &home(s).Contact, true
	}
	return nil, false
}

// measured reads a quantity of the patient or of a limb.
func (r *reader) measured(o seen) bool {
	s := o.v.rec.Surgery
	if s == nil {
		return false
	}
	switch o.name {
	case "body-weight":
		s.Weight = &record.Weight{Kg: quantity(o.get("valueQuantity"), "kg"), Basis: r.code("weight-basis", o.get("method")), At: r.own(o)}
		o.take("dataAbsentReason")
	case "ankle-brachial-index":
		risks(s).AnkleBrachialIndex = quantity(o.get("valueQuantity"), "1")
	case "body-height", "blood-glucose", "blood-pressure":
		r.measurement(o, s)
	default:
		return r.vascular(o, s)
	}
	return true
}

func (r *reader) measurement(o seen, s *record.Surgery) {
	if s.Measurements == nil {
		s.Measurements = &record.Measurements{}
	}
	m := s.Measurements
	r.group(o, &m.At)
	switch o.name {
	case "body-height":
		m.HeightCm = quantity(o.get("valueQuantity"), "cm")
	case "blood-glucose":
		m.GlucoseMmolL = quantity(o.get("valueQuantity"), "mmol/L")
	default:
		for _, c := range o.list("component") {
			switch code := r.code("finding", c.get("code")); code {
			case "systolic-pressure":
				m.SystolicMmHg = quantity(c.get("valueQuantity"), "mm[Hg]")
			case "diastolic-pressure":
				m.DiastolicMmHg = quantity(c.get("valueQuantity"), "mm[Hg]")
			}
		}
	}
}

// vascular reads the pressures and pulses of the limbs.
func (r *reader) vascular(o seen, s *record.Surgery) bool {
	if o.name == "capillary-refill" && (len(o.keys) == 0 || o.keys[0] != "leg") {
		return false
	}
	names := []string{"brachial-systolic-pressure", "dorsalis-pedis-systolic-pressure", "posterior-tibial-systolic-pressure",
		"toe-systolic-pressure", "capillary-refill", "dorsalis-pedis-pulse", "posterior-tibial-pulse"}
	if !slices.Contains(names, o.name) {
		return false
	}
	if s.Vascular == nil {
		s.Vascular = &record.Vascular{}
	}
	v := s.Vascular
	r.group(o, &v.At)
	limb := r.code("limb", o.get("bodySite"))
	side, _, _ := strings.Cut(string(limb), "-")
	q := o.get("valueQuantity")
	if o.name == "brachial-systolic-pressure" {
		if side == "right" {
			v.RightArmMmHg = quantity(q, "mm[Hg]")
		} else {
			v.LeftArmMmHg = quantity(q, "mm[Hg]")
		}
		return true
	}
	l := o.v.leg(o.keys, record.Code(side))
	switch o.name {
	case "dorsalis-pedis-systolic-pressure":
		l.DorsalisMmHg = quantity(q, "mm[Hg]")
	case "posterior-tibial-systolic-pressure":
		l.TibialMmHg = quantity(q, "mm[Hg]")
	case "toe-systolic-pressure":
		l.ToeMmHg = quantity(q, "mm[Hg]")
	case "capillary-refill":
		l.RefillSeconds = quantity(q, "s")
	case "dorsalis-pedis-pulse":
		l.DorsalisPulse = r.answer(o)
	case "posterior-tibial-pulse":
		l.TibialPulse = r.answer(o)
	}
	return true
}

// leg finds or starts a leg of the vascular assessment, by its item key.
func (v *visit) leg(keys []string, side record.Code) *record.Leg {
	k := string(side)
	if len(keys) > 0 {
		k += " " + keys[len(keys)-1]
	}
	legs := &v.rec.Surgery.Vascular.Legs
	if i := slices.Index(v.legs, k); i >= 0 {
		return &(*legs)[i]
	}
	v.legs = append(v.legs, k)
	*legs = append(*legs, record.Leg{Side: side})
	return &(*legs)[len(*legs)-1]
}

// toeOf is the toe that a finding is about.
func (r *reader) toeOf(o seen) (*toe, spot) {
	at := r.spotOf(o.get("bodySite"), o.node, terms.ExtBodySite)
	k := ""
	if len(o.keys) > 0 {
		k = o.keys[0]
	}
	return o.v.toe(k, at), at
}

// ofPerfusion reads the circulation of a toe.
func (r *reader) ofPerfusion(o seen) bool {
	if !slices.Contains([]string{"perfusion-returned", "toe-cold", "toe-numb", "capillary-refill", "colour-of-toe"}, o.name) {
		return false
	}
	t, _ := r.toeOf(o)
	var p **record.Perfusion
	if t.op != nil {
		p = &t.op.Perfusion
	} else {
		p = &t.seen.Perfusion
	}
	if *p == nil {
		*p = &record.Perfusion{}
	}
	r.group(o, &(*p).At)
	switch o.name {
	case "perfusion-returned":
		(*p).Returned = r.answer(o)
	case "toe-cold":
		(*p).Cold = r.answer(o)
	case "toe-numb":
		(*p).Numb = r.answer(o)
	case "capillary-refill":
		(*p).RefillSeconds = quantity(o.get("valueQuantity"), "s")
	case "colour-of-toe":
		(*p).Colour = r.code("toe-colour", o.get("valueCodeableConcept"))
	}
	return true
}

// ofToe reads what was found on a toe as such.
func (r *reader) ofToe(o seen) bool {
	switch {
	case o.name == "pain-score" && o.v.rec.Surgery == nil:
		t, _ := r.toeOf(o)
		t.seen.Pain = whole(o.get("valueQuantity"), "value")
		o.take("valueQuantity")
	case o.name == "block-effect" && o.v.rec.Surgery != nil:
		t, _ := r.toeOf(o)
		if t.op.Block == nil {
			t.op.Block = &record.Block{}
		}
		t.op.Block.Effective = r.answer(o)
	case strings.HasPrefix(o.name, "tourniquet-") && o.v.rec.Surgery != nil && len(o.keys) > 1:
		t, _ := r.toeOf(o)
		q := t.period(o.keys[1])
		switch o.name {
		case "tourniquet-counted-out":
			q.CountedOut = r.answer(o)
		case "tourniquet-colour":
			q.Colour = o.str("valueString")
		case "tourniquet-size":
			q.Size = o.str("valueString")
		default:
			return false
		}
	default:
		return false
	}
	return true
}

// borderOf is the border that a finding is about.
func (r *reader) borderOf(o seen) *border {
	t, at := r.toeOf(o)
	k := ""
	if len(o.keys) > 1 {
		k = o.keys[1]
	}
	return t.border(k, at.border)
}

// borderNames are the findings on a border at a review or contact.
var borderNames = []string{"stage-of-healing", "exudate-seen", "wound-opened", "regrowth-seen", "dressing-found", "healing-date",
	"infection-signs", "wound-opinion", "border-discharge"}

// ofBorder reads what was found at a border at a review or contact.
func (r *reader) ofBorder(o seen) bool {
	if o.v.rec.Surgery != nil || !slices.Contains(borderNames, o.name) {
		return false
	}
	b := r.borderOf(o).seen
	value := o.get("valueCodeableConcept")
	switch o.name {
	case "stage-of-healing":
		b.WoundStage = r.code("wound-stage", value)
	case "exudate-seen":
		b.Exudate = r.code("exudate", value)
	case "wound-opened":
		b.Opened = r.answer(o)
	case "regrowth-seen":
		b.Regrowth = r.code("regrowth", value)
	case "dressing-found":
		b.Dressing = r.code("dressing", value)
	case "healing-date":
		b.HealedOn = r.when(o.node, "valueDateTime")
	case "infection-signs":
		for _, c := range o.list("component") {
			if a, _ := r.terms.Reverse("answer", concept(c.get("valueCodeableConcept"))); a == "yes" {
				c.take("valueCodeableConcept")
				infection(b).Findings = append(infection(b).Findings, r.code("infection-finding", c.get("code")))
			}
		}
	case "wound-opinion":
		infection(b).Diagnosis = r.code("wound-diagnosis", value)
	case "border-discharge":
		b.Discharge = r.discharge(o, value)
	}
	return true
}

func infection(b *record.BorderFindings) *record.Infection {
	if b.Infection == nil {
		b.Infection = &record.Infection{}
	}
	return b.Infection
}

func (r *reader) discharge(o seen, value *node) *record.Discharge {
	d := &record.Discharge{At: r.own(o), Reason: r.code("discharge-reason", value)}
	d.Text = r.words("discharge-reason", d.Reason, value)
	for _, c := range o.list("component") {
		if r.code("finding", c.get("code")) == "watch-goes-on" {
			d.WatchGoesOn = r.code("answer", c.get("valueCodeableConcept")) == "yes"
		}
	}
	o.take("dataAbsentReason")
	return d
}

// ofOperation reads what was done at a border of a sitting.
func (r *reader) ofOperation(o seen) bool {
	if o.v.rec.Surgery == nil {
		return false
	}
	switch o.name {
	case "nail-width":
		r.borderOf(o).op.WidthMM = quantity(o.get("valueQuantity"), "mm")
	case "flush-volume":
		r.borderOf(o).flush().ML = quantity(o.get("valueQuantity"), "mL")
	case "skin-protection":
		r.borderOf(o).matrix().SkinProtection = r.answer(o)
	case "contact-time":
		a := record.Application{Seconds: quantity(o.get("valueQuantity"), "s"), At: r.own(o)}
		order := ""
		if len(o.keys) > 2 {
			a.Key = key(o.keys[2])
		}
		for _, c := range o.list("component") {
			if r.code("finding", c.get("code")) == "application-ordinal" {
				order = "#" + c.str("valueInteger")
			}
		}
		b := r.borderOf(o)
		b.applied = append(b.applied, numbered[record.Application]{order, a})
		o.take("dataAbsentReason")
	default:
		return false
	}
	return true
}

// other reads the findings that have a shape of their own.
func (r *reader) other(o seen) bool {
	s := o.v.rec.Surgery
	switch {
	case o.name == "specimen-result" || o.name == "wound-culture":
		r.specimenResult(o)
	case s == nil:
		return false
	case o.name == "first-cut":
		s.Incision = r.when(o.node, "valueDateTime")
	case o.name == "site-marked":
		s.Marking = r.marked(o)
	case o.name == "untoward-events":
		if r.answer(o) == "no" {
			s.Events = &record.Events{None: true}
		}
	case o.name == "interpreter-used":
		s.Interpreter = &record.Interpreter{Used: r.answer(o)}
		for _, c := range o.list("component") {
			if r.code("finding", c.get("code")) == "interpreter-language" {
				s.Interpreter.Language = c.str("valueString")
			}
		}
		o.take("dataAbsentReason")
	default:
		return false
	}
	return true
}

// marked reads whether the operation site was marked, by whom and when.
func (r *reader) marked(o seen) *record.Step {
	m := &record.Step{At: r.own(o), By: r.person(o.first("performer"))}
	switch r.answer(o) {
	case "yes":
		m.Status = "done"
	case "no":
		m.Status = "not-done"
	default:
		if hasCode(o.get("dataAbsentReason"), "not-applicable") {
			m.Status = "not-applicable"
		}
		o.take("dataAbsentReason")
	}
	return m
}

// specimenResult reads the result of a specimen.
func (r *reader) specimenResult(o seen) {
	if len(o.keys) == 0 {
		return
	}
	s, value := o.v.specimen(o.keys[len(o.keys)-1]), o.get("valueCodeableConcept")
	s.Result = r.code("specimen-result", value)
	s.ResultText = r.more("specimen-result", s.Result, value)
	r.timeRead = true // that of the specimen
	at, w := r.spotOf(o.get("bodySite"), o.node, terms.ExtBodySite), r.when(o.node, "effectiveDateTime")
	if at != (spot{s.Side, s.Digit, s.Border}) {
		o.leave("bodySite")
		o.leave("extension")
	}
	if w != nil && s.At != nil && w.String() != s.At.String() || w != nil && s.At == nil && (o.v.at() == nil || w.String() != o.v.at().String()) {
		o.leaveTime("effectiveDateTime")
	}
}
