package mapping

import "nailbridge/mapping/record"

// DecideSharing is decideSharing for tests from outside.
func DecideSharing(ds []Delivery, p record.Identifier, c ClinicSettings) Sharing {
	return decideSharing(ds, p, c)
}

// SourceOf is how a Provenance names a delivery, for tests from outside.
func SourceOf(s Settings, d Delivery) Source {
	return newBuilder(s, *d.Record.Patient.Identifier).source(Current{Delivery: &d})
}
