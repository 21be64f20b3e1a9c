package shorthand

import (
	"slices"
	"strings"
)

// settle drops what was read twice, makes two answers to one question ambiguous, and
// lists what was not read.
func (r *reader) settle() {
	var out []Reading
	for _, rd := range r.text.Readings {
		same := slices.IndexFunc(out, func(o Reading) bool { return o.String() == rd.String() })
		switch {
		case same < 0:
			out = append(out, rd)
		case rd.Certainty != Ambiguous && out[same].Certainty == Ambiguous:
			out[same] = rd
		}
	}
	for i := range out {
		if out[i].Certainty == Ambiguous && len(out[i].Others) == 0 {
			out[i].Others = []Value{out[i].Value}
		}
	}
	slices.SortStableFunc(out, func(a, b Reading) int { return a.From - b.From })
	out = slices.DeleteFunc(out, func(rd Reading) bool { return saidWithBorder(rd, out) })
	r.wedgesOfFold(out)
	r.avulsionsOfBorder(out)
	out = slices.DeleteFunc(out, func(rd Reading) bool { return saidByName(rd, out) })
	r.text.Readings = r.contradictions(out)
	r.ofTheMatrix()
	r.otherDressing()
	r.notWritten()
	r.spreads()
	r.infectedOrNot()
	r.timedOrNot()
	for _, it := range r.items {
		if it.unread() {
			r.text.Unread = append(r.text.Unread, Span{it.from, it.to})
		}
	}
}

// avulsionsOfBorder makes an avulsion of which a column of procedures names the lateral or the medial border
// a partial one: P&A, lateral border.
func (r *reader) avulsionsOfBorder(rs []Reading) {
	of := func(o *item) bool { v := o.entry(border).value; return v == "lateral" || v == "medial" }
	if !r.only(Procedure, Method, Outcome) || !slices.ContainsFunc(r.items, of) || slices.ContainsFunc(r.items, func(o *item) bool { return o.is(totalWord, doubtWord) }) {
		return
	}
	for i := range rs {
		if rd := &rs[i]; rd.Rule == "procedure.avulsion" && rd.Certainty == Ambiguous {
			rd.Value.Code, rd.Certainty, rd.Others = "partial-avulsion", Certain, nil
		}
	}
}

// wedgesOfFold makes a wedge beside the border of the nail fold one of the fold: lateral nail fold wedge
// excision; wedge excision of lat nail fold.
func (r *reader) wedgesOfFold(rs []Reading) {
	for i := range rs {
		rd := &rs[i]
		if rd.Rule != "procedure.wedge" || rd.Certainty != Ambiguous {
			continue
		}
		if slices.ContainsFunc(r.items, func(o *item) bool { return r.foldBeside(o, *rd) }) {
			rd.Value.Code, rd.Certainty, rd.Others = "nail-fold-wedge", Certain, nil
		}
	}
}

// foldBeside reports whether an item is the border of a nail fold right beside a reading, or with "of" between.
func (r *reader) foldBeside(o *item, rd Reading) bool {
	if !o.is(border) || !strings.HasSuffix(r.said(o), "fold") || o.from < rd.To && rd.From < o.to {
		return false
	}
	between := lower(strings.TrimSpace(r.text.Original[min(o.to, rd.To):max(o.from, rd.From)]))
	return between == "" || between == "of" || between == "of the"
}

// saidByName reports whether an operation that may be one of several is one of them that the
// text names besides: wedge excision (Winograd).
func saidByName(rd Reading, all []Reading) bool {
	return rd.Rule == "procedure.wedge" && rd.Certainty == Ambiguous && slices.ContainsFunc(all, func(o Reading) bool {
		named := func(v Value) bool { return v.Code == o.Value.Code }
		return o.Kind == Procedure && o.Certainty == Certain && (named(rd.Value) || slices.ContainsFunc(rd.Others, named))
	})
}

// saidWithBorder reports whether a reading says no more of a toe than another, which says
// its border.
func saidWithBorder(rd Reading, all []Reading) bool {
	v := rd.Value
	return rd.Kind == Site && v.Border == "" && rd.Certainty != Ambiguous && slices.ContainsFunc(all, func(o Reading) bool {
		return o.Kind == Site && o.Certainty != Ambiguous && o.Value.Border != "" && o.Value.Side == v.Side && o.Value.Digit == v.Digit
	})
}

// unread reports whether an item says something that no reading took.
func (it *item) unread() bool {
	small := it.is(filler, conj, borderWord, toeWord, footWord, notWord, pastWord, planWord, doubtWord, breakWord, injectWord, timesSign, totalWord)
	return !it.used && !small && !(len(it.entries) > 0 && it.minor()) && (len(it.entries) > 0 || it.number || isLetter(it.text))
}

// one answers a single question each: two answers contradict each other.
var one = []Kind{Attendance, Wound, Exudate, Regrowth, Discharge, Outcome, Tourniquet, On, Off, Minutes}

func (r *reader) contradictions(rs []Reading) []Reading {
	for _, k := range one {
		var vs []Value
		for _, rd := range rs {
			if rd.Kind == k && rd.Certainty != Ambiguous {
				vs = append(vs, rd.Value)
			}
		}
		unsure := slices.ContainsFunc(rs, func(rd Reading) bool { return rd.Kind == k && k == Wound && strings.HasSuffix(rd.Rule, ".doubt") })
		if len(vs) < 2 && !unsure || len(vs) == 0 || k == Attendance && rebooked(vs) || k == Minutes && r.bothTimed() || (k == Wound || k == Exudate) && r.ofBorders(rs, k) || k == Wound && unhealed(vs) || (k == On || k == Off) && pairs(rs) {
			continue
		}
		for i := range rs {
			if rs[i].Kind == k && rs[i].Certainty != Ambiguous {
				rs[i].Certainty, rs[i].Others, rs[i].Rule = Ambiguous, vs, rs[i].Rule+".two-answers"
			}
		}
	}
	return rs
}

// ofTheMatrix makes doubts of what a column of the matrix says beside its own contrary: of
// applications beside a range of them, which may be the same, and of a chemical where the
// text says that none was used.
func (r *reader) ofTheMatrix() {
	if !r.matrixColumn() {
		return
	}
	none := slices.ContainsFunc(r.text.Readings, func(rd Reading) bool {
		return rd.Kind == Method && rd.Certainty != Ambiguous && rd.Value.Code == "none"
	})
	doubt := slices.ContainsFunc(r.text.Readings, func(rd Reading) bool {
		return rd.Kind == Applications && rd.Certainty == Ambiguous && strings.HasPrefix(rd.Rule, "amount.range")
	})
	either := r.eitherChemical()
	for i := range r.text.Readings {
		rd := &r.text.Readings[i]
		if rd.Certainty != Ambiguous && (either && slices.Contains([]Kind{Chemical, Percent}, rd.Kind) || none && rd.Kind == Chemical || doubt && rd.Kind == Applications) {
			rd.Certainty, rd.Others, rd.Rule = Ambiguous, []Value{rd.Value}, rd.Rule+".two-answers"
		}
	}
}

// eitherChemical reports whether a text names two chemicals of which one was used: that a sign of
// a list parts, or the boxes of a form.
func (r *reader) eitherChemical() bool {
	var named []Reading
	r.each(Chemical, func(rd *Reading) { named = append(named, *rd) })
	if len(named) < 2 {
		return false
	}
	between := r.text.Original[named[0].To:named[len(named)-1].From]
	return strings.ContainsAny(r.text.Original, "[]☐☑☒") || strings.ContainsAny(between, "/|\\") || slices.Contains(strings.Fields(lower(between)), "or")
}

// otherDressing drops that there was no dressing where one is named: low-adherent pad, no plaster.
func (r *reader) otherDressing() {
	named := false
	r.each(Dressing, func(rd *Reading) { named = named || rd.Value.Code != "none" })
	if named {
		r.text.Readings = slices.DeleteFunc(r.text.Readings, func(rd Reading) bool { return rd.Kind == Dressing && rd.Value.Code == "none" })
	}
}

// notWritten doubts a chemical, an anaesthetic and a tourniquet of which a column says no more than
// that it was not written down: phenol not documented.
func (r *reader) notWritten() {
	for i := range r.text.Readings {
		rd := &r.text.Readings[i]
		if len(r.kinds) == 0 || rd.Certainty == Ambiguous || !slices.Contains([]Kind{Chemical, Anaesthetic, Tourniquet}, rd.Kind) {
			continue
		}
		at := slices.IndexFunc(r.items, func(it *item) bool { return it.from >= rd.To })
		if at >= 0 && at+1 < len(r.items) && r.items[at].text == ":" {
			at++
		}
		if at >= 0 && r.items[at].is(unknownWord) && r.lastOf(at) && r.items[at].segment == r.segmentAt(rd.From) {
			rd.doubt(rd.Rule + ".not-recorded")
		}
	}
}

// spreading are the words of a redness that spreads.
var spreading = strings.Fields("tracking tracks tracked spreading spreads spread streaking streaks streaked extending extends extended ascending ascends advancing migrating travelling proximally beyond")

// spreads doubts a redness beside a word that may say that it spreads: erythema, now beyond the joint.
func (r *reader) spreads() {
	spread := slices.ContainsFunc(r.text.Readings, func(rd Reading) bool { return rd.Kind == Finding && rd.Value.Code == "spreading-redness" })
	r.each(Finding, func(rd *Reading) {
		words := slices.ContainsFunc(r.items, func(it *item) bool {
			return it.clause == r.clauseAt(rd.From) && slices.Contains(spreading, it.text) && !it.mark.not
		})
		if rd.Value.Code == "redness" && words && !spread {
			rd.doubt("finding.spreads")
		}
	})
}

// infectedOrNot doubts an infection beside which the text says that there is none: infected, but
// not infected per MD.
func (r *reader) infectedOrNot() {
	var both []*Reading
	found, none := false, false
	r.each(Diagnosis, func(rd *Reading) {
		if rd.Value.Code == "wound-infection" {
			found, both = true, append(both, rd)
		}
	})
	r.each(Finding, func(rd *Reading) {
		if rd.Value.Code == "none" {
			none, both = true, append(both, rd)
		}
	})
	for _, rd := range both {
		if found && none {
			rd.doubt(rd.Rule + ".two-answers")
		}
	}
}

// timedOrNot doubts a tourniquet that was not used and has times.
func (r *reader) timedOrNot() {
	not := slices.ContainsFunc(r.text.Of(Tourniquet), func(rd Reading) bool {
		return rd.Value.Code == "not-used" && (rd.Certainty != Ambiguous || rd.Rule == "tourniquet.two-answers") // N 10:05
	})
	if !not {
		return
	}
	timed := false
	for _, k := range []Kind{On, Off, Minutes} {
		r.each(k, func(rd *Reading) {
			timed = true
			rd.doubt(rd.Rule + ".two-answers")
		})
	}
	if timed {
		r.each(Tourniquet, func(rd *Reading) { rd.doubt(rd.Rule + ".two-answers") })
	}
}

// bothTimed reports whether the minutes of a column are those of both sides: 12 min R, 9
// min L.
func (r *reader) bothTimed() bool {
	has := func(s string) bool {
		return slices.ContainsFunc(r.items, func(it *item) bool { return it.is(side) && it.entry(side).value == s })
	}
	return r.only(Tourniquet, On, Off, Minutes) && has("left") && has("right")
}

// ofBorders reports whether two answers are those of two borders, or toes: lat healed, med
// granulating.
func (r *reader) ofBorders(rs []Reading, k Kind) bool {
	var seen []string
	for _, rd := range rs {
		if rd.Kind != k || rd.Certainty == Ambiguous {
			continue
		}
		at := slices.IndexFunc(r.items, func(it *item) bool { return it.from == rd.From })
		of := ""
		for _, it := range r.segments[r.items[at].segment] {
			if it.is(border, side, digit, sideDigit) {
				of += it.entries[0].value + " "
			}
		}
		if of == "" || slices.Contains(seen, of) {
			return false
		}
		seen = append(seen, of)
	}
	return len(seen) == 2
}

// unhealed reports whether two stages of a wound are that it does not heal and how it looks.
func unhealed(vs []Value) bool {
	not := func(v Value) bool { return v.Code == "not-healing" }
	return len(vs) == 2 && not(vs[0]) != not(vs[1]) && !slices.ContainsFunc(vs, func(v Value) bool { return v.Code == "healed" || v.Code == "drying" })
}

// pairs reports whether the times of two tourniquets are those of each: on, off, on, off.
func pairs(rs []Reading) bool {
	var ks []Kind
	for _, rd := range rs {
		if rd.Kind == On || rd.Kind == Off {
			ks = append(ks, rd.Kind)
		}
	}
	return slices.Equal(ks, []Kind{On, Off, On, Off})
}

// rebooked reports whether all that is said beside a new appointment is one thing:
// "DNA, rebooked".
func rebooked(vs []Value) bool {
	other := slices.DeleteFunc(slices.Clone(vs), func(v Value) bool { return v.Code == "rebooked" })
	return len(other) == 1
}
