package safety

import (
	"fmt"
	"math/big"
	"sort"
	"strconv"
	"strings"
	"time"

	"nailbridge/mapping/record"
)

// GivenDose is one injection of local anaesthetic as given.
type GivenDose struct {
	Record string // record id of its surgery; "" for the surgery in hand
	Place  string // path in its own record
	Agent  record.Agent
	// From and To are the first and last instant at which it may have been
	// given: equal for a recorded time, else those of the day, month or year;
	// both zero when no time is known.
	From, To time.Time
	// Known says that they are of a recorded time or a whole date.
	Known bool
}

// GivenDoses lists the injections of a surgery, in the order of the record,
// each with its time: its own, else the surgery's start, else its end. The zone
// is the clinic's and not nil, here and wherever a zone is asked.
func GivenDoses(recordID string, s *record.Surgery, zone *time.Location) []GivenDose {
	var out []GivenDose
	toes := ToePlaces(s)
	for i := range s.Toes {
		t := &s.Toes[i]
		for j, p := range AgentPlaces(toes[i], t) {
			d := GivenDose{Record: recordID, Place: p, Agent: t.Block.Agents[j]}
			d.From, d.To, d.Known = span(zone, d.Agent.At, s.Start, s.End)
			out = append(out, d)
		}
	}
	return out
}

// DoseInput is what the doses of a sitting are judged by.
type DoseInput struct {
	Visit  []GivenDose // of the surgery in hand
	Others []GivenDose // of the patient's other surgeries at this clinic, any time
	// WeightKg is the recorded body weight; nil: not recorded.
	WeightKg  *record.Decimal
	AgeYears  *int       // completed years at the sitting; nil: not known
	AgeMonths *int       // the same in completed months; nil: not known
	Formulary *Formulary // nil: no ceiling chosen
	// Weight is the clinic's convention of weight; HeightCm and Sex are what it may
	// need (C-7).
	Weight   WeightConvention
	HeightCm *record.Decimal
	Sex      record.Code
	// CardiacDisease is the answer to that risk question (C-5).
	CardiacDisease record.Code
}

// amount is a dose with its arithmetic done.
type amount struct {
	GivenDose
	mg, ug  *big.Rat // nil: not computable, or no adrenaline
	missing []string
}

func measure(d GivenDose) amount {
	a := amount{GivenDose: d}
	mL, percent := notNegative(d.Agent.ML), positive(d.Agent.Percent)
	if d.Agent.Agent == "" {
		a.missing = append(a.missing, "agent")
	}
	if percent == nil {
		a.missing = append(a.missing, "strength")
	}
	if mL == nil {
		a.missing = append(a.missing, "volume")
	}
	if mL != nil && percent != nil {
		a.mg = Mass(mL, percent)
	}
	if d.Agent.Vasoconstrictor == adrenaline && mL != nil && d.Agent.Ratio != nil && *d.Agent.Ratio > 0 {
		a.ug = AdrenalineMassUg(mL, *d.Agent.Ratio)
	}
	return a
}

const (
	adrenaline record.Code = "adrenaline"
	yes        record.Code = "yes"
	no         record.Code = "no"
)

// Dose judges the doses of a sitting together with this clinic's other doses
// of the 24 h before it: masses, per-agent totals against the limit, the
// fraction rule for mixtures, adrenaline, and the interval rules (C-1 to C-6,
// C-17 to C-19, C-21).
func Dose(in DoseInput) Result {
	var r Result
	visit := make([]amount, len(in.Visit))
	for i, d := range in.Visit {
		visit[i] = measure(d)
		r.add(injection(visit[i]))
	}
	others, unsure := in.within24h()
	if len(visit) > 0 {
		r.add(timeNotKnown(unsure))
	}
	r.add(in.repeats(visit, others))
	if in.Formulary == nil {
		r.flag(Flag{Code: NoCeilingChosen, Level: record.LevelWarning, Place: AnaestheticPlace, Check: "C-16",
			Text: "No ceiling chosen: no formulary set is configured, so only masses in mg are shown and no dose is compared with a limit."})
	}
	totals := sumUp(visit, others, len(unsure) > 0)
	var judged []judgement
	for _, t := range totals {
		j := in.judge(t)
		judged = append(judged, j)
		if t.inVisit {
			r.add(j.result)
			r.add(in.ages(t))
		}
	}
	if in.Formulary != nil && in.AgeYears == nil && len(visit) > 0 {
		r.flag(Flag{Code: AgeNotKnown, Level: record.LevelNote, Place: AnaestheticPlace, Set: in.Formulary.Name, Check: "C-21",
			Text: "The patient's age at the sitting is not known: the limits for adults are used."})
	}
	r.add(in.mixture(judged))
	r.add(in.adrenaline(visit, others))
	return r
}

// injection gives the figures of one injection and what of it is missing.
func injection(a amount) Result {
	var r Result
	in := agentInputs(a.Agent)
	if a.mg != nil {
		r.figure(Figure{Code: DoseMass, Value: exact(a.mg), Unit: "mg", Place: a.Place, Rule: "mL × % × 10", Check: "C-1", Inputs: in})
	}
	if a.ug != nil {
		r.figure(Figure{Code: AdrenalineMass, Value: exact(a.ug), Unit: "ug", Place: a.Place, Rule: "mL × 1,000,000 / ratio", Check: "C-4", Inputs: in})
	}
	if len(a.missing) > 0 {
		r.flag(Flag{Code: DoseNotComputable, Level: record.LevelWarning, Place: a.Place, Inputs: in, Check: "C-1",
			Text: fmt.Sprintf("The dose of this injection is not computable: %s not recorded.", strings.Join(a.missing, " and "))})
	}
	if a.Agent.Vasoconstrictor == adrenaline && a.ug == nil {
		r.flag(Flag{Code: AdrenalineUnknown, Level: record.LevelNote, Place: a.Place, Inputs: in, Check: "C-4",
			Text: "The mass of adrenaline of this injection is not computable: ratio or volume not recorded."})
	}
	return r
}

func agentInputs(a record.Agent) []Input {
	var in []Input
	add := func(name, value, unit string) {
		if value != "" {
			in = append(in, Input{name, value, unit})
		}
	}
	add("agent", string(a.Agent), "")
	if a.Percent != nil {
		add("percent", a.Percent.String(), "%")
	}
	if a.ML != nil {
		add("volume", a.ML.String(), "mL")
	}
	add("vasoconstrictor", string(a.Vasoconstrictor), "")
	if a.Ratio != nil {
		add("ratio", "1:"+strconv.FormatInt(*a.Ratio, 10), "")
	}
	return in
}

// total is what was given of one agent, the visit and the 24 h before it.
type total struct {
	agent   record.Code
	mg      *big.Rat // of the computable doses
	inVisit bool
	others  int // doses of other records
	// unsure: there are other doses that may be of the 24 h before.
	unsure bool
	// plain and with say which limits apply. An unrecorded vasoconstrictor
	// sets both, so that the lower one holds.
	plain, with bool
	incomplete  bool // an amount of a dose is missing
	inputs      []Input
	percents    []*big.Rat // of the visit
	doses       []amount
}

// sumUp adds up per agent, in the order of the agents' names. Doses of no
// named agent are in no total.
func sumUp(visit, others []amount, unsure bool) []*total {
	byAgent := map[record.Code]*total{}
	var out []*total
	for i, a := range append(append([]amount{}, visit...), others...) {
		if a.Agent.Agent == "" {
			continue
		}
		t := byAgent[a.Agent.Agent]
		if t == nil {
			t = &total{agent: a.Agent.Agent, mg: new(big.Rat), unsure: unsure}
			byAgent[t.agent] = t
			out = append(out, t)
		}
		t.count(a, i < len(visit))
	}
	sort.Slice(out, func(i, j int) bool { return out[i].agent < out[j].agent })
	return out
}

func (t *total) count(a amount, visit bool) {
	t.doses = append(t.doses, a)
	name := "dose"
	if visit {
		t.inVisit = true
		t.percents = append(t.percents, positive(a.Agent.Percent))
	} else {
		t.others++
		name = "dose of record " + a.Record
	}
	t.plain = t.plain || a.Agent.Vasoconstrictor != adrenaline
	t.with = t.with || a.Agent.Vasoconstrictor == adrenaline || a.Agent.Vasoconstrictor == ""
	if a.mg == nil {
		t.incomplete = true
		t.inputs = append(t.inputs, Input{name, "not computable", ""})
		return
	}
	t.mg.Add(t.mg, a.mg)
	t.inputs = append(t.inputs, Input{name, exact(a.mg), "mg"})
}
