// Package mapping turns clinic records into FHIR R4 and says everything a
// clinician should see about them. It is pure: no clock, disk, network,
// randomness or log. A case (one surgery sitting with its reviews and
// contacts) is folded, never patched: its resources are a function of all its
// current records, of dated facts, of acknowledgements and of the patient's
// context, so that late arrivals, amendments, withdrawals and repeats need no
// code of their own (D1.1 to D1.7).
//
// The files, in the order of a fold:
//
//   - fold: what goes in and comes out. patient_fold and case: FoldPatient, and
//     one case of it; waiting: a visit whose surgery is unknown.
//   - standing, kind, sharing, merge: which content counts, whether it may leave
//     the clinic, and which patients are one.
//   - ids, build: the ids of resources and the builder that holds them.
//   - context and one file a resource, by its name; of the larger ones also
//     finding_*, complication, checklist, sent, stated and letter. staff is what
//     is said of one Practitioner by several patients' records.
//   - flag, with redflag, atrisk and ahead: what a clinician should see.
//   - withdrawal, check: a resource that is no longer true, and google/fhir's
//     verdict on one.
package mapping
