package mapping

import (
	"cmp"
	"strconv"
	"time"

	cpb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/codes_go_proto"
	dpb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/datatypes_go_proto"
	mpb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/resources/media_go_proto"
	stpb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/resources/medication_statement_go_proto"
	spb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/resources/specimen_go_proto"
	vpb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/valuesets_go_proto"

	"nailbridge/mapping/internal/r4"
	"nailbridge/mapping/record"
	"nailbridge/mapping/resource"
)

// sentOf are the specimens, antibiotics and pictures of a record.
func sentOf(r *record.Record) ([]record.Specimen, []record.Antibiotic, []record.Photo) {
	switch {
	case r.Surgery != nil:
		return r.Surgery.Specimens, r.Surgery.Antibiotics, r.Surgery.Photos
	case r.Review != nil:
		return r.Review.Specimens, r.Review.Antibiotics, r.Review.Photos
	case r.Contact != nil:
		return r.Contact.Specimens, r.Contact.Antibiotics, r.Contact.Photos
	}
	return nil, nil, nil
}

// sent builds the specimens, antibiotics and pictures of a record.
func (b *builder) sent(r *record.Record) {
	specimens, antibiotics, photos := sentOf(r)
	for i, key := range record.SpecimenKeys(specimens) {
		b.specimen(r, &specimens[i], key)
	}
	for i, key := range record.AntibioticKeys(antibiotics) {
		b.antibiotic(r, &antibiotics[i], key)
	}
	for i, key := range record.PhotoKeys(photos) {
		if photos[i].Consent == "agreed" {
			b.photo(r, &photos[i], key)
		}
	}
}

// withoutWithheldPhotos takes out what is kept and never published (D3.2): the
// pictures whose consent is not there. Lists are copied, not changed.
func withoutWithheldPhotos(r *record.Record) {
	agreed := func(ps []record.Photo) (out []record.Photo) {
		for _, p := range ps {
			if p.Consent == "agreed" {
				out = append(out, p)
			}
		}
		return out
	}
	switch {
	case r.Surgery != nil:
		s := *r.Surgery
		s.Photos, r.Surgery = agreed(s.Photos), &s
	case r.Review != nil:
		v := *r.Review
		v.Photos, r.Review = agreed(v.Photos), &v
	case r.Contact != nil:
		k := *r.Contact
		k.Photos, r.Contact = agreed(k.Photos), &k
	}
}

// specimen builds a specimen with, once it is known, its result
// (https://hl7.org/fhir/R4/specimen.html).
func (b *builder) specimen(r *record.Record, s *record.Specimen, key string) {
	ref := b.caseRef("Specimen", r.Record, key)
	at := place{s.Side, s.Digit, s.Border}
	out := &spb.Specimen{
		Id:         r4.ID(ref.ID),
		Identifier: []*dpb.Identifier{b.identifier("specimen", partValue(b.caseID, r.Record+"/"+key))},
		Status:     &spb.Specimen_StatusCode{Value: cpb.SpecimenStatusCode_AVAILABLE},
		Type:       b.translate("specimen-kind", s.Kind),
		Subject:    r4.Ref(b.patientRef()),
		Collection: b.collection(r, s, at),
		Text: r4.NewText("Specimen").Row("Kind", record.SpecimenSet.Display(s.Kind)).Row("Place", placeText(s.Side, s.Digit, s.Border)).
			Row("Taken", whenText(s.At)).Row("Laboratory number", s.LabNumber).Narrative(),
	}
	if s.LabNumber != "" {
		out.AccessionIdentifier = b.identifier("laboratory", s.LabNumber)
	}
	b.add(out)
	b.specimenResult(r, s, at, ref, key)
}

// collection is when, by whom and where a specimen was taken; nil where nothing
// of it is known.
func (b *builder) collection(r *record.Record, s *record.Specimen, at place) *spb.Specimen_Collection {
	out := &spb.Specimen_Collection{BodySite: b.siteInWords(at.side, at.digit, at.border), Collector: b.who(performerOf(r))}
	if s.At != nil {
		out.Collected = &spb.Specimen_Collection_CollectedX{Choice: &spb.Specimen_Collection_CollectedX_DateTime{DateTime: b.when(s.At)}}
	}
	out.Extension = b.siteExtension(at.side, at.digit, at.border)
	if out.BodySite == nil && out.Collector == nil && out.Collected == nil && out.Extension == nil {
		return nil
	}
	return out
}

// specimenResult builds the result of a specimen; none while it is awaited.
func (b *builder) specimenResult(r *record.Record, s *record.Specimen, at place, specimen resource.Ref, key string) {
	if s.Result == "" && r4.Clean(s.ResultText) == "" {
		return
	}
	code := "specimen-result"
	if s.Kind == "wound-swab" {
		code = "wound-culture"
	}
	f := b.named(r, code, at, "result", key)
	f.key = observationKey{"specimen-result", r.Record, []string{key}}
	f.category, f.at, f.specimen = "observation-category-laboratory", s.At, &specimen
	f.value = conceptValue(b.translateText("specimen-result", s.Result, joinText(record.CultureResultSet.Display(s.Result), s.ResultText)))
	f.valueText = joinText(record.CultureResultSet.Display(s.Result), s.ResultText)
	b.observe(f)
}

// antibiotic builds the statement that an antibiotic was supplied or
// recommended (D5.5; https://hl7.org/fhir/R4/medicationstatement.html). Who
// supplied it is the text of the category, whose binding takes no code of ours
// (D5.7).
func (b *builder) antibiotic(r *record.Record, a *record.Antibiotic, key string) {
	out := &stpb.MedicationStatement{
		Id:         r4.ID(b.caseRef("MedicationStatement", r.Record, key).ID),
		Identifier: []*dpb.Identifier{b.identifier("antibiotic", partValue(b.caseID, r.Record+"/"+key))},
		Status:     &stpb.MedicationStatement_StatusCode{Value: cpb.MedicationStatementStatusCodes_ACTIVE},
		Medication: &stpb.MedicationStatement_MedicationX{Choice: &stpb.MedicationStatement_MedicationX_CodeableConcept{CodeableConcept: b.antibioticCode(a)}},
		Subject:    r4.Ref(b.patientRef()),
		Context:    r4.Ref(b.encounterRef(r.Record)),
		Effective:  b.taken(r, a),
		Dosage:     dosage(a),
		Text: r4.NewText("Antibiotic").Row("Agent", antibioticText(a)).Row("Supplied", record.SupplierSet.Display(a.Supplier)).
			Row("Dose", doseText(a)).Row("From", whenText(a.From)).Narrative(),
	}
	if a.Supplier != "" {
		out.Category = r4.CodeableConcept(record.SupplierSet.Display(a.Supplier))
	}
	if who := b.who(performerOf(r)); who != nil {
		out.InformationSource = who
	}
	b.add(out)
}

func (b *builder) antibioticCode(a *record.Antibiotic) *dpb.CodeableConcept {
	if c := b.translateText("antibiotic", a.Agent, antibioticText(a)); c != nil {
		return c
	}
	return r4.AbsentConcept("unknown")
}

func antibioticText(a *record.Antibiotic) string {
	if a.Agent == "other" && r4.Clean(a.Text) != "" {
		return a.Text
	}
	return joinText(record.AntibioticSet.Display(a.Agent), a.Text)
}

// taken is the time of taking: from the first day on, through the last where the
// days are known.
func (b *builder) taken(r *record.Record, a *record.Antibiotic) *stpb.MedicationStatement_EffectiveX {
	from := a.From
	if from == nil {
		from = r.HappenedAt()
	}
	if from == nil {
		return nil
	}
	if a.Days != nil && from.Precision >= record.PrecisionDay {
		last := time.Date(from.Year, time.Month(from.Month), from.Day, 0, 0, 0, 0, time.UTC).AddDate(0, 0, int(*a.Days)-1)
		end := record.When{Year: last.Year(), Month: int(last.Month()), Day: last.Day(), Precision: record.PrecisionDay}
		return &stpb.MedicationStatement_EffectiveX{Choice: &stpb.MedicationStatement_EffectiveX_Period{Period: r4.Period(b.when(dayOf(from)), b.when(&end))}}
	}
	return &stpb.MedicationStatement_EffectiveX{Choice: &stpb.MedicationStatement_EffectiveX_DateTime{DateTime: b.when(from)}}
}

// dosage is the dose, how often a day, and for how many days; nil where nothing
// is recorded.
func dosage(a *record.Antibiotic) []*dpb.Dosage {
	if a.DoseMg == nil && a.PerDay == nil && a.Days == nil {
		return nil
	}
	out := &dpb.Dosage{Text: r4.String(doseText(a))}
	if a.DoseMg != nil {
		out.DoseAndRate = []*dpb.Dosage_DoseAndRate{{
			Dose: &dpb.Dosage_DoseAndRate_DoseX{Choice: &dpb.Dosage_DoseAndRate_DoseX_Quantity{Quantity: r4.SimpleQuantity(a.DoseMg.String(), "mg", "mg")}},
		}}
	}
	if a.PerDay != nil || a.Days != nil {
		out.Timing = &dpb.Timing{Repeat: repeat(a)}
	}
	return []*dpb.Dosage{out}
}

func repeat(a *record.Antibiotic) *dpb.Timing_Repeat {
	out := &dpb.Timing_Repeat{}
	if a.PerDay != nil {
		out.Frequency = r4.PositiveInt(int(*a.PerDay))
		out.Period = r4.DecimalText("1")
		out.PeriodUnit = &dpb.Timing_Repeat_PeriodUnitCode{Value: vpb.UnitsOfTimeValueSet_D}
	}
	if a.Days != nil {
		out.Bounds = &dpb.Timing_Repeat_BoundsX{Choice: &dpb.Timing_Repeat_BoundsX_Duration{Duration: r4.Duration(strconv.FormatInt(*a.Days, 10), "d")}}
	}
	return out
}

func doseText(a *record.Antibiotic) string {
	s := ""
	if a.DoseMg != nil {
		s = a.DoseMg.String() + " mg"
	}
	if a.PerDay != nil {
		s = joinText(s, strconv.FormatInt(*a.PerDay, 10)+" times a day")
	}
	if a.Days != nil {
		s = joinText(s, "for "+strconv.FormatInt(*a.Days, 10)+" days")
	}
	return s
}

var photoTypes = map[record.Code]string{"jpeg": "image/jpeg", "png": "image/png", "heic": "image/heic", "dicom": "application/dicom"}

// photoType is the media type of a picture; not recorded: that of data of which
// nothing more is known (RFC 2046 section 4.5.1), since R4 takes no reason in
// place of the code and asks for a type where the picture itself is not sent.
func photoType(format record.Code) *dpb.Attachment_ContentTypeCode {
	return &dpb.Attachment_ContentTypeCode{Value: cmp.Or(photoTypes[format], "application/octet-stream")}
}

// photo tells of a picture kept at the clinic, not the picture itself
// (https://hl7.org/fhir/R4/media.html).
func (b *builder) photo(r *record.Record, p *record.Photo, key string) {
	out := &mpb.Media{
		Id:         r4.ID(b.caseRef("Media", r.Record, key).ID),
		Identifier: []*dpb.Identifier{b.identifier("picture", partValue(b.caseID, r.Record+"/"+key))},
		Status:     &mpb.Media_StatusCode{Value: cpb.EventStatusCode_COMPLETED},
		Subject:    r4.Ref(b.patientRef()),
		Encounter:  r4.Ref(b.encounterRef(r.Record)),
		BodySite:   b.siteInWords(p.Side, p.Digit, ""),
		Content:    &dpb.Attachment{Title: r4.String(p.Title), ContentType: photoType(p.Format)},
		Text: r4.NewText("Picture kept at the clinic").Row("Title", p.Title).Row("Taken", whenText(p.At)).
			Row("Place", placeText(p.Side, p.Digit, "")).Narrative(),
	}
	if p.At != nil {
		out.Created = &mpb.Media_CreatedX{Choice: &mpb.Media_CreatedX_DateTime{DateTime: b.when(p.At)}}
	}
	b.add(out)
}

// daysSinceSurgery builds how many days after the operation a visit took place:
// computed, never taken as entered. Days are those of the clinic's calendar.
func (b *builder) daysSinceSurgery(r *record.Record) {
	if b.surgery == nil || b.surgery.Surgery == nil {
		return
	}
	from, to := b.surgery.Surgery.SittingAt(), r.VisitAt()
	days, ok := daysBetween(from, to, b.s.Clinic.Zone)
	if !ok {
		return
	}
	f := b.named(r, "days-since-surgery", place{})
	f.computed = true
	f.value, f.valueText = quantityValue(r4.Quantity(strconv.Itoa(days), "d", "d")), strconv.Itoa(days)+" d"
	b.observe(f)
}

// daysBetween counts the days from one date to another in the clinic's zone.
func daysBetween(from, to *record.When, zone *time.Location) (int, bool) {
	if from == nil || to == nil || from.Precision < record.PrecisionDay || to.Precision < record.PrecisionDay {
		return 0, false
	}
	day := func(w *record.When) time.Time {
		y, m, d := w.Year, time.Month(w.Month), w.Day
		if w.HasTime() && w.HasOffset {
			t, _ := w.In(zone)
			y, m, d = t.In(zone).Date()
		}
		return time.Date(y, m, d, 0, 0, 0, 0, time.UTC)
	}
	return int(day(to).Sub(day(from)).Hours() / 24), true
}
