package mapping

import "nailbridge/mapping/record"

// DecideSharing is decideSharing for tests from outside.
func DecideSharing(ds []Delivery, p record.Identifier, c ClinicSettings) Sharing {
	return decideSharing(ds, p, c)
}
