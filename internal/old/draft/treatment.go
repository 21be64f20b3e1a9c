package draft

import (
	"slices"

	"nailbridge/internal/old/layout"
	"nailbridge/mapping/shorthand"
)

// ofAgent are the kinds of what is said of an agent.
var ofAgent = []shorthand.Kind{shorthand.Chemical, shorthand.Percent, shorthand.Applications, shorthand.Method, shorthand.Flush}

// treatments joins a column that names an agent and the next one, where that has its times
// ("phenol", "3 x 1 min"): times by themselves are of nothing. It is unsure where the title of the
// second does not say so, or not all of its cells are times.
func (d *drafter) treatments() {
	for n := range len(d.table.Schema.Columns) - 1 {
		agent, times := &d.table.Schema.Columns[n], &d.table.Schema.Columns[n+1]
		unknown := times.Note.Ignore == notKnown
		if agent.Note.Group != "" || !unknown && !slices.Contains(times.Note.Read, shorthand.Applications) || !namesAgent(*agent, d.values[d.from[n]]) {
			continue
		}
		values := d.values[d.from[n+1]]
		fit := len(slices.DeleteFunc(slices.Clone(values), func(v string) bool { return !isTimes(v) }))
		if fit*2 <= len(values) {
			continue
		}
		agent.Note.Read = slices.Concat(slices.DeleteFunc(agent.Note.Read, func(k shorthand.Kind) bool { return slices.Contains(ofAgent, k) }), ofAgent)
		agent.Note.Group = agent.Name
		times.Note = layout.ColumnNote{Read: agent.Note.Read, Group: agent.Name}
		switch {
		case unknown:
			times.Note.Unsure = "no word of the title is known; taken for the times of what " + agent.Name + " names"
		case fit < len(values):
			times.Note.Unsure = "not all cells are times of what " + agent.Name + " names"
		}
	}
}

// namesAgent reports whether a column of treatments names an agent in some cell.
func namesAgent(c layout.Column, values []string) bool {
	if !slices.Contains(c.Note.Read, shorthand.Chemical) && !slices.Contains(c.Note.Read, shorthand.Procedure) {
		return false
	}
	return slices.ContainsFunc(values, func(v string) bool { return len(shorthand.Read(v, ofAgent...).Of(shorthand.Chemical)) > 0 })
}

// isTimes reports whether a cell is times of an agent that another names.
func isTimes(v string) bool {
	said := shorthand.Read("phenol "+v, ofAgent...).Of(shorthand.Applications)
	return len(said) > 0 && said[0].Certainty != shorthand.Ambiguous && len(shorthand.Read(v, ofAgent...).Readings) == 0
}
