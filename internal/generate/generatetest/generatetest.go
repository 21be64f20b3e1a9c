// Package generatetest is a test aid: the clinic of invented cases, and the cases by patient.
package generatetest

import (
	"maps"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/google/uuid"

	"nailbridge/mapping"
	"nailbridge/mapping/record"
	"nailbridge/mapping/safety"
	"nailbridge/mapping/terms"
)

// Settings are those of the invented clinic of the generator.
var Settings = sync.OnceValue(func() mapping.Settings {
	zone, err := time.LoadLocation("Europe/London")
	if err != nil {
		panic(err)
	}
	limits, err := safety.Load("us-label")
	if err != nil {
		panic(err)
	}
	return mapping.Settings{
		Namespace: uuid.MustParse("3f0c9a3e-5d57-4b7b-9e6c-2a1f5be1c0aa"),
		Terms:     terms.MustLoad(),
		Codes:     terms.Setting{SnomedCT: terms.Licensed, HCPCS: true},
		Clinic: mapping.ClinicSettings{
			ID: "thistledown", Name: "Thistledown Foot Clinic", Zone: zone,
			IdentifierBase: "https://thistledown.example/id", Formulary: limits,
			ShareUnstated: "the region's agreement on direct care",
		},
	}
})

// ByPatient is every patient of some cases, with all deliveries of each record id that ever
// named the patient.
func ByPatient(cases [][]*record.Record, deliver func(*record.Record) mapping.Delivery) []mapping.PatientFold {
	byRecord := map[string][]mapping.Delivery{}
	records := map[record.Identifier]map[string]bool{}
	for _, r := range slices.Concat(cases...) {
		byRecord[r.Record] = append(byRecord[r.Record], deliver(r))
		p := *r.Patient.Identifier
		if records[p] == nil {
			records[p] = map[string]bool{}
		}
		records[p][r.Record] = true
	}
	var out []mapping.PatientFold
	for p, ids := range records {
		f := mapping.PatientFold{Patient: p}
		for _, id := range slices.Sorted(maps.Keys(ids)) {
			f.Deliveries = append(f.Deliveries, byRecord[id]...)
		}
		out = append(out, f)
	}
	slices.SortFunc(out, func(a, b mapping.PatientFold) int { return strings.Compare(a.Patient.Key(), b.Patient.Key()) })
	return out
}
