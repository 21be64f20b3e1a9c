package safety

import (
	"fmt"
	"math/big"
	"sort"
	"strings"
	"time"

	"nailbridge/mapping/record"
)

// The limits of a tourniquet on a digit (C-25). The limit of a limb cuff
// (120 min) is for thigh, calf and ankle and is never used here (C-26);
// pressure is not recorded and never validated (C-27).
const (
	digitLimit     = 20 * time.Minute
	reperfusionMin = 3 * time.Minute
	oneMinute      = time.Minute
)

const (
	timeSource     = "Becerro de Bengoa Vallejo et al. 2013, Dermatol Surg 39(4)"
	deviceSource   = "abstracts restating the 2009 patient-safety alert on digital tourniquets (orthopaedic proceedings 94-B XXXIII, 2012; a letter on glove fingers)"
	retainedSource = "Manske 2020, AHRQ PSNet, \"Nothing called small surgery\""
)

// period is one tourniquet period with its times resolved.
type period struct {
	record.Tourniquet
	place   string
	on, off time.Time
	timed   bool // both times known to the minute and in order
	coarse  bool // seconds absent in one of them (D5.6)
}

// TourniquetTimes judges the tourniquet of one toe: each period, the
// reperfusion between two, the device, and the sign-out (C-24 to C-28).
// The toe's path is the one that ToePlaces gives.
func TourniquetTimes(toePlace string, toe record.Toe, zone *time.Location) Result {
	var r Result
	place := toePlace + "/tourniquets"
	which := toeText(toe.Side, toe.Digit)
	switch {
	case toe.Tourniquet == "used" && len(toe.Tourniquets) == 0:
		r.flag(Flag{Code: ReleaseMissing, Level: record.LevelCritical, Place: place, Check: "C-25", Source: timeSource, Tag: TagRead,
			Text: fmt.Sprintf("A tourniquet was used on the %s, and no release is recorded. Check the toe now.", which)})
	case toe.Tourniquet == "not-used" && len(toe.Tourniquets) > 0:
		r.flag(Flag{Code: TourniquetUseDisputed, Level: record.LevelWarning, Place: place, Check: "C-28",
			Text: fmt.Sprintf("The record says that no tourniquet was used on the %s, and also holds a tourniquet period.", which)})
	case toe.Tourniquet == "" && len(toe.Tourniquets) == 0:
		r.flag(Flag{Code: TourniquetUseUnknown, Level: record.LevelNote, Place: place, Check: "C-28", Tag: TagPractice,
			Text: fmt.Sprintf("Whether a tourniquet was used on the %s is not recorded.", which)})
	}
	places := TourniquetPlaces(toePlace, &toe)
	var timed []period
	for i, t := range toe.Tourniquets {
		p := resolve(t, places[i], zone)
		r.add(p.device(which))
		r.add(p.times(which))
		if p.timed {
			timed = append(timed, p)
		}
	}
	r.add(together(timed, len(toe.Tourniquets), place, which))
	if tourniquetUsed(&toe) {
		if ok, missing := SignOutComplete(&toe); !ok {
			r.flag(Flag{Code: SignOutIncomplete, Level: record.LevelWarning, Place: place, Check: "C-28", Tag: TagPractice, Source: "common practice, no source",
				Inputs: listInputs("missing", missing),
				Text:   fmt.Sprintf("The tourniquet sign-out of the %s is incomplete: %s.", which, strings.Join(missing, ", "))})
		}
	}
	return r
}

func tourniquetUsed(t *record.Toe) bool {
	return t.Tourniquet == "used" || len(t.Tourniquets) > 0
}

// SignOutComplete says whether every period has its off time and was counted
// out and the toe was perfused after release, and what is missing (C-28).
func SignOutComplete(t *record.Toe) (complete bool, missing []string) {
	off, counted := len(t.Tourniquets) > 0, len(t.Tourniquets) > 0
	for _, p := range t.Tourniquets {
		off = off && p.Off != nil
		counted = counted && p.CountedOut == yes
	}
	if !off {
		missing = append(missing, "off time")
	}
	if t.Perfusion == nil || t.Perfusion.Returned != yes {
		missing = append(missing, "perfusion seen to return")
	}
	if !counted {
		missing = append(missing, "device counted out")
	}
	return len(missing) == 0, missing
}

func listInputs(name string, values []string) []Input {
	var in []Input
	for _, v := range values {
		in = append(in, Input{name, v, ""})
	}
	return in
}

func resolve(t record.Tourniquet, place string, zone *time.Location) period {
	p := period{Tourniquet: t, place: place}
	if t.On == nil || t.Off == nil || t.On.Precision < record.PrecisionMinute || t.Off.Precision < record.PrecisionMinute {
		return p
	}
	p.on, _ = t.On.In(zone)
	p.off, _ = t.Off.In(zone)
	p.timed = !p.off.Before(p.on)
	p.coarse = t.On.Precision == record.PrecisionMinute || t.Off.Precision == record.PrecisionMinute
	return p
}

func (p period) inputs() []Input {
	var in []Input
	if p.On != nil {
		in = append(in, Input{"on", p.On.Text, ""})
	}
	if p.Off != nil {
		in = append(in, Input{"off", p.Off.Text, ""})
	}
	return in
}

// device judges what was used as tourniquet (C-24).
func (p period) device(which string) Result {
	var r Result
	if p.Device == "glove" {
		r.flag(Flag{Code: TourniquetGlove, Level: record.LevelCritical, Place: p.place, Inputs: []Input{{"device", "glove", ""}}, Source: deviceSource, Tag: TagRead, Check: "C-24",
			Text: fmt.Sprintf("A surgical glove was used as tourniquet on the %s; the alert asks for a purpose-made, brightly coloured device. Source: %s [read].", which, deviceSource)})
	}
	if strings.TrimSpace(p.Colour) == "" {
		r.flag(Flag{Code: TourniquetColour, Level: record.LevelWarning, Place: p.place, Source: deviceSource, Tag: TagRead, Check: "C-24",
			Text: fmt.Sprintf("The colour of the tourniquet on the %s is not recorded; the alert asks for a brightly coloured device. Source: %s [read].", which, deviceSource)})
	}
	return r
}

// times judges the minutes of one period (C-25). The flag follows the nominal
// figure; with seconds absent, a note is added when one minute either way
// would change the verdict (D5.6).
func (p period) times(which string) Result {
	var r Result
	base := Flag{Place: p.place, Inputs: p.inputs(), Source: timeSource, Tag: TagRead, Check: "C-25"}
	with := func(code string, level record.Level, text string) {
		f := base
		f.Code, f.Level, f.Text = code, level, text
		r.flag(f)
	}
	if p.Off == nil {
		with(ReleaseMissing, record.LevelCritical, fmt.Sprintf("No release of the tourniquet on the %s is recorded. Check the toe now.", which))
		return r
	}
	if !p.on.IsZero() && p.off.Before(p.on) {
		with(TimesReversed, record.LevelCritical, fmt.Sprintf("The tourniquet on the %s is recorded as released at %s, before it was applied at %s: the release is not certain.", which, p.Off.Text, p.On.Text))
		return r
	}
	if !p.timed {
		with(TourniquetUnknownTime, record.LevelWarning, fmt.Sprintf("The tourniquet minutes of the %s are not computable: on and off are not both recorded to the minute.", which))
		return r
	}
	d := p.off.Sub(p.on)
	r.figure(Figure{Code: TourniquetMinutes, Value: minutesText(d), Unit: "min", Place: p.place, Rule: "off − on", Limit: "20", LimitUnit: "min",
		Source: timeSource, Tag: TagRead, Check: "C-25", Inputs: p.inputs()})
	if d > digitLimit {
		with(TourniquetOverTime, record.LevelWarning, fmt.Sprintf("Tourniquet on the %s for %s min, over the limit of 20 min for a digit (a limb cuff's limit does not apply). Source: %s [read].", which, minutesText(d), timeSource))
	}
	if p.coarse && near(d, digitLimit) {
		with(TourniquetNearLimit, record.LevelNote, fmt.Sprintf("Tourniquet on the %s for %s min by times without seconds: one minute either way would change whether the limit of 20 min is passed.", which, minutesText(d)))
	}
	return r
}

// near reports whether one minute more or less changes if d is over limit.
func near(d, limit time.Duration) bool {
	return d > limit != (d+oneMinute > limit) || d > limit != (d-oneMinute > limit)
}

// together judges the timed ones of the periods on one toe, all of them when
// their number is periods: the gap between two, and the
// minutes of periods that less than 3 min of reperfusion keeps apart, which
// count as one (C-25).
func together(ps []period, periods int, place, which string) Result {
	var r Result
	sort.SliceStable(ps, func(i, j int) bool { return ps[i].on.Before(ps[j].on) })
	var group []period
	var greatest []period
	for i, p := range ps {
		if i > 0 {
			end := lastOff(ps[:i])
			gap := p.on.Sub(end)
			r.add(gapResult(ps[i-1], p, gap, which))
			if gap >= reperfusionMin {
				group = nil
			}
		}
		group = append(group, p)
		if len(group) > 1 && (greatest == nil || ischaemia(group) > ischaemia(greatest)) {
			greatest = append([]period{}, group...)
		}
	}
	if len(ps) > 0 && len(ps) == periods {
		r.figure(Figure{Code: TourniquetTotal, Value: minutesText(ischaemia(ps)), Unit: "min", Place: place, Rule: "sum of the periods, shared time once", Check: "C-25", Inputs: allInputs(ps)})
	}
	if d := ischaemia(greatest); d > digitLimit {
		r.flag(Flag{Code: TourniquetOverTime, Level: record.LevelWarning, Place: place, Inputs: allInputs(greatest), Source: timeSource, Tag: TagRead, Check: "C-25",
			Text: fmt.Sprintf("Tourniquets on the %s for %s min together, with less than 3 min of reperfusion between them: over the limit of 20 min for a digit. Source: %s [read].", which, minutesText(d), timeSource)})
	}
	return r
}

func allInputs(ps []period) []Input {
	var in []Input
	for _, p := range ps {
		in = append(in, p.inputs()...)
	}
	return in
}

func gapResult(before, after period, gap time.Duration, which string) Result {
	var r Result
	in := append(before.inputs(), after.inputs()...)
	if gap >= 0 {
		r.figure(Figure{Code: ReperfusionTime, Value: fixedMinutes(gap), Unit: "min", Place: after.place, Rule: "on − off of the period before",
			Limit: "3", LimitUnit: "min", Source: timeSource, Tag: TagRead, Check: "C-25", Inputs: in})
	}
	base := Flag{Place: after.place, Inputs: in, Source: timeSource, Tag: TagRead, Check: "C-25"}
	if gap < 0 {
		f := base
		f.Code, f.Level = PeriodsOverlap, record.LevelWarning
		f.Text = fmt.Sprintf("Two tourniquet periods on the %s overlap; the time they share is counted once.", which)
		r.flag(f)
	}
	if gap < reperfusionMin {
		f := base
		f.Code, f.Level = ReperfusionShort, record.LevelWarning
		f.Text = fmt.Sprintf("Only %s min between two tourniquet periods on the %s; 3 to 5 min of reperfusion is asked before a tourniquet is put on again. Source: %s [read].", fixedMinutes(max(gap, 0)), which, timeSource)
		r.flag(f)
	}
	// near asks whether a time is over its limit, and 3 min are enough: the limit
	// to be over is just below them.
	if (before.coarse || after.coarse) && near(gap, reperfusionMin-1) {
		f := base
		f.Code, f.Level = ReperfusionNearLimit, record.LevelNote
		f.Text = fmt.Sprintf("%s min between two tourniquet periods on the %s by times without seconds: one minute either way would change whether 3 min of reperfusion were given.", fixedMinutes(max(gap, 0)), which)
		r.flag(f)
	}
	return r
}

// fixedMinutes writes a time that must reach a minimum rounded down.
func fixedMinutes(d time.Duration) string { return roundDown(minutes(d), 2) }

func lastOff(ps []period) time.Time {
	var last time.Time
	for _, p := range ps {
		if p.off.After(last) {
			last = p.off
		}
	}
	return last
}

// ischaemia is the time under tourniquet of periods in order, overlaps counted
// once and gaps not at all.
func ischaemia(ps []period) time.Duration {
	var sum time.Duration
	var end time.Time
	for _, p := range ps {
		from := p.on
		if end.After(from) {
			from = end
		}
		if p.off.After(from) {
			sum += p.off.Sub(from)
			end = p.off
		}
	}
	return sum
}

// FirstDressing judges the first review attended after a surgery (C-29): a
// toe whose tourniquet has no release recorded, or one later than the visit,
// is critical. A visit known by its date alone counts as late as that day.
func FirstDressing(s *record.Surgery, visit *record.When, zone *time.Location) Result {
	var r Result
	if visit == nil {
		return r
	}
	_, at, _ := span(zone, visit)
	toes := ToePlaces(s)
	for i := range s.Toes {
		t := &s.Toes[i]
		which := toeText(t.Side, t.Digit)
		flag := func(place string, in []Input, why string) {
			r.flag(Flag{Code: DressingBeforeRelease, Level: record.LevelCritical, Place: place, Source: retainedSource, Tag: TagRead, Check: "C-29",
				Inputs: append(in, Input{"dressing visit", visit.Text, ""}),
				Text:   fmt.Sprintf("The first dressing visit was attended, and %s for the %s. Check that no tourniquet is left on the toe. Source: %s [read].", why, which, retainedSource)})
		}
		if t.Tourniquet == "used" && len(t.Tourniquets) == 0 {
			flag(toes[i]+"/tourniquets", nil, "no tourniquet release is recorded")
		}
		for j, place := range TourniquetPlaces(toes[i], t) {
			p := resolve(t.Tourniquets[j], place, zone)
			if p.Off == nil {
				flag(place, p.inputs(), "no tourniquet release is recorded")
				continue
			}
			if off, _, _ := span(zone, p.Off); !off.IsZero() && !at.IsZero() && at.Before(off) {
				flag(place, p.inputs(), "the tourniquet release is recorded as later than the visit")
			}
		}
	}
	return r
}

// LocalLimit is a limit of the clinic's own, with where it comes from.
type LocalLimit struct {
	Minutes int64
	Source  string
}

// tourniquetRisks are the states in which a tourniquet calls for caution (C-30):
// arterial disease and diabetes as read, the others as common practice.
func tourniquetRisks(s *record.Surgery) (names []string, in []Input, read bool) {
	add := func(found bool, name, value, unit string, isRead bool) {
		if found {
			names, in, read = append(names, name), append(in, Input{name, value, unit}), read || isRead
		}
	}
	if r := s.Risks; r != nil {
		add(r.ArterialDisease == yes, "arterial disease", "yes", "", true)
		add(r.Diabetes == yes, "diabetes", "yes", "", true)
		if abi := positive(r.AnkleBrachialIndex); abi != nil && indexBand(abi) == bandAbnormal {
			add(true, "an ankle-brachial index of "+rounded(abi), r.AnkleBrachialIndex.String(), "1", true)
		}
		add(r.Raynaud == yes, "Raynaud's", "yes", "", false)
		add(r.SickleCell == yes, "sickle cell disease", "yes", "", false)
		add(r.Bypass == yes, "earlier revascularisation", "yes", "", false)
		add(r.SpreadingInfection == yes, "spreading infection", "yes", "", false)
	}
	for _, l := range legIndices(s.Vascular) {
		if l.ankle != nil && indexBand(l.ankle) == bandAbnormal {
			add(true, "an ankle-brachial index of "+rounded(l.ankle), rounded(l.ankle), "1", true)
		}
	}
	return names, in, read
}

// tourniquetCaution warns of a tourniquet on a toe at risk (C-30).
func tourniquetCaution(toePlace string, t *record.Toe, s *record.Surgery) Result {
	var r Result
	names, in, read := tourniquetRisks(s)
	if len(names) == 0 || !tourniquetUsed(t) {
		return r
	}
	source, tag := "Heidelbaugh and Lee 2009, Am Fam Physician 79:303", TagRead
	if !read {
		source, tag = "common practice, no source", TagPractice
	}
	r.flag(Flag{Code: TourniquetCaution, Level: record.LevelWarning, Place: toePlace + "/tourniquets", Inputs: in, Source: source, Tag: tag, Check: "C-30",
		Text: fmt.Sprintf("A tourniquet was used on the %s in spite of %s: a short time only is advised. Source: %s [%s].", toeText(t.Side, t.Digit), listed(names), source, tag)})
	return r
}

// localTourniquet compares each period on a toe at risk with the clinic's own
// limit (C-30).
func (in SurgeryInput) localTourniquet(toePlace string, t *record.Toe) Result {
	var r Result
	names, risks, _ := tourniquetRisks(in.Surgery)
	if in.RiskTourniquet == nil || len(names) == 0 {
		return r
	}
	limit := in.RiskTourniquet
	for i, place := range TourniquetPlaces(toePlace, t) {
		p := resolve(t.Tourniquets[i], place, in.Zone)
		held := p.off.Sub(p.on)
		if !p.timed || !over(minutes(held), big.NewRat(limit.Minutes, 1)) {
			continue
		}
		r.flag(Flag{Code: TourniquetOverLocal, Level: record.LevelWarning, Place: place, Source: limit.Source, Tag: TagLocal, Check: "C-30",
			Inputs: append([]Input{{"on", p.On.String(), ""}, {"off", p.Off.String(), ""}, {"limit", fmt.Sprint(limit.Minutes), "min"}}, risks...),
			Text: fmt.Sprintf("The tourniquet was on the %s for %s min, over the clinic's own limit of %d min for a toe at risk (%s). Source: %s [local].",
				toeText(t.Side, t.Digit), minutesText(held), limit.Minutes, listed(names), limit.Source)})
	}
	return r
}

// listed joins names as a sentence does.
func listed(names []string) string {
	if len(names) < 2 {
		return strings.Join(names, "")
	}
	return strings.Join(names[:len(names)-1], ", ") + " and " + names[len(names)-1]
}
