// Package record holds the clinic record: what a practice system saves when a
// clinician operates on an ingrown toenail, reviews the toe, or answers a call
// about it. It has the types, a strict decoder of its own, the JSON Schema that
// documents the format, and the checks of what was decoded.
//
// A record is one header and one of four trees: surgery, review, contact or merge.
// It is a tree and not a flat form, because two toes may be done in one
// sitting, and each toe has its block, its tourniquet periods and its borders.
//
// Every field may be absent. Absent is accepted and flagged; what is malformed
// in the parts that identify or endanger is refused with every place; anything
// else unreadable is kept as sent and flagged, and the rest is used (D2.1).
//
// One table rules all of it: fields, in fields.go, has an entry for each member
// of each type, with its list, unit, description and bounds, and what becomes
// of a record in which it is missing or unreadable. The decoder, the checks,
// the JSON Schema and Paths are all read from it.
//
//	bytes -> Decode -> Record, Findings -> Check (the clinic's zone) -> Findings
//	                   Record -> RedFlags
//	bytes -> ContentHash (D1.1)
//
// Read is Decode and Check in one.
package record
