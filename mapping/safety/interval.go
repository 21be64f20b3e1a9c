package safety

import (
	"fmt"
	"math/big"
	"time"

	"nailbridge/mapping/record"
)

// within is the most of a total that may have been given in any so many hours
// with a dose of the visit among it, in mg (C-19); 0 hours: all of it. A dose so
// many hours after another is of the next window.
func (t *total) within(hours int) *big.Rat {
	if hours == 0 {
		return t.mg
	}
	most := new(big.Rat)
	for _, last := range t.doses {
		sum, visited := new(big.Rat), false
		for _, d := range t.doses {
			if d.mg != nil && inWindow(d, last, time.Duration(hours)*time.Hour) {
				sum.Add(sum, d.mg)
				visited = visited || d.Record == ""
			}
		}
		if visited && over(sum, most) {
			most = sum
		}
	}
	return most
}

// inWindow reports that d may have been given less than so long before last,
// and not after it.
func inWindow(d, last amount, long time.Duration) bool {
	tooEarly := !d.To.IsZero() && !last.From.IsZero() && last.From.Sub(d.To) >= long
	later := !d.From.IsZero() && !last.To.IsZero() && d.From.After(last.To)
	return !tooEarly && !later
}

// per24h is the least limit in 24 h of the set for a total beside its limit of a
// dose; nil where it has none.
func (in DoseInput) per24h(t *total) *Limit {
	var least *Limit
	for _, with := range t.kinds() {
		e, _ := in.Formulary.find(t.agent, with, in.AgeYears)
		if e != nil && e.Per24hMg != nil && (e.MgPerKg != nil || e.CeilingMg != nil) && (least == nil || e.Per24hMg.Cmp(least.Per24hMg) < 0) {
			least = e
		}
	}
	return least
}

// unread24h are limits in 24 h that were not read, for agents of which the set
// has none; a note says their tag (C-19, D2.4).
var unread24h = map[record.Code]Limit{
	"levobupivacaine": {Agent: "levobupivacaine", Per24hMg: big.NewRat(400, 1), Source: "summary of product characteristics of levobupivacaine, not verified", Tag: TagMemory},
}

// over24h compares a total with the limit in 24 h (C-19).
func (in DoseInput) over24h(j judgement) Result {
	var r Result
	e, set := in.per24h(j.total), in.Formulary
	if e == nil {
		unread, ok := unread24h[j.agent]
		if !ok {
			return r
		}
		e, set = &unread, nil
	}
	if !over(j.mg, e.Per24hMg) {
		return r
	}
	f := Flag{Code: DoseOver24h, Level: byTag(e.Tag, record.LevelCritical), Place: AgentPlace(j.agent), Source: e.Source, Tag: e.Tag, Check: "C-19"}
	of := "no figure of the chosen set"
	if set != nil {
		of, f.Set = "set "+set.Named(), set.Name
	}
	given := exact(j.mg)
	if j.incomplete {
		given = "at least " + given
	}
	f.Inputs = append(append([]Input{}, j.inputs...), Input{"set", f.Set, ""}, Input{"limit in 24 h", exact(e.Per24hMg), "mg"})
	f.Text = fmt.Sprintf("%s %s mg over %s is over the limit of %s mg in 24 hours: %s. Source: %s [%s].",
		name(j.agent), given, j.reach(), exact(e.Per24hMg), of, e.Source, e.Tag)
	r.flag(f)
	return r
}

// repeats applies the interval rules (C-19) to another sitting within 24 h, as
// far as this clinic's records tell of one.
func (in DoseInput) repeats(visit, others []amount) Result {
	var r Result
	if len(visit) == 0 || len(others) == 0 {
		return r
	}
	visited, _ := in.visitBounds()
	first := visited.from
	var ins []Input
	for _, o := range others {
		ins = append(ins, Input{"dose of record " + o.Record, o.From.UTC().Format(time.RFC3339), ""})
	}
	ins = append(ins, Input{"first dose of the visit", first.UTC().Format(time.RFC3339), ""})
	const leaflet = "UK community podiatry leaflet"
	r.flag(Flag{Code: RepeatedWithin24h, Level: record.LevelWarning, Place: AnaestheticPlace, Inputs: ins, Source: leaflet, Tag: TagRead, Check: "C-19",
		Text: "This clinic's records hold another local anaesthetic less than 24 hours before this one; the doses are added up. Source: " + leaflet + " [read]."})
	if sooner(visit, others, "mepivacaine", first, 90) {
		const label = "US general label of mepivacaine"
		r.flag(Flag{Code: MepivacaineRepeated, Level: record.LevelNote, Place: AnaestheticPlace, Inputs: ins, Source: label, Tag: TagVia, Check: "C-19",
			Text: "By this clinic's records mepivacaine was repeated less than 1.5 hours after an earlier sitting. Source: " + label + " [via]."})
	}
	r.add(in.intervals(visit, others, first, ins))
	return r
}

// intervals compares the time since another sitting with the set's least
// interval for each agent.
func (in DoseInput) intervals(visit, others []amount, first time.Time, ins []Input) Result {
	var r Result
	if in.Formulary == nil {
		return r
	}
	flagged := map[record.Code]bool{}
	for i := range in.Formulary.Entries {
		e := &in.Formulary.Entries[i]
		if e.IntervalMinutes == 0 || flagged[e.Agent] || !sooner(visit, others, e.Agent, first, e.IntervalMinutes) {
			continue
		}
		flagged[e.Agent] = true
		r.flag(Flag{Code: AgentRepeatedEarly, Level: byTag(e.Tag, record.LevelWarning), Place: AgentPlace(e.Agent), Set: in.Formulary.Name, Source: e.Source, Tag: e.Tag, Check: "C-19",
			Inputs: append(append([]Input{}, ins...), Input{"least interval", fmt.Sprint(e.IntervalMinutes), "min"}),
			Text: fmt.Sprintf("By this clinic's records %s was repeated less than %d minutes after an earlier sitting: set %s. Source: %s [%s].",
				name(e.Agent), e.IntervalMinutes, in.Formulary.Named(), e.Source, e.Tag)})
	}
	return r
}

// sooner reports that the visit gives an agent less than so many minutes after
// another sitting did.
func sooner(visit, others []amount, agent record.Code, first time.Time, minutes int) bool {
	if !gives(visit, agent) {
		return false
	}
	for _, o := range others {
		if o.Agent.Agent == agent && first.Sub(o.To) < time.Duration(minutes)*time.Minute {
			return true
		}
	}
	return false
}

func gives(as []amount, agent record.Code) bool {
	for _, a := range as {
		if a.Agent.Agent == agent {
			return true
		}
	}
	return false
}
