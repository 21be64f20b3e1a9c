package shorthand

import (
	"slices"
	"strings"

	"nailbridge/mapping/record"
)

// together settles what several phrases of a text say only with each other.
func (r *reader) together() {
	r.wholeNail()
	r.saidWhich()
	r.otherProcedure()
	r.chemicalMethod()
	r.otherMethod()
	r.symptoms()
	r.bareDC()
	r.dischargedHealed()
	r.offBeforeOn()
	r.severalTimes()
	r.healingStage()
	r.dryWound()
	r.inAlcohol()
	r.flushOf()
	r.unsaidChemical()
	r.notDone()
}

// healingStage drops the question at which stage a wound is that heals, where the text says it: healing,
// drying.
func (r *reader) healingStage() {
	said := false
	r.each(Wound, func(rd *Reading) { said = said || rd.Value.Code == "drying" || rd.Value.Code == "granulating" })
	r.text.Readings = slices.DeleteFunc(r.text.Readings, func(rd Reading) bool {
		return said && rd.Rule == "wound.healing" && rd.Certainty == Ambiguous
	})
}

// dryWound makes a "dry" beside another stage of the wound what comes from it: dry, healed.
func (r *reader) dryWound() {
	other := false
	dry := func(rd *Reading) bool { return lower(r.text.Original[rd.From:rd.To]) == "dry" }
	r.each(Wound, func(rd *Reading) { other = other || !dry(rd) && rd.Value.Code != "discharging" })
	if !other || !r.wants(Exudate) {
		return
	}
	r.each(Wound, func(rd *Reading) {
		if dry(rd) {
			rd.Kind, rd.Value.Code, rd.Rule = Exudate, "none", "exudate.dry"
		}
	})
}

// inAlcohol makes chlorhexidine and alcohol of one part one flush: chlorhexidine 0.5% in
// 70% alcohol.
func (r *reader) inAlcohol() {
	at := func(rule string) *Reading {
		for i := range r.text.Readings {
			if r.text.Readings[i].Rule == rule {
				return &r.text.Readings[i]
			}
		}
		return nil
	}
	chx, alc := at("flush.chlorhexidine"), at("flush.alcohol")
	if chx == nil || alc == nil || chx.From > alc.From || strings.ContainsAny(r.text.Original[chx.To:alc.From], ",;+.&") && !strings.Contains(r.text.Original[chx.To:alc.From], "%") {
		return
	}
	chx.Value.Code, chx.Certainty, chx.Others, chx.Rule = "chlorhexidine-alcohol", Certain, nil, "flush"
	r.text.Readings = slices.DeleteFunc(r.text.Readings, func(rd Reading) bool { return rd.Rule == "flush.alcohol" })
}

// notDone drops the question which surgery it was that was not done: nail surgery not
// carried out.
func (r *reader) notDone() {
	not := false
	r.each(Outcome, func(rd *Reading) { not = not || rd.Value.Code == "not-done" })
	r.text.Readings = slices.DeleteFunc(r.text.Readings, func(rd Reading) bool {
		return not && rd.Kind == Procedure && rd.Certainty == Ambiguous && rd.Rule == "procedure.surgery"
	})
}

// severalTimes makes two answers of how long one chemical was applied ambiguous: lat
// 3 x 1 min; med 2 x 1 min.
func (r *reader) severalTimes() {
	chemicals := 0
	r.each(Chemical, func(*Reading) { chemicals++ })
	var vs []Value
	r.each(Applications, func(rd *Reading) { vs = append(vs, rd.Value) })
	if chemicals != 1 || len(vs) < 2 {
		return
	}
	r.each(Applications, func(rd *Reading) { rd.Certainty, rd.Rule, rd.Others = Ambiguous, "amount.several", vs })
}

// flushOf asks, in a column of matrix treatments, what it was neutralised with where
// nothing says so.
func (r *reader) flushOf() {
	if !r.matrixColumn() || len(r.text.Of(Flush)) > 0 {
		return
	}
	for _, it := range r.items {
		if it.is(flushWord) && !it.mark.not {
			r.vague(it, entry{vague, "flush saline|flush isopropyl-alcohol|flush ethanol|flush acetic-acid", "flush.not-said"})
			return
		}
	}
}

// unsaidChemical asks, in a column of matrix treatments that says nothing else, which chemical it was, and
// proposes none: chemical used, not stated which.
func (r *reader) unsaidChemical() {
	if !r.matrixColumn() || len(r.text.Readings) > 0 {
		return
	}
	for _, it := range r.items {
		if slices.Contains([]string{"chemical", "chem", "chemicals", "agent"}, it.text) && !it.mark.not {
			rd := Reading{Kind: Chemical, Certainty: Ambiguous, Rule: "chemical.not-said"}
			for _, c := range record.ChemicalSet.Values {
				rd.Others = append(rd.Others, Value{Code: c.Code})
			}
			r.add(rd, it)
			return
		}
	}
}

// each calls f with the readings of a kind that are not ambiguous.
func (r *reader) each(k Kind, f func(*Reading)) {
	for i := range r.text.Readings {
		if rd := &r.text.Readings[i]; rd.Kind == k && rd.Certainty != Ambiguous {
			f(rd)
		}
	}
}

// wholeNail makes an avulsion a total one where the words name the whole nail.
func (r *reader) wholeNail() {
	whole := slices.ContainsFunc(r.items, func(it *item) bool { return it.is(border) && it.entry(border).value == "whole" && !it.mark.not })
	if !whole {
		return
	}
	for i := range r.text.Readings {
		if rd := &r.text.Readings[i]; rd.Kind == Procedure && rd.Rule == "procedure.avulsion" {
			rd.Value.Code, rd.Certainty, rd.Others, rd.Rule = "total-avulsion", Certain, nil, "procedure.whole-nail"
		}
	}
}

// saidWhich drops the question which avulsion it was where the text says it: avulsion,
// total.
func (r *reader) saidWhich() {
	known := 0
	r.each(Procedure, func(rd *Reading) {
		if rd.Value.Code == "partial-avulsion" || rd.Value.Code == "total-avulsion" {
			known++
		}
	})
	r.text.Readings = slices.DeleteFunc(r.text.Readings, func(rd Reading) bool {
		at := slices.IndexFunc(r.items, func(it *item) bool { return it.from == rd.From })
		return known == 1 && rd.Rule == "procedure.avulsion" && r.items[at].mark == (mark{})
	})
}

// otherProcedure makes two procedures ambiguous between which a slash or a versus
// stands: one of them was done.
func (r *reader) otherProcedure() {
	for i, it := range r.items {
		if i+2 >= len(r.items) || !it.is(procedure) || !r.items[i+2].is(procedure) || it.entry(procedure).value == r.items[i+2].entry(procedure).value {
			continue
		}
		switch r.items[i+1].text {
		case "/", "v", "vs":
			vs := []Value{}
			r.each(Procedure, func(rd *Reading) { vs = append(vs, rd.Value) })
			r.each(Procedure, func(rd *Reading) { rd.Certainty, rd.Others, rd.Rule = Ambiguous, vs, rd.Rule+".either" })
		}
	}
}

// chemicalMethod makes a matrixectomy chemical where a chemical is named.
func (r *reader) chemicalMethod() {
	if !slices.ContainsFunc(r.items, func(it *item) bool { return it.is(chemical, phenolAlc) && !it.mark.not && it.mark.rule() == "" }) {
		return
	}
	for i := range r.text.Readings {
		if rd := &r.text.Readings[i]; rd.Rule == "method.matrixectomy" {
			rd.Value.Code, rd.Certainty, rd.Others, rd.Rule = "chemical-ablation", Certain, nil, "method.chemical"
		}
	}
}

// symptoms says of a regrowth whether it has any, by the words of its clause.
func (r *reader) symptoms() {
	said := map[int]bool{} // by clause
	r.each(Regrowth, func(rd *Reading) { said[r.clauseAt(rd.From)] = said[r.clauseAt(rd.From)] || rd.Value.Code != "none" })
	r.text.Readings = slices.DeleteFunc(r.text.Readings, func(rd Reading) bool { // Regrowth - painful spicule
		return rd.Rule == "regrowth.symptoms" && rd.Certainty == Ambiguous && said[r.clauseAt(rd.From)]
	})
	for i := range r.text.Readings {
		if r.text.Readings[i].Rule == "regrowth.symptoms" && r.text.Readings[i].Certainty == Ambiguous {
			r.symptomsOf(&r.text.Readings[i])
		}
	}
	if symptomatic := slices.ContainsFunc(r.text.Readings, func(rd Reading) bool { return rd.Rule == "regrowth.sore" }); symptomatic {
		r.text.Readings = slices.DeleteFunc(r.text.Readings, func(rd Reading) bool { return rd.Rule == "finding.of-regrowth" })
	}
}

func (r *reader) symptomsOf(rd *Reading) {
	of := func(rd Reading) int { return r.clauseAt(rd.From) }
	clause := of(*rd)
	free := slices.ContainsFunc(r.items, func(it *item) bool { return it.is(painless) && it.clause == clause })
	sore := false
	for i := range r.text.Readings {
		o := &r.text.Readings[i]
		if o.Kind == Finding && o.Value.Code == "tenderness" && o.Certainty == Certain && of(*o) == clause {
			if sore = true; !free {
				o.Rule = "finding.of-regrowth"
			}
		}
	}
	switch {
	case sore && !free:
		rd.Value.Code, rd.Certainty, rd.Others, rd.Rule = "symptomatic", Certain, nil, "regrowth.sore"
	case free && !sore:
		rd.Value.Code, rd.Certainty, rd.Others, rd.Rule = "asymptomatic", Certain, nil, "regrowth.painless"
	}
}

// bareDC makes a d/c ambiguous that stands without "healed": it may be a discharge
// from care, or of the wound.
func (r *reader) bareDC() {
	healed := slices.ContainsFunc(r.text.Readings, func(rd Reading) bool { return rd.Kind == Wound && rd.Value.Code == "healed" })
	lost := slices.ContainsFunc(r.text.Readings, func(rd Reading) bool { return rd.Kind == Attendance && rd.Value.Code == "did-not-attend" })
	if slices.ContainsFunc(r.text.Readings, func(rd Reading) bool { return rd.Kind == Discharge && rd.Certainty == Certain && rd.Value.Code != "" }) {
		// the reason is said beside it: LTFU, d/c
		r.text.Readings = slices.DeleteFunc(r.text.Readings, func(rd Reading) bool {
			return rd.Kind == Discharge && rd.Rule != "discharge.healed" && rd.Value.Code == ""
		})
	}
	r.each(Discharge, func(rd *Reading) {
		if rd.Rule == "discharge.d-c" && !healed && !lost && !r.backIf(*rd) {
			rd.Certainty, rd.Others = Ambiguous, []Value{rd.Value}
		}
	})
}

// back are the words by which somebody who is discharged may come again.
var back = strings.Fields("return returns returning rtc sos prn pifu contact ring call come")

// backIf reports whether a text says after a discharge that the patient may come again, and so that
// it is one from care: d/c, to return if any problems.
func (r *reader) backIf(rd Reading) bool {
	return slices.ContainsFunc(r.items, func(it *item) bool { return it.from >= rd.To && r.comesBack(it) })
}

// comesBack reports whether an item is such a word, or a phrase of one.
func (r *reader) comesBack(it *item) bool {
	return slices.ContainsFunc(strings.Fields(lower(r.text.Original[it.from:it.to])), func(w string) bool { return slices.Contains(back, w) })
}

// otherMethod drops that no chemical was used where another treatment of the
// matrix is named: "no phenol, curetted".
func (r *reader) otherMethod() {
	certain := false
	r.each(Method, func(rd *Reading) { certain = certain || rd.Value.Code != "none" })
	if certain { // Zadik's, total nail bed ablation
		r.text.Readings = slices.DeleteFunc(r.text.Readings, func(rd Reading) bool {
			return rd.Kind == Method && rd.Certainty == Ambiguous && len(rd.Others) > 1
		})
	}
	treated := slices.ContainsFunc(r.text.Readings, func(rd Reading) bool { return rd.Kind == Method && rd.Value.Code != "none" })
	if treated {
		r.text.Readings = slices.DeleteFunc(r.text.Readings, func(rd Reading) bool { return rd.Kind == Method && rd.Value.Code == "none" })
	}
}

// dischargedHealed gives the reason of a discharge beside which the wound is healed. That the
// patient did not come is none: who missed a visit may be discharged for another reason.
func (r *reader) dischargedHealed() {
	healed := false
	r.each(Wound, func(rd *Reading) { healed = healed || rd.Value.Code == "healed" })
	for i := range r.text.Readings { // healed, discharge
		if rd := &r.text.Readings[i]; healed && rd.Rule == "discharge.when" && r.text.Original[rd.From:rd.To] != "" && !strings.Contains(lower(r.text.Original[rd.From:rd.To]), "when") && !r.conditional(*rd) {
			rd.Value.Code, rd.Certainty, rd.Others, rd.Rule = "healed", Certain, nil, "discharge.healed"
		}
	}
	r.each(Discharge, func(rd *Reading) {
		if healed && rd.Value.Code == "" {
			rd.Value.Code, rd.Rule = "healed", "discharge.healed"
		}
	})
}

// conditions are the words that begin what something waits for: discharge if ok at next visit.
var conditions = strings.Fields("if unless provided providing assuming pending until till subject depending")

// onVisits are those of a visit to come, that a discharge waits for.
var onVisits = strings.Fields("when once at next after following in from by on")

// conditional reports whether a condition, or for a discharge a time to come, stands after a
// reading in its segment.
func (r *reader) conditional(rd Reading) bool {
	for _, it := range r.items {
		if it.from < rd.To || it.segment != r.segmentAt(rd.From) || it.index > 0 && rd.Kind == Discharge && r.comesBack(r.items[it.index-1]) {
			continue
		}
		later := rd.Kind == Discharge && slices.Contains(onVisits, it.text)
		next := r.neighbour(it.index, 1)
		timed := later && (it.text == "when" || it.text == "once" || it.text == "next" || next != nil && (next.text == "next" || next.text == "review" || calendar.MatchString(next.text)))
		if timed || slices.Contains(conditions, it.text) {
			return true
		}
	}
	return false
}

func (r *reader) segmentAt(at int) int {
	for _, it := range r.items {
		if it.to > at {
			return it.segment
		}
	}
	return -1
}

// onCondition doubts what is done, decided or found only if something else is so.
func (r *reader) onCondition() {
	for _, k := range []Kind{Discharge, Procedure, Method, Flush, Dressing, Outcome, Finding, Diagnosis, Wound, Exudate, Regrowth} {
		r.each(k, func(rd *Reading) {
			if r.conditional(*rd) {
				rd.Certainty, rd.Rule, rd.Others = Ambiguous, rd.Rule+".plan", append(rd.Others, rd.Value)
			}
		})
	}
}

// samePM gives a time on the afternoon of the time off that says pm: 1:05-1:17 pm.
func (r *reader) samePM() {
	off := ""
	r.each(Off, func(rd *Reading) { off = rd.Value.Time })
	for i := range r.text.Readings {
		rd := &r.text.Readings[i]
		if rd.Kind == On && rd.Rule == "tourniquet.half-day" && off > "12:59" && afternoon(rd.Value.Time) < off && rd.Value.Time < "12:00" {
			rd.Value.Time, rd.Certainty, rd.Others, rd.Rule = afternoon(rd.Value.Time), Certain, nil, "tourniquet.clock"
		}
	}
}

// offBeforeOn makes the times of a tourniquet ambiguous that went off before it
// went on.
func (r *reader) offBeforeOn() {
	r.samePM()
	late := slices.ContainsFunc(r.text.Readings, func(rd Reading) bool { return rd.Kind == Off && rd.Rule == "tourniquet.half-day" })
	r.each(On, func(rd *Reading) {
		if late { // on 12:50 off 1:02
			rd.Certainty, rd.Rule, rd.Others = Ambiguous, "tourniquet.half-day", []Value{rd.Value}
		}
	})
	if len(r.text.Of(On)) > 1 {
		return
	}
	on, off := "", ""
	r.each(On, func(rd *Reading) { on = rd.Value.Time })
	r.each(Off, func(rd *Reading) { off = rd.Value.Time })
	if on == "" || off == "" || off > on {
		return
	}
	for _, k := range []Kind{On, Off} {
		r.each(k, func(rd *Reading) {
			rd.Certainty, rd.Rule, rd.Others = Ambiguous, "tourniquet.off-before-on", []Value{{Time: on}, {Time: off}}
		})
	}
}
