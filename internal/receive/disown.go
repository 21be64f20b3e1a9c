package receive

import (
	"nailbridge/mapping/record"
)

// Disown is the answer to a delivery that is not this door's, where the door
// answers such deliveries: refused for the reason given, and kept under no
// clinic. What can be read of it still runs the red-flag check (D2.1).
func (v *Receiver) Disown(body []byte, why record.Finding) Answer {
	d := record.Read(body, v.Settings.Clinic.Zone)
	in := incoming{
		record: d.Record, findings: append([]record.Finding{why}, d.Findings...), notJSON: d.NotJSON, redFlags: d.RedFlags(),
	}
	a := v.answer(in, Refused)
	a.Clinic = d.Record.Clinic
	v.count(a, in)
	return a
}
