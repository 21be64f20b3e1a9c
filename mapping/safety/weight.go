package safety

import (
	"fmt"
	"math/big"

	"nailbridge/mapping/record"
)

// WeightConvention says which weight a limit in mg/kg is multiplied by (C-7). It
// is the clinic's choice; a cap of the set itself holds besides.
type WeightConvention string

// The conventions.
const (
	WeightRecorded WeightConvention = "" // as recorded
	// WeightIdeal takes the ideal body weight of an obese adult, else the weight
	// as recorded. It needs the height.
	WeightIdeal WeightConvention = "ideal-in-obesity"
	// WeightCapped takes no more than 70 kg.
	WeightCapped WeightConvention = "cap-70-kg"
)

// WeightConventions lists those that a clinic may choose.
func WeightConventions() []WeightConvention { return []WeightConvention{WeightIdeal, WeightCapped} }

// Valid reports that w is a convention.
func (w WeightConvention) Valid() bool {
	return w == WeightRecorded || w == WeightIdeal || w == WeightCapped
}

const (
	capSource   = "podiatry teaching slides \"Local anaesthetic drugs\""
	idealSource = "BNF monographs; formula of Devine 1974, obesity from a body-mass index of 30"
)

// multiplied is the weight that mg/kg is multiplied by.
type multiplied struct {
	kg *big.Rat // nil: not recorded
	// readKg is the weight by such rules alone as were read or are the set's own;
	// kg is lower where a rule that was not read lowers it (D2.4).
	readKg *big.Rat
	words  string // how kg came about
	// missing says what the convention lacks; then kg is an upper bound.
	missing string
}

// weight makes out the weight that the set and the clinic's convention
// multiply.
func (in DoseInput) weight() multiplied {
	kg := positive(in.WeightKg)
	w := multiplied{kg: kg, readKg: kg, words: "weight as recorded"}
	if kg == nil {
		return w
	}
	if limit := in.Formulary.WeightCapKg; limit != nil && over(kg, limit) {
		w.lower(limit, true, fmt.Sprintf("weight capped at %s kg by the set", exact(limit)))
	}
	switch in.Weight {
	case WeightCapped:
		if seventy := big.NewRat(70, 1); over(kg, seventy) {
			w.lower(seventy, true, fmt.Sprintf("weight capped at 70 kg, the clinic's convention after %s [%s]", capSource, TagRead))
		}
	case WeightIdeal:
		in.ideal(&w, kg)
	}
	return w
}

// lower takes kg where it is less than what is taken so far.
func (w *multiplied) lower(kg *big.Rat, read bool, words string) {
	if kg.Cmp(w.kg) < 0 {
		w.kg, w.words = kg, words
	}
	if read {
		w.readKg = minRat(w.readKg, kg)
	}
}

// ideal takes the ideal body weight of an obese adult. The formula is one of
// adults of 152.4 cm (60 in) or more; a sex that is neither male nor female takes
// the lower of the two.
func (in DoseInput) ideal(w *multiplied, kg *big.Rat) {
	if in.AgeYears != nil && *in.AgeYears < 18 {
		w.words = "weight as recorded; the clinic's convention of ideal weight is one for adults"
		return
	}
	cm := positive(in.HeightCm)
	if cm == nil {
		w.missing = "height not recorded, so the ideal body weight by the clinic's convention is not known"
		return
	}
	metre := new(big.Rat).Quo(cm, big.NewRat(100, 1))
	obeseFrom := metre.Mul(metre, metre)
	if obeseFrom.Mul(obeseFrom, big.NewRat(30, 1)); kg.Cmp(obeseFrom) < 0 {
		w.words += "; not obese, so the clinic's convention of ideal weight leaves it"
		return
	}
	if cm.Cmp(big.NewRat(1524, 10)) < 0 {
		w.missing = "the formula of the ideal body weight, the clinic's convention in obesity, holds from a height of 152.4 cm"
		return
	}
	ideal := IdealWeight(cm, in.Sex)
	w.lower(ideal, false, fmt.Sprintf("ideal body weight at %s cm, the clinic's convention in obesity after %s [%s]", in.HeightCm, idealSource, TagVia))
}

// IdealWeight is the ideal body weight in kg of an adult of a height in cm, by
// Devine's formula: 50 kg for men and 45.5 kg for others, and 2.3 kg for each
// inch of 2.54 cm over 60 (C-7 names the convention and gives no formula).
func IdealWeight(cm *big.Rat, sex record.Code) *big.Rat {
	base := big.NewRat(455, 10)
	if sex == "male" {
		base = big.NewRat(50, 1)
	}
	inches := new(big.Rat).Quo(cm, big.NewRat(254, 100))
	inches.Sub(inches, big.NewRat(60, 1))
	return base.Add(base, inches.Mul(inches, big.NewRat(23, 10)))
}
