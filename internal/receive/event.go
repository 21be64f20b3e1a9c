package receive

import (
	"encoding/json"
	"slices"
	"time"

	"nailbridge/internal/store"
	"nailbridge/mapping"
	"nailbridge/mapping/resource"
)

// The kinds of outbox entries. Only what is shared is announced (D3.1), and no
// entry holds anything about a person: clinic, record ids, references, codes. Nor
// is the place of the commit in the order of all named: its gaps would tell of
// other clinics.
const (
	EventChange  = "change"  // a ChangeEvent
	EventOverdue = "overdue" // an OverdueEvent
	EventFlag    = "flag"    // a FlagEvent
)

// ChangeEvent is the outbox entry of one patient's part of a commit.
type ChangeEvent struct {
	Clinic    string   `json:"clinic"`
	Epoch     string   `json:"epoch"`     // of the commit
	Resources []string `json:"resources"` // versions, "Type/id/_history/version"
}

// OverdueEvent says that the window of a review ended and nothing was recorded
// (D1.6).
type OverdueEvent struct {
	Clinic   string    `json:"clinic"`
	Epoch    string    `json:"epoch"`
	Case     string    `json:"case"` // record id of the surgery
	Activity string    `json:"activity"`
	End      time.Time `json:"end"`                // exclusive end of the window
	Resource string    `json:"resource,omitempty"` // the plan, "CarePlan/id"
}

// FlagEvent says that a flag was opened, was opened again because its inputs
// changed, or is published for the first time while it is open.
type FlagEvent struct {
	Clinic   string        `json:"clinic"`
	Epoch    string        `json:"epoch"`
	Case     string        `json:"case,omitempty"`   // record id of the surgery
	Record   string        `json:"record,omitempty"` // the record that raised it
	Flag     string        `json:"flag"`             // id, as acknowledged
	Code     string        `json:"code"`
	Level    mapping.Level `json:"level"`
	Resource string        `json:"resource"` // "DetectedIssue/id"
}

func putEvent(w store.Writer, clinic, kind string, event any) error {
	b, err := json.Marshal(event)
	if err != nil {
		return err
	}
	return w.PutEvent(clinic, kind, b)
}

// announce puts what this commit changed into the outbox.
func (c *committer) announce() error {
	if c.stamp == nil {
		return nil
	}
	slices.Sort(c.made)
	return putEvent(c.w, c.a.owner.Clinic, EventChange, ChangeEvent{
		Clinic: c.a.owner.Clinic, Epoch: c.stamp.Epoch, Resources: c.made,
	})
}

// announceFlags puts the open flags that were not open and published before
// into the outbox. before are the flags that were stored, owned the resources.
func (c *committer) announceFlags(before []store.Flag, owned []store.Held) error {
	if c.stamp == nil {
		return nil
	}
	was, published := openFlags(before), map[resource.Ref]bool{}
	for _, h := range owned {
		published[h.Ref] = !h.Deleted
	}
	issues := c.issues()
	for _, fl := range c.a.res.Flags {
		ref, ok := issues[fl.ID]
		if !ok || !fl.Open() || was[[2]string{fl.ID, fl.InputsHash}] && published[ref] {
			continue
		}
		err := putEvent(c.w, c.a.owner.Clinic, EventFlag, FlagEvent{
			Clinic: c.a.owner.Clinic, Epoch: c.stamp.Epoch, Case: fl.Case, Record: fl.Record,
			Flag: fl.ID, Code: fl.Code, Level: fl.Level, Resource: ref.String(),
		})
		if err != nil {
			return err
		}
	}
	return nil
}

// issues are the published issues by the flag that each names as its
// identifier.
func (c *committer) issues() map[string]resource.Ref {
	out := map[string]resource.Ref{}
	for _, ch := range c.a.checked {
		r := ch.Resource()
		if r.Type() != "DetectedIssue" {
			continue
		}
		ids, _ := r.Tree()["identifier"].([]any)
		for _, id := range ids {
			if m, ok := id.(map[string]any); ok {
				if value, ok := m["value"].(string); ok {
					out[value] = r.Ref()
				}
			}
		}
	}
	return out
}

// announceOverdue puts facts of an owner whose fold was committed into the
// outbox.
func (f *folded) announceOverdue(w store.Writer, as []store.Activity) error {
	if f.stamp == nil || !f.results[0].Shared {
		return nil
	}
	plans := map[string]string{}
	for ref, caseID := range f.results[0].CaseOf {
		if ref.Type == "CarePlan" {
			plans[caseID] = ref.String()
		}
	}
	for _, a := range as {
		err := putEvent(w, a.Owner.Clinic, EventOverdue, OverdueEvent{
			Clinic: a.Owner.Clinic, Epoch: f.stamp.Epoch, Case: a.Case, Activity: a.ID,
			End: a.End.UTC(), Resource: plans[a.Case],
		})
		if err != nil {
			return err
		}
	}
	return nil
}
