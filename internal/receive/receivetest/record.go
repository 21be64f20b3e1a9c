package receivetest

import (
	"encoding/json"
	"strconv"
	"strings"
)

// Edit changes a record before it is sent.
type Edit func(tree map[string]any)

// PatientSystem numbers the patients of the clinic.
const PatientSystem = "https://north.example/patient"

const surgeryJSON = `{
 "schemaVersion": "1.0", "clinic": "north", "record": "S-1", "savedAt": "2026-03-02T11:20:00Z", "kind": "surgery", "status": "final",
 "author": {"registration": {"system": "https://register.example/podiatry", "value": "R-1"}, "staffKey": "pod-1", "name": {"family": "Quill", "given": ["Ada"]}, "role": "podiatrist"},
 "patient": {"identifier": {"system": "https://north.example/patient", "value": "P-1"}, "name": {"family": "Marsh", "given": ["Tobin"]}, "birthDate": "1988-05-14", "gender": "male"},
 "sharing": "agreed",
 "surgery": {"outcome": "done", "start": "2026-03-02T10:00+00:00", "end": "2026-03-02T10:50+00:00",
  "operator": {"registration": {"system": "https://register.example/podiatry", "value": "R-1"}, "staffKey": "pod-1"},
  "indication": {"condition": "ingrowing-toenail", "stage": "II", "stageSystem": "heifetz"},
  "risks": {"pregnant": "no", "diabetes": "no", "arterialDisease": "no", "raynaud": "no", "neuropathy": "no", "anticoagulant": "no", "immuneSuppression": "no", "cardiacDisease": "no", "liverDisease": "no", "otherAnaestheticWithin24h": "no"},
  "allergies": {"status": "present", "items": [{"key": "al1", "substance": "latex", "reaction": "rash", "criticality": "low"}]},
  "weight": {"kg": 70.0, "basis": "measured", "at": "2026-03-02"},
  "consent": {"status": "given", "givenBy": "patient", "at": "2026-03-02T09:45+00:00", "for": [{"side": "left", "digit": "1", "border": "lateral", "procedure": "partial-avulsion"}]},
  "toes": [{"key": "t1", "side": "left", "digit": "1",
   "block": {"technique": "digital-block", "effective": "yes", "agents": [{"key": "a1", "agent": "lidocaine", "percent": 2, "vasoconstrictor": "none", "mL": 3.0, "batch": "LX-2207", "expiry": "2027-08", "site": "both-sides", "at": "2026-03-02T10:02+00:00", "giver": {"staffKey": "nurse-2", "name": {"family": "Vale"}}}]},
   "tourniquet": "used",
   "tourniquets": [{"key": "q1", "device": "digital-ring", "colour": "orange", "on": "2026-03-02T10:12:00+00:00", "off": "2026-03-02T10:28:00+00:00", "countedOut": "yes"}],
   "borders": [{"key": "b1", "border": "lateral", "procedure": "partial-avulsion", "widthMm": 3,
    "matrix": {"method": "chemical-ablation", "agent": "phenol", "percent": 89, "batch": "PH-310", "expiry": "2027-02", "applications": [{"key": "p1", "seconds": 60}, {"key": "p2", "seconds": 60}], "skinProtection": "yes", "curettage": "no"},
    "flush": {"agent": "isopropyl-alcohol", "mL": 15}}],
   "perfusion": {"returned": "yes", "refillSeconds": 2, "colour": "pink", "cold": "no", "at": "2026-03-02T10:31+00:00"}}],
  "dressing": "non-adherent", "events": {"none": true}, "protocol": "partial-avulsion-chemical-ablation"}}`

const reviewJSON = `{
 "schemaVersion": "1.0", "clinic": "north", "record": "R-1", "savedAt": "2026-03-04T09:40:00Z", "kind": "review", "status": "final",
 "author": {"staffKey": "nurse-2", "name": {"family": "Vale", "given": ["Ines"]}, "role": "nurse"},
 "patient": {"identifier": {"system": "https://north.example/patient", "value": "P-1"}},
 "review": {"surgery": "S-1", "activity": "day-2", "attendance": "attended", "at": "2026-03-04T09:15+00:00", "mode": "in-person", "reviewer": {"staffKey": "nurse-2"},
  "toes": [{"side": "left", "digit": "1", "pain": 4, "borders": [{"border": "lateral", "woundStage": "fresh", "infection": {"findings": ["none"]}}]}]}}`

// Surgery is a sitting of 2 March 2026, S-1 of patient P-1, within every
// limit, sharing agreed, no revision.
func Surgery(edits ...Edit) []byte { return edited(surgeryJSON, edits) }

// Review is the attended review R-1 of S-1 on 4 March 2026, without a red
// flag.
func Review(edits ...Edit) []byte { return edited(reviewJSON, edits) }

const mergeJSON = `{
 "schemaVersion": "1.0", "clinic": "north", "record": "M-1", "savedAt": "2026-03-05T09:40:00Z", "kind": "merge", "status": "final",
 "author": {"staffKey": "clerk-3", "name": {"family": "Rook", "given": ["Lea"]}, "role": "clerk"},
 "patient": {"identifier": {"system": "https://north.example/patient", "value": "P-1"}}}`

// Merge is the merge M-1 of 5 March 2026: patient P-1 replaces those numbered so
// (D1.5).
func Merge(replaced []string, edits ...Edit) []byte {
	var list []any
	for _, value := range replaced {
		list = append(list, map[string]any{"system": PatientSystem, "value": value})
	}
	return edited(mergeJSON, append([]Edit{Set("/merge/replaces", list)}, edits...))
}

func edited(text string, edits []Edit) []byte {
	var tree map[string]any
	if err := json.Unmarshal([]byte(text), &tree); err != nil {
		panic(err) // a constant of this file
	}
	for _, e := range edits {
		e(tree)
	}
	b, err := json.Marshal(tree)
	if err != nil {
		panic(err) // JSON values only
	}
	return b
}

// Set sets the member at an RFC 6901 pointer; nil takes it away. Objects on
// the way are made.
func Set(pointer string, value any) Edit {
	parts := strings.Split(strings.TrimPrefix(pointer, "/"), "/")
	return func(tree map[string]any) {
		var at any = tree
		for _, p := range parts[:len(parts)-1] {
			switch v := at.(type) {
			case map[string]any:
				if v[p] == nil {
					v[p] = map[string]any{}
				}
				at = v[p]
			case []any:
				i, err := strconv.Atoi(p)
				if err != nil {
					panic(err)
				}
				at = v[i]
			}
		}
		last := at.(map[string]any)
		if value == nil {
			delete(last, parts[len(parts)-1])
			return
		}
		last[parts[len(parts)-1]] = value
	}
}

// Record gives the record another id.
func Record(id string) Edit { return Set("/record", id) }

// Revision gives the record a revision.
func Revision(n int) Edit { return Set("/revision", n) }

// Saved says when the record was saved.
func Saved(at string) Edit { return Set("/savedAt", at) }

// Status sets the status of the record.
func Status(s string) Edit { return Set("/status", s) }

// Patient names another patient of the clinic, by value.
func Patient(value string) Edit {
	return func(tree map[string]any) {
		Set("/patient/identifier", map[string]any{"system": PatientSystem, "value": value})(tree)
	}
}

// RedFlag adds pus to the review's border (D2.3).
var RedFlag = Set("/review/toes/0/borders/0/infection/findings", []any{"pus"})
