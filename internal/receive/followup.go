package receive

import (
	"context"
	"encoding/json"
	"slices"
	"strings"
	"time"

	"nailbridge/internal/store"
	"nailbridge/mapping"
	"nailbridge/mapping/followup"
)

// FollowUpStates are the states of the follow-up list: an activity that is
// due, overdue or was missed, and a case with an open flag.
var FollowUpStates = []string{"due", "overdue", "missed", "flagged"}

// FollowUpQuery asks for a part of the follow-up list.
type FollowUpQuery struct {
	State string    // one of FollowUpStates; "" all
	Since time.Time // only activities that became so at or after; zero: all
	// Afresh folds every patient for the answer instead of reading what was
	// stored, for a store that was folded under other settings. Nothing is
	// written.
	Afresh bool
}

// FollowUpEntry is one line of the follow-up list.
type FollowUpEntry struct {
	State   string `json:"state"`
	Surgery string `json:"surgery"` // record id
	// Of an activity:
	Activity string `json:"activity,omitempty"`
	Title    string `json:"title,omitempty"`
	Start    string `json:"start,omitempty"`
	End      string `json:"end,omitempty"`
	Status   string `json:"status,omitempty"`
	// Of a flag:
	Flag *mapping.Flag `json:"flag,omitempty"`

	at time.Time
}

// FollowUpList is the follow-up list at an instant.
type FollowUpList struct {
	Clinic  string          `json:"clinic"`
	AsOf    time.Time       `json:"asOf"`
	Entries []FollowUpEntry `json:"entries"`
}

// FollowUp gives the clinic's follow-up list at the receiver's clock: open
// flags first, then activities, oldest first.
func (v *Receiver) FollowUp(ctx context.Context, q FollowUpQuery) (FollowUpList, error) {
	now := v.Clock()
	out := []FollowUpEntry{}
	err := v.Store.View(ctx, func(r store.Reader) error {
		flags, as, err := v.clinicLists(r, q.Afresh, now)
		if err != nil {
			return err
		}
		for _, a := range as {
			e, ok, err := activityEntry(a, now)
			if err != nil {
				return err
			}
			if ok {
				out = append(out, e)
			}
		}
		return flaggedEntries(flags, &out)
	})
	if err != nil {
		return FollowUpList{}, unavailable(err)
	}
	out = slices.DeleteFunc(out, func(e FollowUpEntry) bool {
		return q.State != "" && e.State != q.State || e.Flag == nil && e.at.Before(q.Since)
	})
	slices.SortStableFunc(out, func(a, b FollowUpEntry) int {
		if c := a.at.Compare(b.at); c != 0 {
			return c
		}
		return strings.Compare(a.Surgery+"\x00"+a.State+"\x00"+a.Activity, b.Surgery+"\x00"+b.State+"\x00"+b.Activity)
	})
	return FollowUpList{Clinic: v.Settings.Clinic.ID, AsOf: now.UTC().Truncate(time.Millisecond), Entries: out}, nil
}

// activityEntry is an activity as a line; ok is false for one that is neither
// due, overdue nor missed.
func activityEntry(row store.Activity, now time.Time) (e FollowUpEntry, ok bool, err error) {
	var a followup.Activity
	if err := json.Unmarshal(row.JSON, &a); err != nil {
		return e, false, err
	}
	e = FollowUpEntry{
		State: string(followup.State(a, now)), Surgery: row.Case, Activity: a.ID, Title: a.Title,
		Start: a.Window.First.String(), End: a.Window.Last.String(), Status: string(a.Status), at: row.Start,
	}
	if e.State == "overdue" || e.State == "missed" {
		e.at = row.End
	}
	return e, slices.Contains(FollowUpStates, e.State), nil
}

// clinicLists are the open flags and the activities of all patients.
func (v *Receiver) clinicLists(r store.Reader, afresh bool, now time.Time) (flags []store.Flag, as []store.Activity, err error) {
	clinic := v.Settings.Clinic.ID
	if !afresh {
		if flags, err = r.ClinicFlags(clinic, true); err != nil {
			return nil, nil, err
		}
		as, err = r.Activities(clinic)
		return flags, as, err
	}
	owners, err := r.Owners(clinic)
	if err != nil {
		return nil, nil, err
	}
	for _, o := range owners {
		f, x, err := v.patientLists(r, o, now)
		if err != nil {
			return nil, nil, err
		}
		flags = append(flags, slices.DeleteFunc(f, func(f store.Flag) bool { return !f.Open })...)
		as = append(as, x...)
	}
	return flags, as, nil
}

// patientLists are one patient's flags and activities made afresh or, where the
// fold fails, those that are stored: a patient who cannot be folded must not
// take the list from all the others.
func (v *Receiver) patientLists(r store.Reader, o store.Owner, now time.Time) (flags []store.Flag, as []store.Activity, err error) {
	a, err := v.foldedAt(r, o, now)
	switch {
	case isOutput(err):
		if flags, err = r.Flags(o); err != nil {
			return nil, nil, err
		}
		as, err = r.Activities(o.Clinic)
		return flags, slices.DeleteFunc(as, func(a store.Activity) bool { return a.Owner != o }), err
	case err != nil:
		return nil, nil, err
	}
	return a.lists()
}

// foldedAt is the fold of a patient as a tick at now would leave it (D1.6).
func (v *Receiver) foldedAt(r store.Reader, o store.Owner, now time.Time) (attempt, error) {
	a, err := attemptOf(o)
	if err != nil {
		return a, err
	}
	if err := v.gather(r, &a); err != nil {
		return a, err
	}
	if v.tryAt(&a, now); len(a.issues) > 0 {
		return a, &outputError{a.issues}
	}
	return a, nil
}

func flaggedEntries(flags []store.Flag, out *[]FollowUpEntry) error {
	for _, f := range flags {
		var fl mapping.Flag
		if err := json.Unmarshal(f.JSON, &fl); err != nil {
			return err
		}
		*out = append(*out, FollowUpEntry{State: "flagged", Surgery: f.Case, Flag: &fl})
	}
	return nil
}
