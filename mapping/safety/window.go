package safety

import (
	"cmp"
	"slices"
	"time"

	"nailbridge/mapping/record"
)

const day = 24 * time.Hour

// bounds are the first and last instant at which something may have been; a
// zero end is open.
type bounds struct{ from, to time.Time }

// within24h gives the other doses that count: given less than 24 h before the
// first dose of the visit and not after its last (C-19). unsure are those whose
// own time, or the visit's, is not known to the day, so that they may count.
func (in DoseInput) within24h() (counted, unsure []amount) {
	visit, known := in.visitBounds()
	for _, o := range in.Others {
		switch {
		case !mayCount(visit, bounds{o.From, o.To}):
		case known && o.Known:
			counted = append(counted, measure(o))
		default:
			unsure = append(unsure, measure(o))
		}
	}
	for _, list := range [][]amount{counted, unsure} {
		slices.SortStableFunc(list, func(a, b amount) int {
			return cmp.Or(a.From.Compare(b.From), cmp.Compare(a.Record, b.Record), cmp.Compare(a.Place, b.Place))
		})
	}
	return counted, unsure
}

// mayCount reports that the other dose may have been given less than 24 h before
// the first dose of the visit and not after its last.
func mayCount(visit, other bounds) bool {
	tooEarly := !other.to.IsZero() && !visit.from.IsZero() && visit.from.Sub(other.to) >= day
	later := !other.from.IsZero() && !visit.to.IsZero() && other.from.After(visit.to)
	return !tooEarly && !later
}

// visitBounds span the doses of the visit whose time is known to the day; where
// there is none, all that may have been.
func (in DoseInput) visitBounds() (b bounds, known bool) {
	known = slices.ContainsFunc(in.Visit, func(d GivenDose) bool { return d.Known })
	for _, d := range in.Visit {
		if d.From.IsZero() || d.Known != known {
			continue
		}
		if b.from.IsZero() || d.From.Before(b.from) {
			b.from = d.From
		}
		if d.To.After(b.to) {
			b.to = d.To
		}
	}
	return b, known
}

// span gives the first and last instant of the first of whens that says at least
// a day; where none does, of the first that says anything.
func span(zone *time.Location, whens ...*record.When) (from, to time.Time, known bool) {
	for _, w := range whens {
		if w == nil || w.Partial() && !from.IsZero() {
			continue
		}
		from, _ = w.In(zone)
		to = from
		switch w.Precision {
		case record.PrecisionYear:
			to = from.AddDate(1, 0, 0).Add(-1)
		case record.PrecisionMonth:
			to = from.AddDate(0, 1, 0).Add(-1)
		case record.PrecisionDay:
			to = time.Date(w.Year, time.Month(w.Month), w.Day+1, 0, 0, 0, 0, zone).Add(-1)
		}
		if !w.Partial() {
			return from, to, true
		}
	}
	return from, to, false
}

// timeNotKnown says that other doses may be of the same 24 h and cannot be
// counted.
func timeNotKnown(unsure []amount) Result {
	var r Result
	var ins []Input
	for _, o := range unsure {
		if n := "dose of record " + o.Record; len(ins) == 0 || ins[len(ins)-1].Name != n {
			ins = append(ins, Input{n, "time not known", ""})
		}
	}
	if len(ins) > 0 {
		r.flag(Flag{Code: RepeatTimeNotKnown, Level: record.LevelWarning, Place: AnaestheticPlace, Inputs: ins, Check: "C-19",
			Text: "This clinic's records hold another local anaesthetic that may be of the same 24 hours and cannot be counted: its time, or that of this one, is not recorded to the day."})
	}
	return r
}
