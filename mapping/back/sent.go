package back

import (
	"reflect"
	"slices"
	"strings"
	"time"

	"nailbridge/mapping/record"
	"nailbridge/mapping/terms"
)

// sent are the specimens, antibiotics and pictures of a record in the making.
type sent struct {
	specimens   []numbered[record.Specimen]
	antibiotics []numbered[record.Antibiotic]
	photos      []numbered[record.Photo]
}

func items[T any](list []numbered[T]) []T {
	slices.SortStableFunc(list, func(a, b numbered[T]) int { return compareKeys(a.key, b.key) })
	var out []T
	for _, x := range list {
		out = append(out, x.item)
	}
	return out
}

func (v *visit) finishSent() {
	specimens, antibiotics, photos := items(v.sent.specimens), items(v.sent.antibiotics), items(v.sent.photos)
	switch {
	case v.rec.Surgery != nil:
		v.rec.Surgery.Specimens, v.rec.Surgery.Antibiotics, v.rec.Surgery.Photos = specimens, antibiotics, photos
	case v.rec.Review != nil:
		v.rec.Review.Specimens, v.rec.Review.Antibiotics, v.rec.Review.Photos = specimens, antibiotics, photos
	case v.rec.Contact != nil:
		v.rec.Contact.Specimens, v.rec.Contact.Antibiotics, v.rec.Contact.Photos = specimens, antibiotics, photos
	}
}

// lastPart is the item key at the end of a number of ours, and what stands
// between it and the case: the record id.
func lastPart(number string) (recordID, itemKey string) {
	_, rest, _ := strings.Cut(number, "/")
	i := strings.LastIndexByte(rest, '/')
	if i < 0 {
		return "", rest
	}
	return rest[:i], rest[i+1:]
}

// specimen reads a specimen; its result is an Observation.
func (r *reader) specimen(x *res) {
	recordID, k := lastPart(r.number(x.node, "specimen"))
	p := r.follow(x.get("subject"))
	if p == nil {
		return
	}
	v := r.recordVisit(recordID, p.ref)
	if v == nil {
		return
	}
	c := x.get("collection")
	at := r.spotOf(c.get("bodySite"), c, terms.ExtBodySite)
	s := v.specimen(k)
	s.Kind, s.At = r.code("specimen-kind", x.get("type")), r.when(c, "collectedDateTime")
	s.Side, s.Digit, s.Border = at.side, at.digit, at.border
	if a := x.get("accessionIdentifier"); a != nil {
		s.LabNumber = take(a)
	}
	x.take("status")
	r.sameDoer(c.get("collector"), v)
}

// specimen finds or starts a specimen of a record.
func (v *visit) specimen(itemKey string) *record.Specimen {
	for i := range v.sent.specimens {
		if v.sent.specimens[i].key == itemKey {
			return &v.sent.specimens[i].item
		}
	}
	v.sent.specimens = append(v.sent.specimens, numbered[record.Specimen]{itemKey, record.Specimen{Key: key(itemKey)}})
	return &v.sent.specimens[len(v.sent.specimens)-1].item
}

// antibiotic reads that an antibiotic was supplied or recommended.
func (r *reader) antibiotic(x *res) {
	v := r.of(x)
	if v == nil {
		return
	}
	_, k := lastPart(r.number(x.node, "antibiotic"))
	what := x.get("medicationCodeableConcept")
	a := record.Antibiotic{Key: key(k), Agent: r.code("antibiotic", what)}
	if what.get("text") != nil {
		a.Text = r.more("antibiotic", a.Agent, what)
	}
	what.take("extension")
	if text := x.get("category").peek("text"); text != "" {
		for _, s := range record.SupplierSet.Values {
			if s.Display == text {
				a.Supplier = s.Code
				x.take("category")
			}
		}
	}
	d := x.first("dosage")
	a.DoseMg = quantity(d.first("doseAndRate").get("doseQuantity"), "mg")
	repeat := d.get("timing", "repeat")
	if repeat.peek("periodUnit") == "d" && repeat.peek("period") == "1" {
		a.PerDay = whole(repeat, "frequency")
		repeat.take("period")
		repeat.take("periodUnit")
	}
	if b := repeat.get("boundsDuration"); b.peek("code") == "d" {
		a.Days = whole(b, "value")
		b.take()
	}
	d.take("text")
	from := r.when(x.node, "effectiveDateTime")
	if from == nil {
		from = r.when(x.get("effectivePeriod"), "start")
		r.lastDay(x, from, a.Days)
	}
	if from != nil && !sameDay(from, v.at()) {
		a.From = from
	}
	x.take("status")
	r.sameDoer(x.get("informationSource"), v)
	v.sent.antibiotics = append(v.sent.antibiotics, numbered[record.Antibiotic]{k, a})
}

// lastDay reads the last day of taking, which the first and the number of days
// say again.
func (r *reader) lastDay(x *res, first *record.When, days *int64) {
	last := r.when(x.get("effectivePeriod"), "end")
	if last == nil || first == nil || days == nil {
		return
	}
	want := time.Date(first.Year, time.Month(first.Month), first.Day, 0, 0, 0, 0, time.UTC).AddDate(0, 0, int(*days)-1)
	if last.String() != want.Format(time.DateOnly) {
		x.leave("effectivePeriod", "end")
	}
}

// sameDay reports that a says no more than the day of b.
func sameDay(a, b *record.When) bool {
	if a == nil || b == nil {
		return a == b
	}
	return a.String() == b.String() || a.Precision == record.PrecisionDay && b.Precision > record.PrecisionDay &&
		a.Year == b.Year && a.Month == b.Month && a.Day == b.Day
}

var photoFormats = map[string]record.Code{"image/jpeg": "jpeg", "image/png": "png", "image/heic": "heic", "application/dicom": "dicom"}

// photo reads that a picture is kept at the clinic; one that is told of was
// agreed to (D3.2).
func (r *reader) photo(x *res) {
	v := r.of(x)
	if v == nil {
		return
	}
	_, k := lastPart(r.number(x.node, "picture"))
	at := r.site(x.get("bodySite"))
	p := record.Photo{
		Key: key(k), Consent: "agreed", Side: at.side, Digit: at.digit, At: r.when(x.node, "createdDateTime"),
		Format: photoFormats[x.str("content", "contentType")], Title: x.str("content", "title"),
	}
	x.take("status")
	v.sent.photos = append(v.sent.photos, numbered[record.Photo]{k, p})
}

// sameDoer reads a reference to a person that says again who examined, operated
// or answered; to another, it stays unread.
func (r *reader) sameDoer(ref *node, v *visit) { r.samePerson(ref, v.doer()) }

func (r *reader) samePerson(ref *node, want *record.Person) {
	if ref == nil {
		return
	}
	if who := r.person(ref); !reflect.DeepEqual(who, want) {
		ref.leave()
	}
}

// doer is who examined, operated or answered in a record.
func (v *visit) doer() *record.Person {
	switch {
	case v.rec.Surgery != nil:
		return v.rec.Surgery.Operator
	case v.rec.Review != nil:
		return v.rec.Review.Reviewer
	case v.rec.Contact != nil:
		return v.rec.Contact.TakenBy
	}
	return nil
}
