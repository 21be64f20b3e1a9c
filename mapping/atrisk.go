package mapping

import (
	"slices"

	"nailbridge/mapping/record"
	"nailbridge/mapping/safety"
)

// InfectionSignAtRisk is the code of a sign of infection, of any kind, in a
// patient whose infections run fast (C-58).
const InfectionSignAtRisk = "infection-sign-at-risk"

// fastRisks are the answers that make any sign of infection one of the same day.
func fastRisks(x *record.Risks) []safety.Input {
	var out []safety.Input
	if x == nil {
		return nil
	}
	for _, q := range []struct {
		name   string
		answer record.Code
	}{{"diabetes", x.Diabetes}, {"arterial disease", x.ArterialDisease}, {"immune suppression", x.ImmuneSuppress}} {
		if q.answer == "yes" {
			out = append(out, safety.Input{Name: q.name, Value: "yes"})
		}
	}
	return out
}

// atRiskSignals flags any sign of infection at a review or contact of a patient
// with diabetes, arterial disease or immune suppression: to be seen the same day
// (C-58).
func (c *caseFold) atRiskSignals(cur Current) []signal {
	risks := fastRisks(c.sur.Risks)
	if len(risks) == 0 {
		return nil
	}
	var out []signal
	eachBorderFinding(cur.Record, func(p place, f *record.BorderFindings) {
		signs := infectionSigns(f)
		if len(signs) == 0 {
			return
		}
		out = append(out, signal{
			Flag: Flag{
				Code: InfectionSignAtRisk, Level: Critical, Case: c.caseID, Record: cur.Record.Record, Place: redPlace(cur.Record, p),
				Text:   redText(cur.Record, p, "a sign of infection in a patient with diabetes, arterial disease or immune suppression"),
				Inputs: append(inputs("sign", signs...), risks...), Source: "common practice, no source", Rule: "C-58",
			},
			identified: cur.Record.VisitAt(), at: spot{place: p},
		})
	})
	return out
}

// infectionSigns are the signs of infection seen at a border.
func infectionSigns(f *record.BorderFindings) []string {
	var out []string
	if f.Infection != nil {
		for _, s := range f.Infection.Findings {
			if s != "" && s != "none" && !slices.Contains(out, string(s)) {
				out = append(out, string(s))
			}
		}
	}
	if f.Exudate == "purulent" {
		out = append(out, string(f.Exudate))
	}
	slices.Sort(out)
	return out
}
