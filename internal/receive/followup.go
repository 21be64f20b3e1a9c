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
		as, err := r.Activities(v.Settings.Clinic.ID)
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
		return v.flaggedEntries(r, &out)
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
	return FollowUpList{Clinic: v.Settings.Clinic.ID, AsOf: now.UTC(), Entries: out}, nil
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

func (v *Receiver) flaggedEntries(r store.Reader, out *[]FollowUpEntry) error {
	flags, err := r.ClinicFlags(v.Settings.Clinic.ID, true)
	if err != nil {
		return err
	}
	for _, f := range flags {
		var fl mapping.Flag
		if err := json.Unmarshal(f.JSON, &fl); err != nil {
			return err
		}
		*out = append(*out, FollowUpEntry{State: "flagged", Surgery: f.Case, Flag: &fl})
	}
	return nil
}
