package safety

import (
	"fmt"
	"strings"

	"nailbridge/mapping/record"
)

const iwgdf = "IWGDF 2019 and 2023, Schaper et al. 2020 Table 1"

// footState is what the classes of the diabetic foot are made of; a nil answer
// is not known.
type footState struct {
	sensation, arterial, deformity, callus, ulcer, amputation, renal, active *bool
	in                                                                       []Input
}

// FootRisk classes the foot of a person with diabetes (C-45, C-46). Nobody else
// has a class.
func FootRisk(v *record.Vascular, risks *record.Risks) Result {
	var r Result
	if risks == nil || risks.Diabetes != yes {
		return r
	}
	f := readFoot(v, risks)
	r.add(f.iwgdf())
	r.add(f.uk())
	return r
}

func readFoot(v *record.Vascular, x *record.Risks) footState {
	var f footState
	read := func(name string, a record.Code) *bool {
		if a != yes && a != no {
			return nil
		}
		f.in = append(f.in, Input{name, string(a), ""})
		found := a == yes
		return &found
	}
	f.sensation, f.arterial = read("loss of sensation", x.Neuropathy), read("arterial disease", x.ArterialDisease)
	f.deformity, f.callus = read("deformity", x.Deformity), read("callus", x.Callus)
	f.ulcer, f.amputation = read("earlier ulcer", x.EarlierUlcer), read("earlier amputation", x.EarlierAmputation)
	f.renal, f.active = read("renal replacement", x.RenalReplacement), read("active foot problem", x.ActiveFootProblem)
	if low := lowIndex(v, x); low && (f.arterial == nil || !*f.arterial) {
		f.arterial = &low
		f.in = append(f.in, Input{"ankle-brachial index", "0.90 or less", "1"})
	}
	return f
}

// lowIndex reports an ankle-brachial index of 0.90 or less on either leg.
func lowIndex(v *record.Vascular, x *record.Risks) bool {
	if abi := positive(x.AnkleBrachialIndex); abi != nil && indexBand(abi) == bandAbnormal {
		return true
	}
	for _, l := range legIndices(v) {
		if l.ankle != nil && indexBand(l.ankle) == bandAbnormal {
			return true
		}
	}
	return false
}

func is(b *bool) bool { return b != nil && *b }
func count(bs ...*bool) (n int) {
	for _, b := range bs {
		if is(b) {
			n++
		}
	}
	return n
}

// iwgdf is the category by loss of sensation, arterial disease, deformity and
// history (C-45). A category needs the answers that could raise it.
func (f footState) iwgdf() Result {
	var r Result
	history := is(f.ulcer) || is(f.amputation) || is(f.renal)
	either := is(f.sensation) || is(f.arterial)
	category := -1
	switch {
	case either && history:
		category = 3
	case f.sensation == nil || f.arterial == nil || f.deformity == nil || f.ulcer == nil || f.amputation == nil || f.renal == nil:
	case !either && (is(f.ulcer) || is(f.amputation)):
		r.flag(Flag{Code: FootRiskRecheck, Level: record.LevelNote, Place: "/surgery/risks", Inputs: f.in, Source: iwgdf, Tag: TagRead, Check: "C-45",
			Text: "An earlier ulcer or amputation is recorded without loss of sensation or arterial disease: recheck both before classing the foot. Source: " + iwgdf + " [read]."})
		return r
	case either && count(f.sensation, f.arterial, f.deformity) >= 2:
		category = 2
	case either:
		category = 1
	default:
		category = 0
	}
	if category < 0 {
		r.flag(Flag{Code: FootRiskUnknown, Level: record.LevelNote, Place: "/surgery/risks", Inputs: f.in, Source: iwgdf, Tag: TagRead, Check: "C-45",
			Text: "The risk category of the diabetic foot cannot be computed: not all questions are answered. Source: " + iwgdf + " [read]."})
		return r
	}
	r.figure(Figure{Code: IWGDFCategory, Value: fmt.Sprint(category), Unit: "1", Place: "/surgery/risks", Inputs: f.in, Source: iwgdf, Tag: TagRead, Check: "C-45", Rule: "IWGDF risk category"})
	r.flag(Flag{Code: FootRiskIWGDF, Level: record.LevelNote, Place: "/surgery/risks", Inputs: f.in, Source: iwgdf, Tag: TagRead, Check: "C-45",
		Text: fmt.Sprintf("The foot is of risk category %d of 3 by IWGDF; screening every %s, by expert opinion. Source: %s [read].", category, screening[category], iwgdf)})
	return r
}

var screening = [4]string{"year", "6 to 12 months", "3 to 6 months", "1 to 3 months"}

// uk is the class of the UK screening scheme (C-46), told in a note since its
// source was read at second hand.
func (f footState) uk() Result {
	var r Result
	class, tag := "", TagVia
	neuropathy, ischaemia := is(f.sensation), is(f.arterial)
	switch {
	case is(f.active):
		class, tag = "active", TagMemory
	case is(f.ulcer), is(f.amputation), is(f.renal), neuropathy && ischaemia,
		(neuropathy || ischaemia) && (is(f.callus) || is(f.deformity)):
		class = "high"
	case f.sensation == nil || f.arterial == nil || f.deformity == nil || f.ulcer == nil || f.amputation == nil || f.renal == nil:
		return r
	case is(f.deformity), neuropathy, ischaemia:
		class = "moderate"
	default:
		class = "low"
	}
	const source = "pages restating NICE NG19 (2015)"
	r.flag(Flag{Code: FootRiskUK, Level: record.LevelNote, Place: "/surgery/risks", Inputs: append(f.in, Input{"class", class, ""}), Source: source, Tag: tag, Check: "C-46",
		Text: fmt.Sprintf("The foot is of %s risk by the UK classes. Source: %s [%s].", class, source, tag)})
	return r
}

// stages are those of each staging system (C-47 to C-49).
var stages = map[record.Code]string{"heifetz": "I II III", "mozena": "I IIa IIb III", "martinez-nova": "I IIa IIb III IV"}

// StageSystem warns of a stage that the system named does not have: the list of
// stages is the union of all systems (D2.1; C-47 to C-49).
func StageSystem(i *record.Indication) Result {
	var r Result
	if i == nil || i.Stage == "" || i.StageSystem == "" {
		return r
	}
	for _, s := range strings.Fields(stages[i.StageSystem]) {
		if s == string(i.Stage) {
			return r
		}
	}
	check := map[record.Code]string{"heifetz": "C-47", "mozena": "C-48", "martinez-nova": "C-49"}[i.StageSystem]
	const source = "Martínez-Nova et al. 2007, JAPMA 97:389"
	r.flag(Flag{Code: StageOfOtherSystem, Level: record.LevelWarning, Place: "/surgery/indication", Source: source, Tag: TagRead, Check: check,
		Inputs: []Input{{"stage", string(i.Stage), ""}, {"system", string(i.StageSystem), ""}},
		Text: fmt.Sprintf("%s is no stage of the system %s, which has %s. Source: %s [read].", record.StageSet.Display(i.Stage), record.StageSystemSet.Display(i.StageSystem),
			strings.Join(strings.Fields(stages[i.StageSystem]), ", "), source)})
	return r
}
