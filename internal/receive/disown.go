package receive

import (
	"nailbridge/mapping/record"
)

// Disown is the answer to a delivery that is not this door's, where the door
// answers such deliveries: refused for the reason given, and kept under no
// clinic. What can be read of it still runs the red-flag check (D2.1).
func (v *Receiver) Disown(body []byte, why record.Finding) Answer {
	a, in := v.disowned(body, why)
	v.count(a, in)
	return a
}

// otherClinic is the answer to a record that names another clinic. A dry run
// raises no alarm.
func (v *Receiver) otherClinic(body []byte, dryRun bool) Answer {
	a, in := v.disowned(body, record.Finding{
		Severity: record.Refusal, Code: "other-clinic", Pointer: "/clinic", Rule: "D2.1",
		Text: "the record is of another clinic than this door; nothing of it was stored",
	})
	if a.DryRun = dryRun; !dryRun {
		v.count(a, in)
	}
	return a
}

func (v *Receiver) disowned(body []byte, why record.Finding) (Answer, incoming) {
	d := record.Read(body, v.Settings.Clinic.Zone)
	in := incoming{
		record: d.Record, findings: append([]record.Finding{why}, d.Findings...), notJSON: d.NotJSON, redFlags: d.RedFlags(),
	}
	a := v.answer(in, Refused)
	a.Clinic = d.Record.Clinic
	return a, in
}
