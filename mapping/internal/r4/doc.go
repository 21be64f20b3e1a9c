// Package r4 builds google/fhir R4 datatypes tersely and turns finished
// resource protos into the bytes that the rest of the project holds.
//
// Builders return nil for what was not recorded, so that absent stays absent:
// an unset message field is written as nothing. Every call returns a new
// message, since marshalling edits what it writes and a message must never
// stand in two places (D5.10).
package r4
