package safety

import (
	"fmt"
	"math/big"

	"nailbridge/mapping/record"
)

// Perfusion judges the toe after tourniquet release (D2.3): not perfused,
// dusky, white or cold is critical; a slow refill is a note. A toe still numb
// is no finding while the block acts. The age, in years, chooses the limit of
// the refill: 2 s, and 4 s at the foot of a child (C-44); nil: an adult.
func Perfusion(toePlace string, toe record.Toe, age *int) Result {
	p := toe.Perfusion
	if p == nil {
		return Result{}
	}
	place := toePlace + "/perfusion"
	which := toeText(toe.Side, toe.Digit)
	r := perfusionRed(place, which, p)
	s := notNegative(p.RefillSeconds)
	if s == nil {
		return r
	}
	limit, source, tag := int64(2), "common practice, no source; some use 3 s", TagPractice
	if age != nil && *age < 18 {
		limit, source, tag = 4, "Fleming et al. 2015, Arch Dis Child 100:239", TagRead
	}
	if over(s, big.NewRat(limit, 1)) {
		r.flag(Flag{Code: RefillSlow, Level: record.LevelNote, Place: place, Source: source, Tag: tag, Check: "C-44",
			Inputs: []Input{{"capillary refill", p.RefillSeconds.String(), "s"}, {"limit", fmt.Sprint(limit), "s"}},
			Text:   fmt.Sprintf("Capillary refill of the %s %s s, over %d s. Source: %s [%s].", which, p.RefillSeconds, limit, source, tag)})
	}
	return r
}

// perfusionRed gives the red flags of a toe as seen.
func perfusionRed(place, which string, p *record.Perfusion) Result {
	var r Result
	add := func(code, name string, value record.Code, text string) {
		r.flag(Flag{Code: code, Level: record.LevelCritical, Place: place, Inputs: []Input{{name, string(value), ""}}, Source: "common practice, no source", Tag: TagPractice, Check: "C-58",
			Text: fmt.Sprintf("The %s %s after release of the tourniquet. Check the toe now.", which, text)})
	}
	if p.Returned == no {
		add(ToeNotPerfused, "perfusion returned", no, "was not seen to be perfused")
	}
	switch p.Colour {
	case "dusky":
		add(ToeDusky, "colour", p.Colour, "was dusky")
	case "white":
		add(ToeWhite, "colour", p.Colour, "was white")
	}
	if p.Cold == yes {
		add(ToeCold, "cold", yes, "was cold")
	}
	return r
}
