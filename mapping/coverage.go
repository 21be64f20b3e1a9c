package mapping

import (
	_ "embed"

	"nailbridge/mapping/coverage"
)

//go:embed COVERAGE.md
var coverageText string

// Coverage is COVERAGE.md: which FHIR paths each place of the record reaches, and
// how every other path is made.
func Coverage() (*coverage.Table, error) { return coverage.Read(coverageText) }
