package mapping

import (
	"maps"
	"slices"
	"strings"

	cpb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/codes_go_proto"
	dpb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/datatypes_go_proto"
	apb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/resources/allergy_intolerance_go_proto"

	"nailbridge/mapping/internal/r4"
	"nailbridge/mapping/record"
)

var criticalities = map[record.Code]cpb.AllergyIntoleranceCriticalityCode_Value{
	"low":              cpb.AllergyIntoleranceCriticalityCode_LOW,
	"high":             cpb.AllergyIntoleranceCriticalityCode_HIGH,
	"unable-to-assess": cpb.AllergyIntoleranceCriticalityCode_UNABLE_TO_ASSESS,
}

// standingAllergy is one allergy after all statements about it.
type standingAllergy struct {
	item      record.Allergy // the latest statement of each detail
	record    string         // id of the record that made it
	reactions []string       // all stated since it was last refuted
	notes     []string
	refuted   bool
	by        *record.Person // author of the latest statement
}

// standingAllergies are the allergies of a patient after all current contents.
type standingAllergies struct {
	items       map[string]standingAllergy // by allergyKey
	unspecified *record.Person             // who stated an allergy without naming one
	noneKnown   *record.Person             // who stated that none is known
}

// any reports whether an allergy stands.
func (a standingAllergies) any() bool {
	for _, i := range a.items {
		if !i.refuted {
			return true
		}
	}
	return a.unspecified != nil
}

// contradicted reports that "none known" is stated beside an allergy that
// stands: the allergy is published, "none known" is not.
func (a standingAllergies) contradicted() bool { return a.noneKnown != nil && a.any() }

// allergyKey names an allergy across records: by its substance, or by its
// words where the substance is not on the list.
func allergyKey(a record.Allergy) string {
	if a.Substance != "" && a.Substance != "other" {
		return keyOf("substance", string(a.Substance))
	}
	return keyOf("words", strings.ToLower(r4.Clean(a.Text)))
}

// standAllergies reads the statements of current contents in their order, the
// latest last: an allergy stands until a later content refutes that same
// allergy; "none known" never does (D1.3). A content that states and refutes
// the same allergy states it.
func standAllergies(records []*record.Record) standingAllergies {
	out := standingAllergies{items: map[string]standingAllergy{}}
	for _, r := range records {
		a := allergiesOf(r)
		if a == nil {
			continue
		}
		items := saying(a.Items)
		for _, item := range items {
			key := allergyKey(item)
			out.items[key] = out.items[key].after(item, r)
		}
		switch {
		case a.Status == "none-known":
			out.noneKnown = author(r)
		case a.Status == "present" && len(items) == 0:
			out.unspecified = author(r)
		}
	}
	return out
}

// saying gives the items that say something, refuting ones first, so that a
// statement of the same content comes after them.
func saying(items []record.Allergy) []record.Allergy {
	var refuting, stating []record.Allergy
	for _, i := range items {
		named := i.Substance != "" || r4.Clean(i.Text) != ""
		switch {
		case i.Refuted && named:
			refuting = append(refuting, i)
		case !i.Refuted && (named || r4.Clean(i.Reaction) != "" || i.Criticality != ""):
			stating = append(stating, i)
		}
	}
	return append(refuting, stating...)
}

// after is the allergy after one more statement.
func (s standingAllergy) after(item record.Allergy, r *record.Record) standingAllergy {
	if item.Refuted != s.refuted {
		s.reactions, s.notes, s.item.Criticality = nil, nil, ""
	}
	s.refuted, s.by, s.record = item.Refuted, author(r), r.Record
	s.item.Substance, s.item.Text, s.item.Key = item.Substance, item.Text, item.Key
	if item.Criticality != "" {
		s.item.Criticality = item.Criticality
	}
	s.reactions = appendNew(s.reactions, item.Reaction)
	if item.Substance != "" && item.Substance != "other" {
		s.notes = appendNew(s.notes, item.Text)
	}
	return s
}

func appendNew(list []string, s string) []string {
	if s = r4.Clean(s); s == "" || slices.Contains(list, s) {
		return list
	}
	return append(slices.Clone(list), s)
}

// author is never nil, so that a statement without author still counts.
func author(r *record.Record) *record.Person {
	if r.Author == nil {
		return &record.Person{}
	}
	return r.Author
}

// allergiesOf is the allergy statement of a record, nil for none.
func allergiesOf(r *record.Record) *record.Allergies {
	switch {
	case r.Surgery != nil:
		return r.Surgery.Allergies
	case r.Review != nil:
		return r.Review.Allergies
	}
	return nil
}

// allergies builds an AllergyIntolerance for each allergy stated or refuted,
// and one for "none known" while no allergy stands.
func (b *builder) allergies(a standingAllergies) {
	p := b.perPatient()
	for _, key := range slices.Sorted(maps.Keys(a.items)) {
		p.allergy(key, a.items[key])
	}
	if a.unspecified != nil {
		p.allergyStatement("present", a.unspecified)
	}
	if a.noneKnown != nil && !a.any() {
		p.allergyStatement("none-known", a.noneKnown)
	}
}

// allergy builds one allergy. A refuted one keeps a clinical status, inactive,
// since only entered-in-error goes without (ait-1).
func (b *builder) allergy(key string, s standingAllergy) {
	status := "active"
	out := &apb.AllergyIntolerance{Code: b.allergyCode(s.item)}
	if s.refuted {
		status = "inactive"
		out.VerificationStatus = b.element("allergy-verification-refuted")
	}
	out.ClinicalStatus = b.element("allergy-clinical-" + status)
	if c, ok := criticalities[s.item.Criticality]; ok {
		out.Criticality = &apb.AllergyIntolerance_CriticalityCode{Value: c}
	}
	for _, r := range s.reactions {
		out.Reaction = append(out.Reaction, &apb.AllergyIntolerance_Reaction{
			Manifestation: []*dpb.CodeableConcept{r4.CodeableConcept(r)},
		})
	}
	for _, n := range s.notes {
		out.Note = append(out.Note, &dpb.Annotation{Text: r4.Markdown(n)})
	}
	t := r4.NewText("Allergy").Row("Substance", record.AllergenSet.Display(s.item.Substance)).Row("In words", s.item.Text).
		Row("Criticality", record.CriticalitySet.Display(s.item.Criticality)).Row("Reactions", strings.Join(s.reactions, "; "))
	if s.refuted {
		t.Row("Status", "refuted")
	} else {
		t.Row("Status", status)
	}
	out.Text = t.Narrative()
	if s.item.Key != "" {
		out.Identifier = []*dpb.Identifier{b.identifier("allergy", s.record+"/"+s.item.Key)}
	}
	b.addAllergy(out, key, s.by)
}

// allergyCode is the substance; one not on the list has its words, and one not
// named at all says that an allergy was stated.
func (b *builder) allergyCode(a record.Allergy) *dpb.CodeableConcept {
	switch {
	case a.Substance == "" && r4.Clean(a.Text) == "":
		return b.translate("allergy-status", "present")
	case a.Substance == "":
		return r4.CodeableConcept(a.Text)
	case a.Substance == "other":
		return b.translateText("allergen", a.Substance, a.Text)
	}
	return b.translate("allergen", a.Substance)
}

// allergyStatement builds a statement that names no substance: "present" or
// "none-known".
func (b *builder) allergyStatement(status record.Code, by *record.Person) {
	b.addAllergy(&apb.AllergyIntolerance{
		ClinicalStatus: b.element("allergy-clinical-active"),
		Code:           b.translate("allergy-status", status),
		Text:           r4.NewText("Allergies").Line(record.AllergyStatusSet.Display(status)).Row("Status", "active").Narrative(),
	}, keyOf("status", string(status)), by)
}

func (b *builder) addAllergy(out *apb.AllergyIntolerance, key string, by *record.Person) {
	out.Id = r4.ID(b.ownRef("AllergyIntolerance", key).ID)
	out.Patient = r4.Ref(b.patientRef())
	out.Recorder = b.who(by)
	b.add(out)
}
