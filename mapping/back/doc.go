// Package back reads clinic records out of FHIR R4 resources: the way back of
// the fold in package mapping, by the same code maps read from right to left.
// It is pure: the same resources give the same records.
//
// It follows the elements of the standard and the extensions whose definitions
// are in mapping/terms. What says the same again (a narrative, a display), what
// was computed, and what the clock or the plan made of the records is not read
// and no record holds it. Every leaf of the input is either read or named in a
// finding (Result.Leaves), so that nothing is passed over in silence.
//
// Of each patient and member of staff the records hold what was folded: the
// latest statement of all records (D1.3). NotHere lists what no published
// resource can hold.
package back

// NotHere are the classes of values that stand in no published resource,
// alike for every record, so that the list tells nothing of any of them. A
// clinic's own store has them (with-kept).
var NotHere = []string{
	"safeguardingNote and withheldNote, and pictures whose consent is not agreed: kept, never published (D3.2)",
	"members that the record format does not know, and values that could not be read: kept with the record as sent (D2.1)",
	"what a later record says of the patient, the allergies, sharing or the staff in place of an earlier one: the latest stands in every record (D1.3, D3.1)",
	"drafts, withdrawn and refused records, revisions of which nothing was published, and patients who are not shared (D1.1, D2.1, D3.1)",
	"a value that repeats or contradicts another: a finding's own time equal to that of its record, a border's outcome equal to the surgery's, " +
		"a tourniquet used or not beside its periods, curettage beside the method curettage, no events beside events, a sign of infection twice",
	"that nobody said whether a review was attended at which something was found, and a date that has an antibiotic begin on the day of its record",
	"a toe, border or item that is named and of which nothing is said, and the time of findings of which none was made",
	"the order of toes, borders, tourniquets, specimens, antibiotics and pictures, zeros that pad a fraction of a second, and outer spaces of words",
}
