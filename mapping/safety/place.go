package safety

import (
	"strings"

	"nailbridge/mapping/record"
)

// places builds one path per item of a list from the keys of its items.
func places(base string, keys []string) []string {
	for i, k := range keys {
		keys[i] = base + "/" + escaper.Replace(k)
	}
	return keys
}

// escaper writes a key as a token of RFC 6901.
var escaper = strings.NewReplacer("~", "~0", "/", "~1")

// ToePlaces gives the path of each toe of a surgery, by record.ToeKeys.
func ToePlaces(s *record.Surgery) []string {
	return places("/surgery/toes", record.ToeKeys(s.Toes))
}

// AgentPlaces gives the path of each injection of a toe's block, by
// record.AgentKeys.
func AgentPlaces(toePlace string, t *record.Toe) []string {
	if t.Block == nil {
		return nil
	}
	return places(toePlace+"/block/agents", record.AgentKeys(t.Block.Agents))
}

// TourniquetPlaces gives the path of each tourniquet period of a toe, by
// record.TourniquetKeys.
func TourniquetPlaces(toePlace string, t *record.Toe) []string {
	return places(toePlace+"/tourniquets", record.TourniquetKeys(t.Tourniquets))
}

// BorderPlaces gives the path of each border of a toe, by record.BorderKeys.
func BorderPlaces(toePlace string, t *record.Toe) []string {
	return places(toePlace+"/borders", record.BorderKeys(t.Borders))
}

// AgentPlace is the path of the totals of one agent over a sitting.
func AgentPlace(agent record.Code) string {
	return AnaestheticPlace + "/" + escaper.Replace(string(agent))
}

// AnaestheticPlace is the path of what concerns all agents of a sitting.
const AnaestheticPlace = "/surgery/anaesthetic"

// toeText names a toe in a sentence: "left hallux".
func toeText(side, digit record.Code) string {
	name := "toe"
	if record.DigitSet.Has(digit) {
		name = strings.ToLower(record.DigitSet.Display(digit))
	}
	if side == "" {
		return name + " (side not recorded)"
	}
	return string(side) + " " + name
}
