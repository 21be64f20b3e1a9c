package followup

import "time"

// DueFacts lists the facts that the clock has to commit at now: every open
// activity whose window has ended and for which no fact with that end is
// stored (D1.6). An empty list means that a tick writes nothing.
func DueFacts(o Output, now time.Time) []OverdueFact {
	var due []OverdueFact
	for _, f := range o.NextEnds {
		if !now.Before(f.WindowEnd) {
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
	case !now.Before(a.Window.End):
		return Overdue
	case !now.Before(a.Window.Start):
		return Due
	}
	return Upcoming
}
