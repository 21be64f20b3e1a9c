// Package mapping turns clinic records into FHIR R4 and says everything a
// clinician should see about them. It is pure: no clock, disk, network,
// randomness or log. A case (one surgery sitting with its reviews and
// contacts) is folded, never patched: its resources are a function of all its
// current records, of dated facts, of acknowledgements and of the patient's
// context, so that late arrivals, amendments, withdrawals and repeats need no
// code of their own (decisions 1.1 to 1.7).
package mapping
