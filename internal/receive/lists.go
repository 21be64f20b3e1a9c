package receive

import (
	"encoding/json"

	"nailbridge/internal/store"
)

// replaceLists renews the clinic's lists of the patient.
func (v *Receiver) replaceLists(w store.Writer, a attempt) error {
	flags, as, err := a.lists()
	if err != nil {
		return err
	}
	if err := w.ReplaceFlags(a.owner, flags); err != nil {
		return err
	}
	if err := w.ReplaceActivities(a.owner, as); err != nil {
		return err
	}
	return w.SetWaiting(a.owner, v.waitingRows(a))
}

// lists are the patient's flags and activities for the clinic's lists.
func (a attempt) lists() (flags []store.Flag, as []store.Activity, err error) {
	for _, fl := range a.res.Flags {
		b, err := json.Marshal(fl)
		if err != nil {
			return nil, nil, err
		}
		flags = append(flags, store.Flag{
			ID: fl.ID, Owner: a.owner, Case: fl.Case, Code: fl.Code, Level: string(fl.Level),
			InputsHash: fl.InputsHash, Open: fl.Open(), JSON: b,
		})
	}
	for _, cs := range a.res.Cases {
		for _, x := range cs.Activities {
			b, err := json.Marshal(x)
			if err != nil {
				return nil, nil, err
			}
			as = append(as, store.Activity{
				Owner: a.owner, Case: cs.Surgery, ID: x.ID, Status: string(x.Status),
				Start: x.Window.Start, End: x.Window.End, Open: x.Status.Open(), JSON: b,
			})
		}
	}
	return flags, as, nil
}

// waitingRows are the deliveries, by number, that wait for their surgery: the
// current ones of the record ids that do.
func (v *Receiver) waitingRows(a attempt) []int64 {
	var out []int64
	for _, id := range a.res.Waiting {
		var rows []store.Delivery
		for i, row := range a.rows {
			if a.in.Deliveries[i].Record.Record == id {
				rows = append(rows, row)
			}
		}
		if i := v.currentRow(rows); i >= 0 {
			out = append(out, rows[i].Seq)
		}
	}
	return out
}
