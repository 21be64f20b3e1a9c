package record

import (
	"net/url"
	"strconv"
)

// itemKeys gives each item of a list a key that stays when others come and go:
// its place (toe, border) with the sender's item key ("left-1:t1"), else with
// its ordinal among the items of that place without a key ("left-1#1"). A key
// sent twice counts once; its repeats count as without key. Ids and the places
// of flags are made of these keys.
func itemKeys[T any](items []T, of func(T) (place, key string)) []string {
	out := make([]string, len(items))
	seen := map[string]bool{}
	ordinal := map[string]int{}
	for i, item := range items {
		place, key := of(item)
		name := place + ":" + url.PathEscape(key)
		if key == "" || seen[name] {
			ordinal[place]++
			name = place + "#" + strconv.Itoa(ordinal[place])
		}
		seen[name] = true
		out[i] = name
	}
	return out
}

// ToeCode is the code of a toe in our code system "toe", such as "left-1"; ""
// when side or digit is absent.
func ToeCode(side, digit Code) string {
	if side == "" || digit == "" {
		return ""
	}
	return string(side) + "-" + string(digit)
}

// ToeKeys gives the key of each toe of a surgery.
func ToeKeys(ts []Toe) []string {
	return itemKeys(ts, func(t Toe) (string, string) { return ToeCode(t.Side, t.Digit), t.Key })
}

// BorderKeys gives the key of each border of a toe.
func BorderKeys(bs []Border) []string {
	return itemKeys(bs, func(b Border) (string, string) { return string(b.Border), b.Key })
}

// AgentKeys gives the key of each agent of a block.
func AgentKeys(as []Agent) []string {
	return itemKeys(as, func(a Agent) (string, string) { return "", a.Key })
}

// TourniquetKeys gives the key of each tourniquet period of a toe.
func TourniquetKeys(ts []Tourniquet) []string {
	return itemKeys(ts, func(t Tourniquet) (string, string) { return "", t.Key })
}

// ApplicationKeys gives the key of each application of a chemical.
func ApplicationKeys(as []Application) []string {
	return itemKeys(as, func(a Application) (string, string) { return "", a.Key })
}

// EventKeys gives the key of each untoward event.
func EventKeys(es []Event) []string {
	return itemKeys(es, func(e Event) (string, string) { return "", e.Key })
}

// FindingKeys gives the key of each toe looked at in a review or contact.
func FindingKeys(ts []ToeFindings) []string {
	return itemKeys(ts, func(t ToeFindings) (string, string) { return ToeCode(t.Side, t.Digit), t.Key })
}

// BorderFindingKeys gives the key of each border looked at.
func BorderFindingKeys(bs []BorderFindings) []string {
	return itemKeys(bs, func(b BorderFindings) (string, string) { return string(b.Border), b.Key })
}

// SpecimenKeys gives the key of each specimen of a record.
func SpecimenKeys(ss []Specimen) []string {
	return itemKeys(ss, func(s Specimen) (string, string) { return "", s.Key })
}

// AntibioticKeys gives the key of each antibiotic of a record.
func AntibioticKeys(as []Antibiotic) []string {
	return itemKeys(as, func(a Antibiotic) (string, string) { return "", a.Key })
}

// PhotoKeys gives the key of each picture of a record.
func PhotoKeys(ps []Photo) []string {
	return itemKeys(ps, func(p Photo) (string, string) { return "", p.Key })
}

// LegKeys gives the key of each leg of a vascular assessment.
func LegKeys(ls []Leg) []string {
	return itemKeys(ls, func(l Leg) (string, string) { return string(l.Side), "" })
}
