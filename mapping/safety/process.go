package safety

import (
	"fmt"
	"strings"

	"nailbridge/mapping/record"
)

// The codes of process findings. They are told in the answer alone, as notes.
const (
	RecordIncomplete = "record-incomplete"
	CountIncomplete  = "count-incomplete"
	BatchMissing     = "batch-missing"
	BlockIneffective = "block-not-effective"
)

// ProcessCodes lists every code of a process finding, with its meaning.
var ProcessCodes = []FlagCode{
	{RecordIncomplete, "Items of the operation note missing", record.LevelNote, false},
	{CountIncomplete, "Count at the end not complete", record.LevelNote, false},
	{BatchMissing, "Batch not recorded", record.LevelNote, false},
	{BlockIneffective, "Block not effective", record.LevelNote, false},
}

const noteSource = "RCS Good Surgical Practice 2002 and 2014, operation note; the nail's own items are common practice"

// item is one item of an operation note (C-68, C-69).
type item struct {
	name    string
	present func(*record.Surgery) bool
}

// noteItems are the items that a complete operation note of nail surgery has.
var noteItems = []item{
	{"date and time", func(s *record.Surgery) bool { return s.Start != nil && s.Start.HasTime() }},
	{"operator", func(s *record.Surgery) bool {
		return s.Operator.Key() != "" || s.Operator != nil && s.Operator.Name != nil
	}},
	{"diagnosis", func(s *record.Surgery) bool {
		return s.Indication != nil && (s.Indication.Condition != "" || s.Indication.Text != "")
	}},
	{"toe and border", everyBorder(func(b *record.Border) bool { return b.Border != "" })},
	{"procedure", everyBorder(func(b *record.Border) bool { return b.Procedure != "" })},
	{"consent", func(s *record.Surgery) bool { return s.Consent != nil && s.Consent.Status != "" }},
	{"allergy status", func(s *record.Surgery) bool { // and to what, where there is one
		return s.Allergies != nil && s.Allergies.Status != "" && (s.Allergies.Status != "present" || len(s.Allergies.Items) > 0)
	}},
	{"risk answers", func(s *record.Surgery) bool { return s.Risks != nil }},
	{"anaesthetic with strength and volume", everyAgent(func(a *record.Agent) bool { return a.Agent != "" && a.Percent != nil && a.ML != nil })},
	{"batch of the anaesthetic", everyAgent(func(a *record.Agent) bool { return a.Batch != "" })},
	{"tourniquet on and off", everyToe(func(t *record.Toe) bool { return t.Tourniquet == "not-used" || whole(t.Tourniquets) })},
	{"chemical with strength and seconds", everyBorder(chemicalTold)},
	{"flush", everyBorder(func(b *record.Border) bool { return b.Matrix == nil || b.Matrix.Agent == "" || b.Flush != nil })},
	{"haemostasis", func(s *record.Surgery) bool { return s.Haemostasis != "" }},
	{"dressing", func(s *record.Surgery) bool { return s.Dressing != "" || s.DressingText != "" }},
	{"capillary return", everyToe(func(t *record.Toe) bool { return t.Perfusion != nil })},
	{"tissue sent or not", func(s *record.Surgery) bool { return s.TissueSent != "" || len(s.Specimens) > 0 }},
	{"problems, or none", func(s *record.Surgery) bool { return s.Events != nil && (s.Events.None || len(s.Events.Items) > 0) }},
	{"instructions", func(s *record.Surgery) bool { return s.Advice != nil && (s.Advice.Given != "" || s.Advice.Text != "") }},
}

func everyToe(told func(*record.Toe) bool) func(*record.Surgery) bool {
	return func(s *record.Surgery) bool {
		for i := range s.Toes {
			if !told(&s.Toes[i]) {
				return false
			}
		}
		return len(s.Toes) > 0
	}
}

func everyBorder(told func(*record.Border) bool) func(*record.Surgery) bool {
	return func(s *record.Surgery) bool {
		n := 0
		for i := range s.Toes {
			for j := range s.Toes[i].Borders {
				if !told(&s.Toes[i].Borders[j]) {
					return false
				}
				n++
			}
		}
		return n > 0
	}
}

func everyAgent(told func(*record.Agent) bool) func(*record.Surgery) bool {
	return func(s *record.Surgery) bool {
		n := 0
		for i := range s.Toes {
			if b := s.Toes[i].Block; b != nil {
				for j := range b.Agents {
					if !told(&b.Agents[j]) {
						return false
					}
					n++
				}
			}
		}
		return n > 0
	}
}

func whole(ts []record.Tourniquet) bool {
	for _, t := range ts {
		if t.On == nil || t.Off == nil {
			return false
		}
	}
	return len(ts) > 0
}

func chemicalTold(b *record.Border) bool {
	m := b.Matrix
	if m == nil || m.Method != "chemical-ablation" {
		return true
	}
	for _, a := range m.Applications {
		if a.Seconds == nil {
			return false
		}
	}
	return m.Agent != "" && m.Percent != nil && len(m.Applications) > 0
}

// Process tells what is missing from the note of a sitting that took place, or
// was not done as it should be (C-68, C-69, C-66). All are notes: told in the
// answer alone.
func Process(s *record.Surgery) []Flag {
	if s.Outcome == "not-done" {
		return nil
	}
	var r Result
	note := func(code, place, check, text string, in ...Input) {
		r.flag(Flag{Code: code, Level: record.LevelNote, Place: place, Inputs: in, Source: noteSource, Tag: TagRead, Check: check, Text: text})
	}
	var missing []string
	for _, i := range noteItems {
		if !i.present(s) {
			missing = append(missing, i.name)
		}
	}
	if len(missing) > 0 {
		n, all := len(noteItems)-len(missing), len(noteItems)
		note(RecordIncomplete, "/surgery", "C-68", fmt.Sprintf("%d of %d items of the operation note are filled (%s %%). Missing: %s.", n, all, share(n, all), strings.Join(missing, ", ")),
			Input{"items filled", fmt.Sprint(n), "1"}, Input{"items", fmt.Sprint(all), "1"})
	}
	if c := s.Counts; c != nil {
		for _, x := range []struct {
			name   string
			answer record.Code
		}{{"swabs", c.Swabs}, {"sharps", c.Sharps}} {
			if x.answer == no {
				note(CountIncomplete, "/surgery/counts/"+x.name, "C-66", "The "+x.name+" were not complete at the end.", Input{x.name, string(x.answer), ""})
			}
		}
	}
	for i, toePlace := range ToePlaces(s) {
		t := &s.Toes[i]
		if t.Block != nil && t.Block.Effective == no {
			note(BlockIneffective, toePlace+"/block", "C-69", "The block of the "+toeText(t.Side, t.Digit)+" was not effective before the incision.", Input{"effective", string(no), ""})
		}
		for j, place := range AgentPlaces(toePlace, t) {
			if a := t.Block.Agents[j]; a.Batch == "" {
				note(BatchMissing, place, "C-69", "The batch of the "+strings.ToLower(record.AnaestheticSet.Display(a.Agent))+" is not recorded.", Input{"agent", string(a.Agent), ""})
			}
		}
	}
	return r.Flags
}

// share is n of all in per cent, to one decimal.
func share(n, all int) string {
	tenths := (n*2000 + all) / (2 * all)
	return fmt.Sprintf("%d.%d", tenths/10, tenths%10)
}
