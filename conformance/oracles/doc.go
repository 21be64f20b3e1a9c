// Package oracles asks outside references what they think of the resources that the bridge publishes.
//
// The first is HL7's Java validator, as HAPI FHIR packs it. A small Java program in the folder java
// drives it: offline, for R4, with extensions that have no StructureDefinition counted as errors. Beside the validator's
// own checks it asks the same terminology about every coding and its display, since the validator looks closely only at
// the first coding of a concept and never at a display; those findings have the id ORACLE_CODING. This package carries
// the program's source, builds it once with Maven into the user's cache folder, runs it, and reads what it says. One Java
// machine of each compiler serves all questions of a process. Of HL7's registry of OIDs the validator, which reads it anew for
// each document, is handed what the documents name; what is timed ([Options.Times]) is the validator as it comes.
//
// The others are in JavaScript, in the folder js, and report in the same lines: fhirpath.js, over every invariant of the
// official snapshots ([Walker]); @medplum/core, against those snapshots and ours ([Medplum]); @lhncbc/ucum-lhc, about units
// ([Units]). They take the snapshots that the Java validator makes of our definitions.
//
// The same program holds a reader with HAPI FHIR's generic client, which conformance/clients runs by [Command].
//
// It is an aid for tests. [Validate] and [Script.Ask] are the interface, [OwnDefinitions] what it needs for our own resources, and
// [Require] decides whether a test may do without it. No alarm is ignored but by a filter file that names its message
// id and exact place with a reason.
//
// What it cannot see, and what internal/validate therefore checks itself: check digits of SNOMED CT and LOINC,
// references to resources outside the input, urn references that dangle inside a Bundle, and con-3. Nor
// does it tell versions of a code system apart: it takes codes from the one that it has, whichever a coding or a value set
// names. None of ours names one.
package oracles
