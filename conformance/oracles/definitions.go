package oracles

import (
	"slices"

	"nailbridge/mapping/followup"
	"nailbridge/mapping/profiles"
	"nailbridge/mapping/terms"
)

// OwnDefinitions are the definitions that the bridge's resources point to, for [Options.Definitions]: our code systems,
// complete, with their value sets; our extensions and profiles; and fragments of SNOMED CT, LOINC and HCPCS that hold the codes
// which may leave.
func OwnDefinitions() ([][]byte, error) {
	codes, err := terms.Load()
	if err != nil {
		return nil, err
	}
	protocols, err := followup.Artifacts()
	if err != nil {
		return nil, err
	}
	var out [][]byte
	add := func(resourceType string, text []byte) {
		switch resourceType {
		case "StructureDefinition", "ValueSet", "CodeSystem":
			out = append(out, text)
		}
	}
	// Only the concept maps, which are no definitions, depend on the setting.
	for _, a := range slices.Concat(codes.Artifacts(terms.Setting{}), codes.Fragments(terms.Setting{SnomedCT: terms.Licensed, HCPCS: true}), profiles.Artifacts()) {
		add(a.Type, a.JSON)
	}
	for _, a := range protocols {
		add(a.Type, a.JSON)
	}
	return out, nil
}
