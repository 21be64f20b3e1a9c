package record

import (
	"slices"

	"nailbridge/mapping/internal/rawjson"
)

// RedFlag is a recorded sign that a toe or a patient may be in danger now
// (D2.3). The texts hold nothing from the record.
type RedFlag struct {
	Code    string // stable, kebab-case
	Pointer string // RFC 6901, to the member that raises it
	Text    string
}

// redFlagTexts has every code of a RedFlag with its sentence.
var redFlagTexts = map[string]string{
	"toe-dusky":                     "the toe is dusky",
	"toe-white":                     "the toe is white",
	"toe-cold":                      "the toe is cold",
	"toe-numb":                      "the toe is still numb",
	"tourniquet-release-unrecorded": "a tourniquet was put on and no release is recorded",
	"spreading-redness":             "redness is spreading",
	"pus":                           "there is pus",
	"fever":                         "there is fever",
	"bleeding-through":              "blood comes through the dressing",
	"throbbing-pain":                "there is throbbing pain",
	"infection-diagnosed":           "an infection was diagnosed",
	"urgency-now":                   "the contact was judged urgent: now",
	"urgency-same-day":              "the contact was judged urgent: the same day",
}

// RedFlags finds every red flag of D2.3 in what could be read of a record, of
// any status and of refused content too. A numb toe counts at a review or a
// contact and not right after the surgery, where the block still acts. An
// infected indication is no flag: it is what the surgery was for, while a
// diagnosis of infection at a review or contact is one.
func RedFlags(r *Record) []RedFlag {
	var f flagger
	if r.Surgery != nil {
		for i, t := range r.Surgery.Toes {
			at := rawjson.Index("/surgery/toes", i)
			f.tourniquet(t, at)
			f.perfusion(t.Perfusion, at+"/perfusion", false)
		}
	}
	if r.Review != nil {
		f.findings(r.Review.Toes, "/review/toes")
	}
	if r.Contact != nil {
		f.raise(r.Contact.Urgency == "now", "urgency-now", "/contact/urgency")
		f.raise(r.Contact.Urgency == "same-day", "urgency-same-day", "/contact/urgency")
		f.findings(r.Contact.Toes, "/contact/toes")
	}
	return f.flags
}

// RedFlags is RedFlags of all that could be read: where a member was sent
// twice, of either reading.
func (d Decoded) RedFlags() []RedFlag {
	flags := RedFlags(d.Record)
	if d.otherReading == nil {
		return flags
	}
	seen := map[RedFlag]bool{}
	for _, f := range flags {
		seen[f] = true
	}
	for _, f := range RedFlags(d.otherReading) {
		if !seen[f] {
			flags = append(flags, f)
		}
	}
	return flags
}

type flagger struct{ flags []RedFlag }

func (f *flagger) raise(found bool, code, ptr string) {
	if found {
		f.flags = append(f.flags, RedFlag{code, ptr, redFlagTexts[code]})
	}
}

// tourniquet flags each period without a release, and a tourniquet said to have
// been used of which no period is recorded at all.
func (f *flagger) tourniquet(t Toe, ptr string) {
	const code = "tourniquet-release-unrecorded"
	f.raise(t.Tourniquet == "used" && len(t.Tourniquets) == 0, code, ptr+"/tourniquet")
	for i, p := range t.Tourniquets {
		f.raise(p.Off == nil, code, rawjson.Index(ptr+"/tourniquets", i))
	}
}

func (f *flagger) perfusion(p *Perfusion, ptr string, blockWornOff bool) {
	if p == nil {
		return
	}
	f.raise(p.Colour == "dusky", "toe-dusky", ptr+"/colour")
	f.raise(p.Colour == "white", "toe-white", ptr+"/colour")
	f.raise(p.Cold == "yes", "toe-cold", ptr+"/cold")
	f.raise(p.Numb == "yes" && blockWornOff, "toe-numb", ptr+"/numb")
}

func (f *flagger) findings(toes []ToeFindings, ptr string) {
	for i, t := range toes {
		at := rawjson.Index(ptr, i)
		f.perfusion(t.Perfusion, at+"/perfusion", true)
		for j, b := range t.Borders {
			f.raise(b.Exudate == "purulent", "pus", rawjson.Index(at+"/borders", j)+"/exudate")
			if b.Infection != nil {
				f.infection(*b.Infection, rawjson.Index(at+"/borders", j)+"/infection")
			}
		}
	}
}

// infection flags findings at the list that holds them, as the place of one in
// the list says nothing.
func (f *flagger) infection(inf Infection, ptr string) {
	for _, code := range []Code{"spreading-redness", "pus", "fever", "bleeding-through", "throbbing-pain"} {
		f.raise(slices.Contains(inf.Findings, code), string(code), ptr+"/findings")
	}
	switch inf.Diagnosis {
	case "wound-infection", "cellulitis", "abscess", "osteomyelitis":
		f.raise(true, "infection-diagnosed", ptr+"/diagnosis")
	}
}
