// Package followup turns follow-up protocols into dated care-plan activities
// and says which of them are open, overdue, missed or done.
//
// A protocol is data: a FHIR R4 PlanDefinition
// (https://hl7.org/fhir/R4/plandefinition.html), embedded, whose actions are the
// steps. Plan is a pure function of the current records of one case, of the
// overdue facts committed for it and of the clinic's settings. The order in
// which the records arrived does not matter: everything is decided by the date
// of attendance (D4.3). No clock is read; State and DueFacts take the instant
// as an argument.
//
// The rules, by decision point:
//
//   - D4.1: an activity's id is the protocol step, or the record id and item
//     key of the record that opened it. A protocol applies only when named. A
//     booked date replaces the window; a date not booked is proposed. A review
//     names its activity; unnamed ones are matched in order of (attendance,
//     record id) to the open activity with the earliest end whose window holds
//     the date. A contact closes an activity only if it counts as the review.
//   - D4.2: an undischarged live case has an open dated activity or the
//     critical flag that no review is planned.
//   - D4.3: a missed review is cancelled and opens a recall; a cancelled or
//     rebooked one is replaced by an activity that names it.
//   - D4.4: the plan is active, completed or revoked.
//   - D1.6: which overdue facts count.
package followup
