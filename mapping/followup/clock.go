package followup

import (
	"slices"
	"time"
)

// Ended reports an open activity whose window has ended: the moment that it ends
// is no longer in it. A window without an end never ends.
func (a Activity) Ended(now time.Time) bool {
	return a.Status.Open() && !a.Window.End.IsZero() && !now.Before(a.Window.End)
}

// DueFacts lists the facts that the clock has to commit at now: every open
// activity whose window has ended, unless a fact with that end is among those
// known (D1.6). An empty list means that a tick writes nothing.
func DueFacts(activities []Activity, known []OverdueFact, now time.Time) []OverdueFact {
	var due []OverdueFact
	for _, a := range activities {
		f := OverdueFact{a.ID, a.Window.End}
		if a.Ended(now) && !slices.ContainsFunc(known, f.Equal) {
			due = append(due, f)
		}
	}
	return due
}

// ListState is where an activity stands on the follow-up list.
type ListState string

// The states.
const (
	Upcoming ListState = "upcoming" // open, before its window
	Due      ListState = "due"      // open, within its window
	Overdue  ListState = "overdue"  // open, after its window (D4.2)
	Missed   ListState = "missed"   // the patient did not attend (D4.3)
	Done     ListState = "closed"   // completed or cancelled otherwise
)

// State says where the activity stands at now.
func State(a Activity, now time.Time) ListState {
	switch {
	case a.Outcome == DidNotAttend:
		return Missed
	case !a.Status.Open():
		return Done
	case a.Ended(now):
		return Overdue
	case !now.Before(a.Window.Start):
		return Due
	}
	return Upcoming
}
