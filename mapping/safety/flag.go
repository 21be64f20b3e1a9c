package safety

import (
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"sort"

	"nailbridge/mapping/record"
)

// Tag says how far a figure's source was followed.
type Tag string

// The tags. A formulary file may hold only TagRead and TagLocal.
const (
	TagRead     Tag = "read"     // read in the cited text
	TagVia      Tag = "via"      // read in a page that restates the origin
	TagMemory   Tag = "memory"   // not verified
	TagPractice Tag = "practice" // common practice, no source
	TagLocal    Tag = "local"    // the clinic's own formulary
)

// Input is one value that a flag or figure was computed from.
type Input struct {
	Name  string `json:"name"`
	Value string `json:"value"`          // exact decimal text, code or time as recorded
	Unit  string `json:"unit,omitempty"` // UCUM
}

// Flag is one thing that a clinician should see.
type Flag struct {
	Code  string       `json:"code"` // one of FlagCodes
	Level record.Level `json:"level"`
	// Place is a path in the record built from the sender's item keys, escaped
	// as in RFC 6901: "/surgery/toes/left-1:a/tourniquets/:t1".
	Place  string  `json:"place"`
	Text   string  `json:"text"` // a sentence fit to show: inputs, limit, set, source
	Inputs []Input `json:"inputs,omitempty"`
	Set    string  `json:"set,omitempty"` // name of the formulary, where one was used
	Source string  `json:"source,omitempty"`
	Tag    Tag     `json:"tag,omitempty"`
	Check  string  `json:"check,omitempty"` // number of the clinical fact, such as "C-25"
}

// InputsHash is the SHA-256, in lower-case hex, over code, place and inputs: an
// acknowledgement binds to it, so a change of any input reopens the flag and a
// change of anything else does not (D1.3).
func (f Flag) InputsHash() string {
	h := sha256.New()
	write := func(s string) {
		var n [8]byte
		binary.BigEndian.PutUint64(n[:], uint64(len(s)))
		h.Write(n[:])
		h.Write([]byte(s))
	}
	write(f.Code)
	write(f.Place)
	for _, in := range f.Inputs {
		write(in.Name)
		write(in.Value)
		write(in.Unit)
	}
	return hex.EncodeToString(h.Sum(nil))
}

// Figure is one computed quantity.
type Figure struct {
	Code  string `json:"code"`  // one of FigureCodes
	Value string `json:"value"` // decimal text; rounding as the package says
	Unit  string `json:"unit"`  // UCUM
	Place string `json:"place"`
	// Set and Limit are of the formulary, where the figure was compared.
	Set string `json:"set,omitempty"`
	// Approval is the date of a clinic's own set and who approved it.
	Approval  string  `json:"approval,omitempty"`
	Rule      string  `json:"rule,omitempty"` // in words: how the limit came about
	Limit     string  `json:"limit,omitempty"`
	LimitUnit string  `json:"limitUnit,omitempty"`
	Source    string  `json:"source,omitempty"`
	Tag       Tag     `json:"tag,omitempty"`
	Check     string  `json:"check,omitempty"`
	Inputs    []Input `json:"inputs,omitempty"`
	// Query is what is asked about an implausible input: the figure is computed
	// all the same, and the question stands beside it (C-20).
	Query string `json:"query,omitempty"`
}

// Result is what a function of this package found, in the order of the record.
type Result struct {
	Figures []Figure `json:"figures,omitempty"`
	Flags   []Flag   `json:"flags,omitempty"`
}

func (r *Result) flag(f Flag)     { r.Flags = append(r.Flags, f) }
func (r *Result) figure(f Figure) { r.Figures = append(r.Figures, f) }

// figureIf adds the figure of a sum when the sum is whole.
func (r *Result) figureIf(whole bool, f Figure) {
	if whole {
		r.figure(f)
	}
}

func (r *Result) add(o Result) {
	r.Figures = append(r.Figures, o.Figures...)
	r.Flags = append(r.Flags, o.Flags...)
}

// sorted puts the gravest flags first and keeps the record's order otherwise.
func (r Result) sorted() Result {
	sort.SliceStable(r.Flags, func(i, j int) bool {
		return r.Flags[i].Level.Rank() > r.Flags[j].Level.Rank()
	})
	return r
}
