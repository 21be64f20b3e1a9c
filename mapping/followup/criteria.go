package followup

import (
	"slices"

	"nailbridge/mapping/record"
)

// CriteriaSource is where the criteria of a surgical site infection were read.
const CriteriaSource = "NHSN superficial incisional criteria, as annexed by the Dutch guideline database and answered in NHSN's FAQ"

// lastCriterionDay is the last day on which the criteria count; day 1 is that of
// the operation (C-57).
const lastCriterionDay = 30

// The criteria of a superficial infection that a record can state (C-57). That an
// organism grew from an aseptic sample is none of them: no record says how a
// sample was taken.
const (
	CriterionPus       record.Code = "criterion-pus"
	CriterionOpened    record.Code = "criterion-opened"
	CriterionDiagnosed record.Code = "criterion-diagnosed"
)

// Criteria are the published criteria of infection that a border met on a day,
// counted from 1 at the operation. assessed is false where nothing was recorded
// that could meet one. Outside the 30 days none counts. A finding "met" is no
// diagnosis, which is a clinician's.
func Criteria(day int, f *record.BorderFindings) (met []record.Code, assessed bool) {
	inf := f.Infection
	if inf == nil {
		inf = &record.Infection{}
	}
	assessed = len(inf.Findings) > 0 || inf.Diagnosis != "" || f.Exudate != "" || f.Opened != ""
	if !assessed || day < 1 || day > lastCriterionDay {
		return nil, assessed
	}
	has := func(codes ...record.Code) bool {
		return slices.ContainsFunc(codes, func(c record.Code) bool { return slices.Contains(inf.Findings, c) })
	}
	if has("pus") || f.Exudate == "purulent" {
		met = append(met, CriterionPus)
	}
	if f.Opened == "yes" && has("tenderness", "throbbing-pain", "swelling", "redness", "spreading-redness", "warmth") {
		met = append(met, CriterionOpened)
	}
	switch inf.Diagnosis {
	case "wound-infection", "cellulitis", "abscess":
		met = append(met, CriterionDiagnosed)
	}
	return met, true
}
