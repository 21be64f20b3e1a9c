// Package oracles asks outside references what they think of the resources that the bridge publishes.
//
// The one reference so far is HL7's Java validator, as HAPI FHIR packs it. A small Java program in the folder java
// drives it: offline, for R4, with extensions that have no StructureDefinition counted as errors. This package carries
// the program's source, builds it once with Maven into the user's cache folder, runs it, and reads what it says.
//
// It is an aid for tests. [Validate] is the whole interface; [Require] decides whether a test may do without it. What it
// cannot see, and what internal/validate therefore checks itself: displays of codings, check digits of SNOMED CT and
// LOINC, SNOMED CT codes that do not stand first in their CodeableConcept, references to resources outside the input,
// and invariants of severity warning such as con-3.
package oracles
