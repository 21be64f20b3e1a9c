package safety

import (
	"fmt"
	"math/big"
	"strings"

	"nailbridge/mapping/record"
)

const (
	phenol          record.Code = "phenol"
	sodiumHydroxide record.Code = "sodium-hydroxide"
)

const (
	strengthSource = "Fernández Canedo et al. 2013; Heidelbaugh and Lee 2009"
	regimenSource  = "Heidelbaugh and Lee 2009; Muriel-Sánchez et al. 2021; Silva et al. 2024; Ramesh et al. 2020"
	hydroxide      = "Bostancı et al. 2014; Bostancı et al. 2007; Ramesh et al. 2020"
	flushSource    = "J Am Acad Dermatol 2014 (PMID 24680105)"
	vapourSource   = "Dermatol Surg 2008;34:1515 (PMID 18811717)"
	stepSource     = "Heidelbaugh and Lee 2009, Am Fam Physician 79:303"
)

// vapourMinutes is the longest exposure that was measured (C-38).
const vapourMinutes = 21

// Contact judges the matrix chemical at one border: strength, total contact
// time, flush and skin protection (C-31, C-32, C-34, C-35, C-38). Each
// chemical has its own times, or none (C-36). The border's path is the one
// that BorderPlaces gives.
func Contact(borderPlace string, border record.Border) Result {
	var r Result
	m := border.Matrix
	if m == nil || m.Method != "chemical-ablation" && m.Agent == "" && len(m.Applications) == 0 {
		return r
	}
	place := borderPlace + "/matrix"
	r.add(strength(place, m))
	r.add(contactTime(place, m))
	r.add(flush(place, m, border.Flush))
	if m.SkinProtection == no {
		r.flag(Flag{Code: SkinNotProtected, Level: record.LevelNote, Place: place, Inputs: []Input{{"skin protection", "no", ""}}, Source: stepSource, Tag: TagRead, Check: "C-38",
			Text: "The skin around the nail was not protected from the chemical. Source: " + stepSource + " [read]."})
	}
	return r
}

// strength accepts phenol of 80.0 to 90.0 % inclusive (C-31).
func strength(place string, m *record.Matrix) Result {
	var r Result
	if m.Agent != phenol {
		return r
	}
	if m.Percent == nil {
		r.flag(Flag{Code: StrengthMissing, Level: record.LevelNote, Place: place, Check: "C-31", Text: "The strength of the phenol is not recorded."})
		return r
	}
	if p := m.Percent.Rat(); p.Cmp(big.NewRat(80, 1)) < 0 || p.Cmp(big.NewRat(90, 1)) > 0 {
		r.flag(Flag{Code: StrengthOutOfRange, Level: record.LevelWarning, Place: place, Source: strengthSource, Tag: TagRead, Check: "C-31",
			Inputs: []Input{{"percent", m.Percent.String(), "%"}},
			Text:   fmt.Sprintf("Phenol of %s %% is outside 80 to 90 %%. Source: %s [read].", m.Percent, strengthSource)})
	}
	return r
}

// ContactTotal sums the seconds of the applications; missing counts those
// without a usable figure.
func ContactTotal(m *record.Matrix) (total *big.Rat, missing int) {
	total = new(big.Rat)
	for _, a := range m.Applications {
		if s := notNegative(a.Seconds); s != nil {
			total.Add(total, s)
		} else {
			missing++
		}
	}
	return total, missing
}

func contactTime(place string, m *record.Matrix) Result {
	var r Result
	total, missing := ContactTotal(m)
	in := []Input{{"agent", string(m.Agent), ""}}
	for _, a := range m.Applications {
		s := "not recorded"
		if a.Seconds != nil {
			s = a.Seconds.String()
		}
		in = append(in, Input{"application", s, "s"})
	}
	whole := missing == 0 && len(m.Applications) > 0
	var lacks []string
	if m.Agent == "" {
		lacks = append(lacks, "chemical")
	}
	if !whole {
		lacks = append(lacks, "seconds of each application")
	}
	if whole {
		r.figure(Figure{Code: ContactSeconds, Value: exact(total), Unit: "s", Place: place, Rule: "sum of the applications", Check: "C-32", Inputs: in})
	}
	if len(lacks) > 0 {
		r.flag(Flag{Code: ContactNotComputable, Level: record.LevelNote, Place: place, Inputs: in, Check: "C-32",
			Text: fmt.Sprintf("The contact time of the chemical cannot be judged: %s not recorded.", strings.Join(lacks, " and "))})
	}
	r.add(contactRange(place, m.Agent, total, whole, in))
	return r
}

// contactRange compares the total with the range observed for the chemical.
// A part that is known can pass an upper bound alone, never a lower one.
func contactRange(place string, agent record.Code, total *big.Rat, whole bool, in []Input) Result {
	var r Result
	add := func(code string, level record.Level, tag Tag, source, check, bound string) {
		atLeast := ""
		if !whole {
			atLeast = "at least "
		}
		r.flag(Flag{Code: code, Level: level, Place: place, Inputs: in, Source: source, Tag: tag, Check: check,
			Text: fmt.Sprintf("%s for %s%s s in total, %s; there is no agreed optimum. Source: %s [%s].", record.ChemicalSet.Display(agent), atLeast, exact(total), bound, source, tag)})
	}
	switch agent {
	case phenol:
		if whole && !atLeast(total, 30) {
			add(ContactShort, record.LevelWarning, TagRead, regimenSource, "C-32", "under the shortest observed regimen of 30 s")
		}
		if over(total, big.NewRat(240, 1)) {
			add(ContactLong, record.LevelNote, TagMemory, "a 4 min regimen, not verified", "C-32", "over the longest observed regimen of 240 s")
		}
	case sodiumHydroxide:
		if whole && !atLeast(total, 60) {
			add(ContactOutOfRange, record.LevelWarning, TagRead, hydroxide, "C-35", "under the shorter studied time of 60 s")
		}
		if over(total, big.NewRat(120, 1)) {
			add(ContactOutOfRange, record.LevelWarning, TagRead, hydroxide, "C-35", "over the longer studied time of 120 s")
		}
	}
	return r
}

// flush judges the washing out: acetic acid belongs to sodium hydroxide only
// (C-34, C-35).
func flush(place string, m *record.Matrix, f *record.Flush) Result {
	var r Result
	var agent record.Code
	if f != nil {
		agent = f.Agent
	}
	in := []Input{{"agent", string(m.Agent), ""}, {"flush", string(agent), ""}}
	switch {
	case m.Agent == phenol && agent == "acetic-acid":
		r.flag(Flag{Code: FlushMismatch, Level: record.LevelWarning, Place: place, Inputs: in, Source: flushSource, Tag: TagRead, Check: "C-35",
			Text: "Acetic acid was used to flush after phenol; it neutralises sodium hydroxide, and phenol is washed out with alcohol. Source: " + flushSource + " [read]."})
	case m.Agent == sodiumHydroxide && agent != "acetic-acid":
		r.flag(Flag{Code: NeutraliserMissing, Level: record.LevelNote, Place: place, Inputs: in, Source: "neutralising with 3 to 5 % acetic acid, not verified", Tag: TagMemory, Check: "C-35",
			Text: "No acetic acid flush is recorded after sodium hydroxide. Source: neutralising with 3 to 5 % acetic acid, not verified [memory]."})
	}
	return r
}

// vapour judges how long staff were beside open phenol (C-38): the applications
// of a sitting, one after another, are the least that it was.
func vapour(s *record.Surgery) Result {
	var r Result
	total := new(big.Rat)
	for i := range s.Toes {
		for j := range s.Toes[i].Borders {
			if m := s.Toes[i].Borders[j].Matrix; m != nil && m.Agent == phenol {
				t, _ := ContactTotal(m)
				total.Add(total, t)
			}
		}
	}
	if over(total, big.NewRat(vapourMinutes*60, 1)) {
		r.flag(Flag{Code: VapourLong, Level: record.LevelNote, Place: "/surgery/toes", Source: vapourSource, Tag: TagRead, Check: "C-38",
			Inputs: []Input{{"applications", exact(total), "s"}, {"studied", fmt.Sprint(vapourMinutes), "min"}},
			Text:   fmt.Sprintf("Phenol was applied for %s s in this sitting, over the %d min for which its vapour was measured beside operator and assistant. Source: %s [read].", exact(total), vapourMinutes, vapourSource)})
	}
	return r
}

// pregnancy judges phenol in a pregnant patient (C-37, D2.4): critical, and a
// warning once the clinician's reason for going on is recorded.
func pregnancy(borderPlace string, b *record.Border, risks *record.Risks) Result {
	var r Result
	if risks == nil || risks.Pregnant != yes || b.Matrix == nil || b.Matrix.Agent != phenol {
		return r
	}
	f := Flag{Code: PhenolInPregnancy, Level: record.LevelCritical, Place: borderPlace + "/matrix", Source: stepSource, Tag: TagRead, Check: "C-37",
		Inputs: []Input{{"pregnant", "yes", ""}, {"agent", "phenol", ""}},
		Text:   "Phenol was used on a patient recorded as pregnant, a stated contraindication, and no reason for going on is recorded. Source: " + stepSource + " [read]."}
	if strings.TrimSpace(risks.OverrideReason) != "" {
		f.Level = record.LevelWarning
		f.Inputs = append(f.Inputs, Input{"reason for going on", "recorded", ""})
		f.Text = "Phenol was used on a patient recorded as pregnant, a stated contraindication; the reason for going on is in the record. Source: " + stepSource + " [read]."
	}
	r.flag(f)
	return r
}
