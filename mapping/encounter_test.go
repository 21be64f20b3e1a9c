package mapping

import (
	"testing"

	"github.com/stretchr/testify/assert"

	"nailbridge/mapping/record"
	"nailbridge/mapping/terms"
)

func TestEncounterOfASitting(t *testing.T) {
	for _, c := range []struct {
		name string
		in   record.Surgery
		want map[string][]any
	}{
		{"done", record.Surgery{Outcome: "done", Start: when(t, "2025-03-04T10:05:00"), End: when(t, "2025-03-04T10:50:30")}, map[string][]any{
			"status": {"finished"}, "period.start": {"2025-03-04T10:05:00+01:00"}, "period.end": {"2025-03-04T10:50:30+01:00"},
			"class.code": {"AMB"}, "type.coding.code": {"surgery"}, "period._start": nil, "reasonReference": nil, "participant": nil,
		}},
		{"end not recorded", record.Surgery{Outcome: "abandoned", Start: when(t, "2025-03-04")}, map[string][]any{
			"status": {"finished"}, "period.start": {"2025-03-04"}, "period.end": nil, "period._end.extension.valueCode": {"unknown"},
		}},
		{"start not recorded", record.Surgery{Outcome: "done", End: when(t, "2025-03-04T10:50")}, map[string][]any{
			"period.start": nil, "period.end": {"2025-03-04T10:50:00+01:00"}, "period._end.extension.url": {terms.ExtSecondsNotRecorded},
		}},
		{"per-1: end before start", record.Surgery{Outcome: "done", Start: when(t, "2025-03-04T10:50"), End: when(t, "2025-03-04T10:05")}, map[string][]any{
			"period.end": nil, "period._end.extension.valueCode": {"as-text"},
		}},
		{"not done", record.Surgery{Outcome: "not-done", OutcomeReason: "no consent"}, map[string][]any{"status": {"cancelled"}, "period": nil}},
		{"not done, though begun", record.Surgery{Outcome: "not-done", Start: when(t, "2025-03-04")}, map[string][]any{"status": {"finished"}}},
		{"outcome not recorded", record.Surgery{}, map[string][]any{"status": {"unknown"}, "period": nil}},
		{"operator by name only", record.Surgery{Outcome: "done", Operator: &record.Person{Name: &record.Name{Family: "Hill"}}}, map[string][]any{
			"participant.individual.display": {"Hill"}, "participant.type.coding.code": {"PPRF"},
		}},
		{"indication", record.Surgery{Outcome: "done", Indication: &record.Indication{Condition: "onychogryphosis"}}, map[string][]any{
			"reasonReference.reference": {"Condition/" + newBuilder(buildSettings(t), buildPatient).inCase("S-1", nil, nil).conditionRef().ID},
		}},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := &record.Record{Record: "S-1", Kind: "surgery", Surgery: &c.in}
			e := only(t, buildCase(t, s, nil, (*builder).encounters), "Encounter")
			hasAll(t, e, c.want)
			hasAll(t, e, map[string][]any{"identifier.system": {"https://north.example/id/record"}, "identifier.value": {"S-1"}})
			assert.NotEmpty(t, at(e, "subject.reference"))
			assert.NotEmpty(t, at(e, "serviceProvider.reference"))
		})
	}
}

// What an ended period could not take is still read by people.
func TestEncounterTellsAnEndBeforeTheStart(t *testing.T) {
	s := &record.Record{Record: "S-1", Kind: "surgery", Surgery: &record.Surgery{Start: when(t, "2025-03-04T10:50"), End: when(t, "2025-03-04T10:05")}}
	e := only(t, buildCase(t, s, nil, (*builder).encounters), "Encounter")
	assert.Contains(t, narrative(t, e), "2025-03-04 10:50 to 2025-03-04 10:05")
}

func TestEncounterOfAReview(t *testing.T) {
	at1 := when(t, "2025-03-11T09:00:00")
	for _, c := range []struct {
		name string
		in   record.Review
		want map[string][]any
		text []string
	}{
		{"attended", record.Review{Attendance: "attended", At: at1, Mode: "in-person", Reviewer: &record.Person{StaffKey: "n2"}}, map[string][]any{
			"status": {"finished"}, "class.code": {"AMB"}, "period.start": {"2025-03-11T09:00:00+01:00"}, "period._end.extension.valueCode": {"unknown"},
			"type.coding.code": {"review", "439740005", "in-person"}, "participant.type.coding.code": {"PPRF"},
		}, []string{"Attendance: Attended", "Mode: In person"}},
		{"by video", record.Review{Attendance: "attended", Mode: "video"}, map[string][]any{"class.code": {"VR"}, "period": nil}, nil},
		{"by telephone", record.Review{Attendance: "attended", Mode: "telephone"}, map[string][]any{
			"class.code": {"VR"}, "type.coding.code": {"review", "439740005", "telephone", "185317003"}}, nil},
		{"mode not recorded", record.Review{Attendance: "attended"}, map[string][]any{
			"class.code": nil, "class.extension.valueCode": {"unknown"}, "type.coding.code": {"review", "439740005"}}, nil},
		{"D4.3: missed", record.Review{Attendance: "did-not-attend", At: at1, Reason: "no bus"}, map[string][]any{"status": {"cancelled"}, "period": nil},
			[]string{"Attendance: Did not attend", "When: 2025-03-11 09:00", "Reason in words: no bus"}},
		{"D4.3: cancelled", record.Review{Attendance: "cancelled", CancelledBy: "clinic"}, map[string][]any{"status": {"cancelled"}},
			[]string{"Cancelled: By the clinic"}},
		{"D4.3: rebooked", record.Review{Attendance: "rebooked"}, map[string][]any{"status": {"cancelled"}}, nil},
		{"attendance not recorded", record.Review{At: at1}, map[string][]any{"status": {"unknown"}, "period.start": {"2025-03-11T09:00:00+01:00"}}, nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := &record.Record{Record: "V-1", Kind: "review", Review: &c.in}
			e := only(t, buildCase(t, nil, []*record.Record{r}, (*builder).encounters), "Encounter")
			hasAll(t, e, c.want)
			for _, text := range c.text {
				assert.Contains(t, narrative(t, e), text)
			}
		})
	}
}

func TestEncounterOfAContact(t *testing.T) {
	for _, c := range []struct {
		name string
		in   record.Contact
		want map[string][]any
	}{
		{"coded reason", record.Contact{Reason: "bleeding", Mode: "telephone", At: when(t, "2025-03-05T22:10")}, map[string][]any{
			"status": {"finished"}, "class.code": {"VR"}, "type.coding.code": {"contact", "390906007", "telephone", "185317003"},
			"reasonCode.coding.code": {"110265006"}, "reasonCode.text": {"Bleeding"}, "period.start": {"2025-03-05T22:10:00+01:00"},
		}},
		{"reason with words", record.Contact{Reason: "dressing", ReasonText: "came off"}, map[string][]any{
			"reasonCode.coding": nil, "reasonCode.text": {"Dressing question: came off"}}},
		{"words only", record.Contact{ReasonText: "came off"}, map[string][]any{"reasonCode.text": {"came off"}}},
		{"other reason", record.Contact{Reason: "other", ReasonText: "shoe"}, map[string][]any{"reasonCode.text": {"shoe"}}},
		{"nothing", record.Contact{}, map[string][]any{"reasonCode": nil, "period": nil, "status": {"finished"}}},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := &record.Record{Record: "C-1", Kind: "contact", Contact: &c.in}
			e := only(t, buildCase(t, nil, []*record.Record{r}, (*builder).encounters), "Encounter")
			hasAll(t, e, c.want)
		})
	}
}
