package record

import (
	"reflect"
	"slices"
	"sync"
)

// Acknowledgement is a named person's answer to a flag, as sent (D1.3).
type Acknowledgement struct {
	Who        *Person `json:"who,omitempty"`
	Reason     string  `json:"reason,omitempty"`
	At         *When   `json:"at,omitempty"`         // date and time
	InputsHash string  `json:"inputsHash,omitempty"` // as shown with the flag
}

var acknowledgementRoot = sync.OnceValue(func() *shape {
	return newShape(&shape{typ: reflect.TypeFor[Acknowledgement]()})
})

// DecodeAcknowledgement reads an acknowledgement as strictly as Decode reads a
// record. ok is false when anything of it is missing, unknown or cannot be
// read: nothing is lost by that, since the person is still there to send it
// again. The findings name every fault with its place.
func DecodeAcknowledgement(b []byte) (a Acknowledgement, findings []Finding, ok bool) {
	d, ok := strictly(b, acknowledgementRoot(), reflect.ValueOf(&a).Elem())
	if !ok {
		return a, d.findings, false
	}
	d.findings = slices.DeleteFunc(d.findings, func(f Finding) bool { return f.Severity == Info })
	for i := range d.findings {
		d.findings[i].Severity, d.findings[i].Rule = Refusal, "D1.3"
	}
	missing := func(absent bool, ptr, text string) {
		if absent && !d.seen[ptr] {
			d.findings = append(d.findings, Finding{Severity: Refusal, Code: "missing", Pointer: ptr, Text: text, Rule: "D1.3"})
		}
	}
	missing(a.Who.Key() == "", "/who", "a person is named by registration or staff key")
	missing(a.Reason == "", "/reason", "the reason is missing")
	missing(a.At == nil || !a.At.HasTime(), "/at", "a date and time is wanted")
	missing(a.InputsHash == "", "/inputsHash", "the inputs hash shown with the flag is missing")
	return a, d.findings, len(d.findings) == 0
}
