package safety

import (
	"fmt"

	"nailbridge/mapping/record"
)

func redFlag(code, place, text string, in ...Input) Flag {
	return Flag{Code: code, Level: Critical, Place: place, Text: text, Inputs: in, Check: "C-58", Tag: TagPractice, Source: "red flags after nail surgery, common practice"}
}

// RedFlags gives the red flags of one record of any kind, also of a refused
// one as far as it could be read (D2.1, D2.3): dusky, white, cold or still
// numb toe, tourniquet without release, spreading redness, pus, fever,
// bleeding through, throbbing pain, a diagnosis of infection, or a contact's
// urgency of now or same day.
func RedFlags(rec *record.Record) []Flag {
	var r Result
	if rec == nil {
		return nil
	}
	if s := rec.Surgery; s != nil {
		toes := ToePlaces(s)
		for i, t := range s.Toes {
			r.add(released(toes[i], t))
			r.add(Perfusion(toes[i], t, nil))
		}
	}
	if v := rec.Review; v != nil {
		r.add(findings("/review", v.Toes))
	}
	if c := rec.Contact; c != nil {
		r.add(findings("/contact", c.Toes))
		if c.Urgency == "now" || c.Urgency == "same-day" {
			r.flag(redFlag(RedUrgentContact, "/contact", fmt.Sprintf("A contact was judged urgent: %s.", display(record.UrgencySet, c.Urgency)), Input{"urgency", string(c.Urgency), ""}))
		}
	}
	var red []Flag
	for _, f := range r.Flags {
		if IsRed(f.Code) {
			red = append(red, f)
		}
	}
	return red
}

// released gives the flags of tourniquets without release: they need no zone.
func released(toePlace string, t record.Toe) Result {
	var open []record.Tourniquet
	for _, p := range t.Tourniquets {
		p.On = nil // no times are compared
		open = append(open, p)
	}
	t.Tourniquets = open
	return TourniquetTimes(toePlace, t, nil)
}

var redFindings = map[record.Code]struct{ code, text string }{
	"spreading-redness": {RedSpreadingRedness, "has spreading redness"},
	"pus":               {RedPus, "has pus"},
	"fever":             {RedFever, "was seen with fever"},
	"throbbing-pain":    {RedThrobbingPain, "has throbbing pain"},
	"bleeding-through":  {RedBleedingThrough, "bleeds through the dressing"},
}

var infections = map[record.Code]bool{"wound-infection": true, "cellulitis": true, "abscess": true, "osteomyelitis": true}

// findings gives the red flags of what was found at a review or contact.
func findings(base string, toes []record.ToeFindings) Result {
	var r Result
	places := findingPlaces(base, toes)
	for i := range toes {
		t := &toes[i]
		which := toeText(t.Side, t.Digit)
		if p := t.Perfusion; p != nil {
			r.add(perfusionRed(places[i]+"/perfusion", which, p))
			if p.Numb == yes {
				r.flag(redFlag(RedToeNumb, places[i]+"/perfusion", fmt.Sprintf("The %s is still numb.", which), Input{"numb", "yes", ""}))
			}
		}
		for j, place := range findingBorderPlaces(places[i], t) {
			r.add(infection(place+"/infection", which, t.Borders[j].Infection))
		}
	}
	return r
}

func infection(place, which string, in *record.Infection) Result {
	var r Result
	if in == nil {
		return r
	}
	seen := map[record.Code]bool{}
	for _, f := range in.Findings {
		if red, ok := redFindings[f]; ok && !seen[f] {
			seen[f] = true
			r.flag(redFlag(red.code, place, fmt.Sprintf("The %s %s.", which, red.text), Input{"finding", string(f), ""}))
		}
	}
	if infections[in.Diagnosis] {
		r.flag(redFlag(RedInfection, place, fmt.Sprintf("Infection of the %s was diagnosed: %s.", which, display(record.DiagnosisSet, in.Diagnosis)), Input{"diagnosis", string(in.Diagnosis), ""}))
	}
	return r
}
