package events

import (
	"encoding/json"
	"slices"

	"nailbridge/internal/receive"
	"nailbridge/mapping"
)

// Answered is the body of a message on ANSWERS.
type Answered struct {
	receive.Answer
	// StreamSequence is that of the record's message in RECORDS.
	StreamSequence uint64 `json:"streamSequence"`
	// Truncated says that lists were cut to the size of a message.
	Truncated bool `json:"truncated,omitempty"`
}

// mostKept is how many entries of a list stay when the list is cut.
const mostKept = 100

// cuts make an answer shorter, the least urgent first. A critical flag goes
// last.
var cuts = []func(*receive.Answer){
	func(a *receive.Answer) { a.Figures = nil },
	func(a *receive.Answer) { a.Resources = nil },
	func(a *receive.Answer) { a.Activities = nil },
	func(a *receive.Answer) { a.Reasons = a.Reasons[:min(len(a.Reasons), mostKept)] },
	func(a *receive.Answer) {
		a.Flags = slices.Clone(a.Flags)
		for i := range a.Flags {
			a.Flags[i].Inputs = nil
		}
	},
	func(a *receive.Answer) {
		a.Flags = slices.DeleteFunc(slices.Clone(a.Flags), func(f mapping.Flag) bool { return f.Level != mapping.Critical })
	},
	func(a *receive.Answer) { a.Flags = a.Flags[:min(len(a.Flags), mostKept)] },
	func(a *receive.Answer) { a.Reasons = nil },
	func(a *receive.Answer) { a.Flags = nil },
	// What is left is as long as the ids that the record itself gave.
	func(a *receive.Answer) {
		*a = receive.Answer{Answer: a.Answer, Revision: a.Revision, Urgent: a.Urgent, Counts: a.Counts, Shared: a.Shared}
	},
}

// encode is the body of an answer in at most limit bytes.
func (a Answered) encode(limit int) ([]byte, error) {
	for i := 0; ; i++ {
		b, err := json.Marshal(a)
		if err != nil || len(b) <= limit || i == len(cuts) {
			return b, err
		}
		a.Truncated = true
		cuts[i](&a.Answer)
	}
}
