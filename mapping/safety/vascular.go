package safety

import (
	"fmt"
	"math/big"

	"nailbridge/mapping/record"
)

const (
	bandSource = "2016 and 2024 AHA/ACC guidelines on peripheral artery disease"
	wifi       = "ESC 2017 and IWGDF 2023 thresholds of ischaemia, PMC11279131 Table 2"
)

// band is a band of the ankle-brachial index (C-40).
type band int

const (
	bandNormal band = iota
	bandAbnormal
	bandBorderline
	bandNonCompressible
)

// indexBand classes an index after rounding it to two decimals, which leaves no
// gap between the bands (C-40).
func indexBand(index *big.Rat) band {
	hundredths, _ := new(big.Rat).SetString(index.FloatString(2))
	switch {
	case hundredths.Cmp(big.NewRat(90, 100)) <= 0:
		return bandAbnormal
	case hundredths.Cmp(big.NewRat(1, 1)) < 0:
		return bandBorderline
	case hundredths.Cmp(big.NewRat(140, 100)) > 0:
		return bandNonCompressible
	}
	return bandNormal
}

// rounded writes a value with two decimals.
func rounded(r *big.Rat) string {
	if r == nil {
		return ""
	}
	return r.FloatString(2)
}

// legIndex is what the pressures of one leg give.
type legIndex struct {
	place      string
	side       record.Code
	ankle, toe *big.Rat // indices; nil: not computable
	ankleMmHg  *big.Rat // higher of the two ankle pressures
	toeMmHg    *big.Rat
	in         []Input
}

// LegPlaces gives the path of each leg of a vascular assessment.
func LegPlaces(v *record.Vascular) []string {
	if v == nil {
		return nil
	}
	return places("/surgery/vascular/legs", record.LegKeys(v.Legs))
}

// legIndices computes the indices of each leg: the higher of the two ankle
// pressures, and the toe pressure, over the higher of the two arm pressures
// (C-39, C-42).
func legIndices(v *record.Vascular) []legIndex {
	if v == nil {
		return nil
	}
	arm := higher(v.LeftArmMmHg, v.RightArmMmHg)
	var out []legIndex
	for i, place := range LegPlaces(v) {
		l := &v.Legs[i]
		x := legIndex{place: place, side: l.Side, ankleMmHg: higher(l.DorsalisMmHg, l.TibialMmHg), toeMmHg: positive(l.ToeMmHg)}
		for _, p := range []struct {
			name string
			mmHg *record.Decimal
		}{{"left arm", v.LeftArmMmHg}, {"right arm", v.RightArmMmHg}, {"dorsalis pedis", l.DorsalisMmHg}, {"posterior tibial", l.TibialMmHg}, {"toe", l.ToeMmHg}} {
			if p.mmHg != nil {
				x.in = append(x.in, Input{p.name, p.mmHg.String(), "mm[Hg]"})
			}
		}
		if arm != nil && x.ankleMmHg != nil {
			x.ankle = new(big.Rat).Quo(x.ankleMmHg, arm)
		}
		if arm != nil && x.toeMmHg != nil {
			x.toe = new(big.Rat).Quo(x.toeMmHg, arm)
		}
		out = append(out, x)
	}
	return out
}

func higher(a, b *record.Decimal) *big.Rat {
	x, y := positive(a), positive(b)
	if x == nil || y != nil && y.Cmp(x) > 0 {
		return y
	}
	return x
}

// Vascular judges the pressures of the legs and the recorded ankle-brachial
// index: indices, bands and grade of ischaemia (C-39 to C-43).
func Vascular(v *record.Vascular, risks *record.Risks) Result {
	var r Result
	for _, l := range legIndices(v) {
		which := "the leg"
		if l.side != "" {
			which = "the " + string(l.side) + " leg"
		}
		if l.ankle != nil {
			r.figure(Figure{Code: AnkleIndex, Value: rounded(l.ankle), Unit: "1", Place: l.place, Inputs: l.in, Check: "C-39",
				Rule: "higher ankle pressure over higher arm pressure", Source: "2016 AHA/ACC guideline", Tag: TagRead})
			r.add(bandFlag(l.place, which, l.ankle, l.in))
		}
		if l.toe != nil {
			r.figure(Figure{Code: ToeIndex, Value: rounded(l.toe), Unit: "1", Place: l.place, Inputs: l.in, Check: "C-42",
				Rule: "toe pressure over higher arm pressure", Source: bandSource, Tag: TagRead})
			if indexAtMost(l.toe, 70) {
				r.flag(Flag{Code: ToeIndexAbnormal, Level: record.LevelWarning, Place: l.place, Inputs: l.in, Source: bandSource, Tag: TagRead, Check: "C-42",
					Text: fmt.Sprintf("The toe-brachial index of %s is %s, which is abnormal (0.70 or less). Source: %s [read].", which, rounded(l.toe), bandSource)})
			}
		}
		r.add(gradeIschaemia(l, which))
	}
	if risks != nil {
		if abi := positive(risks.AnkleBrachialIndex); abi != nil {
			r.add(bandFlag("/surgery/risks", "the operated leg", abi, []Input{{"ankle-brachial index", risks.AnkleBrachialIndex.String(), "1"}}))
		}
	}
	return r
}

func indexAtMost(index *big.Rat, hundredths int64) bool {
	x, _ := new(big.Rat).SetString(index.FloatString(2))
	return x.Cmp(big.NewRat(hundredths, 100)) <= 0
}

// bandFlag tells of an index outside the normal band (C-40).
func bandFlag(place, which string, index *big.Rat, in []Input) Result {
	var r Result
	add := func(code string, level record.Level, what string) {
		r.flag(Flag{Code: code, Level: level, Place: place, Inputs: in, Source: bandSource, Tag: TagRead, Check: "C-40",
			Text: fmt.Sprintf("The ankle-brachial index of %s is %s: %s. Source: %s [read].", which, rounded(index), what, bandSource)})
	}
	switch indexBand(index) {
	case bandAbnormal:
		add(IndexAbnormal, record.LevelWarning, "abnormal (0.90 or less)")
	case bandBorderline:
		add(IndexBorderline, record.LevelNote, "borderline (0.91 to 0.99)")
	case bandNonCompressible:
		add(IndexNonCompressible, record.LevelNote, "the arteries cannot be compressed (over 1.40); the toe-brachial index is used instead")
	}
	return r
}

// grader is one pressure that grades ischaemia.
type grader struct {
	name  string
	value *big.Rat
	unit  string
	// below are the bounds of grades 3, 2 and 1; at most, where atMost.
	below  [3]*big.Rat
	atMost [3]bool
}

func (g grader) grade() int {
	for i, bound := range g.below {
		if c := g.value.Cmp(bound); c < 0 || c == 0 && g.atMost[i] {
			return 3 - i
		}
	}
	return 0
}

// gradeIschaemia grades the ischaemia of a leg by the worst of its inputs, and says
// which set it (C-43). Above an index of 1.40 the ankle says nothing, so that
// only the toe pressure grades.
func gradeIschaemia(l legIndex, which string) Result {
	var r Result
	name, worst := "", -1
	for _, g := range l.graders() {
		if n := g.grade(); n > worst {
			name, worst = g.name+" "+g.value.FloatString(2)+" "+g.unit, n
		}
	}
	switch {
	case worst < 0:
		return r
	case worst == 0:
		r.flag(Flag{Code: IschaemiaGraded, Level: record.LevelNote, Place: l.place, Inputs: l.in, Source: "grade 0, not verified", Tag: TagMemory, Check: "C-43",
			Text: fmt.Sprintf("No pressure of %s reaches a grade of ischaemia of 1 to 3; that this is grade 0 is not verified [memory].", which)})
		return r
	}
	level := record.LevelNote
	if worst == 3 {
		level = record.LevelWarning
	}
	r.figure(Figure{Code: IschaemiaGrade, Value: fmt.Sprint(worst), Unit: "1", Place: l.place, Inputs: l.in, Check: "C-43", Source: wifi, Tag: TagRead,
		Rule: "worst grade, set by " + name})
	r.flag(Flag{Code: IschaemiaGraded, Level: level, Place: l.place, Inputs: l.in, Source: wifi, Tag: TagRead, Check: "C-43",
		Text: fmt.Sprintf("Ischaemia of %s is of grade %d of 3, set by %s. Source: %s [read].", which, worst, name, wifi)})
	return r
}

func (l legIndex) graders() []grader {
	var out []grader
	rat := func(a, b, c, over int64) [3]*big.Rat {
		return [3]*big.Rat{big.NewRat(a, over), big.NewRat(b, over), big.NewRat(c, over)}
	}
	compressible := l.ankle == nil || indexBand(l.ankle) != bandNonCompressible
	if l.ankle != nil && compressible {
		x, _ := new(big.Rat).SetString(l.ankle.FloatString(2))
		out = append(out, grader{name: "ankle-brachial index", value: x, below: rat(40, 60, 80, 100)})
	}
	if l.ankleMmHg != nil && l.ankle != nil && compressible {
		out = append(out, grader{name: "ankle pressure", value: l.ankleMmHg, unit: "mm[Hg]", below: rat(50, 70, 100, 1), atMost: [3]bool{false, true, true}})
	}
	if l.toeMmHg != nil {
		out = append(out, grader{name: "toe pressure", value: l.toeMmHg, unit: "mm[Hg]", below: rat(30, 40, 60, 1)})
	}
	return out
}
