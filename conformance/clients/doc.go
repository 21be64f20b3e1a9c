// Package clients reads the hub as others do: with a FHIR client of JavaScript (fhir-kit-client), with HAPI FHIR's generic
// client, and with a search that looks at every resource, written in JavaScript from R4's section 3.1.1 over fhirpath.js and
// R4's own expressions, which shares no code with the index. fhir-kit-client's walk and the search without an index report seeded
// faults before they are believed. Node, npm and Maven fetch what these need, as the lock file and
// the pom of conformance/oracles name it.
//
// It has tests only, which run in CI and with NAILBRIDGE_ORACLE=1.
package clients
