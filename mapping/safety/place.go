package safety

import (
	"strconv"
	"strings"

	"nailbridge/mapping/record"
)

// places builds one path per item of a list: the sender's key, else the
// item's own name, else its ordinal; a name met again gets its ordinal too, so
// that no two items share a path.
func places(base string, n int, name func(i int) string) []string {
	seen := map[string]bool{}
	out := make([]string, n)
	for i := range out {
		s := name(i)
		if s == "" {
			s = "#" + strconv.Itoa(i+1)
		}
		for seen[s] {
			s += "#" + strconv.Itoa(i+1)
		}
		seen[s] = true
		out[i] = base + "/" + escape(s)
	}
	return out
}

func escape(s string) string {
	return strings.NewReplacer("~", "~0", "/", "~1").Replace(s)
}

func firstOf(names ...string) string {
	for _, n := range names {
		if n != "" {
			return n
		}
	}
	return ""
}

// ToePlaces gives the path of each toe of a surgery: key, else side and digit.
func ToePlaces(s *record.Surgery) []string {
	return places("/surgery/toes", len(s.Toes), func(i int) string {
		t := s.Toes[i]
		return firstOf(t.Key, toeName(t.Side, t.Digit))
	})
}

func toeName(side, digit record.Code) string {
	if side == "" || digit == "" {
		return ""
	}
	return string(side) + "-" + string(digit)
}

// AgentPlaces gives the path of each injection of a toe's block: key, else
// ordinal.
func AgentPlaces(toePlace string, t *record.Toe) []string {
	if t.Block == nil {
		return nil
	}
	return places(toePlace+"/block/agents", len(t.Block.Agents), func(i int) string {
		return t.Block.Agents[i].Key
	})
}

// TourniquetPlaces gives the path of each tourniquet period of a toe: key,
// else ordinal.
func TourniquetPlaces(toePlace string, t *record.Toe) []string {
	return places(toePlace+"/tourniquets", len(t.Tourniquets), func(i int) string {
		return t.Tourniquets[i].Key
	})
}

// BorderPlaces gives the path of each border of a toe: key, else border.
func BorderPlaces(toePlace string, t *record.Toe) []string {
	return places(toePlace+"/borders", len(t.Borders), func(i int) string {
		return firstOf(t.Borders[i].Key, string(t.Borders[i].Border))
	})
}

// AgentPlace is the path of the totals of one agent over a sitting.
func AgentPlace(agent record.Code) string {
	return "/surgery/anaesthetic/" + escape(string(agent))
}

// AnaestheticPlace is the path of what concerns all agents of a sitting.
const AnaestheticPlace = "/surgery/anaesthetic"

// toeText names a toe in a sentence: "left hallux".
func toeText(side, digit record.Code) string {
	name := "toe"
	for _, v := range record.DigitSet.Values {
		if v.Code == digit {
			name = strings.ToLower(v.Display)
		}
	}
	if side == "" {
		return name + " (side not recorded)"
	}
	return string(side) + " " + name
}

// display is the meaning of a code in its set, or the code itself.
func display(set record.Set, code record.Code) string {
	for _, v := range set.Values {
		if v.Code == code {
			return v.Display
		}
	}
	return string(code)
}
