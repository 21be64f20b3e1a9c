package shorthand

import (
	"slices"
	"strings"

	"nailbridge/mapping/record"
	"nailbridge/mapping/slip"
)

// harmless are the words beside a toe of a column of sites that say nothing of whether, when
// or on which foot it was done.
var harmless = strings.Fields(`
a c o w revision revised just removal removed excision
acute acutely affected also area as base bed big bruised bruising callous callus chemo chronic club clubbed complete complicated
congenital convex corn corner crumbly curly curvature curved curving cyst damage damaged deformed deformity detached dig digitus
discoloured distal dorsal dysmorphic dystrophic each embedded entire epidermal exostosis familial flared folds foot full fungal
fungus germinal granuloma groove gryphotic haematoma hcpcs heloma hematoma hereditary hook hooked hypertrophic hypertrophied
hypertrophy igt igtn in incl including indurated ingr ingrow ingrowing ingrown ingrowth ingrowthal ingrowths ingtn injury inverted
involuted involution irritated junction keratosis koilonychia large latent length lesion lesser lifted lifting lip loc located
location long loose lump matrix melanonychia mild minor mod moderate modified modifier mucoid mycosis mycotic nailbed nailfold
nailplate nailwall narrow new nodule oc og only onychauxis onychia onychocrypt onychocryptosis onychocyptosis onychogryph
onychogryphosis onychogryphotic onycholysis onychomycosis op overcurved overlapping pachyonychia part partial periungual pincer
pincered plantar plate pointed polydactyly pressing proc procedure prox proximal pterygium pyogenic racquet ragged raised ramshorn
recurrent redo region respectively rest retronychia rounded rubbing scarred sepsis severe shape shaped sharp short site sites skin
sl slight slightly small spicula spicule spike spiked splinter split splits spur subacute subungual surgical sweaty symptomatic
symptoms thick thickened thickening tip to too trauma traumatic trumpet tumour turned ulcer under ung ungual unguis upper verruca
very wall wart wide width with work wound involved involving

accessory strip strips mm cm thirds quarter half breadth percent percentage share portion segment section fraction visible measures measuring measured
flaring crumbling brittle yellow yellowed brown black white green grey opaque ridged ridge ridges pitted pitting lamellar layered splitting cracked
chipped fissured fissure torn ripped avulsing overgrown overgrowth bulbous hard soft macerated maceration callused hyperkeratotic hyperkeratosis
keratotic paronychial fibrous fibroma oedematous oedema edematous edema puffy shiny erythematous erythema inflammation inflamed tender painful sore
wedge wedged triangular oblique straight flat fanned hooking embed embeds embedding impinging impinged digging digs jagged barb barbed shard fragment
fragments sliver needle nailbrush cutting

footy football footballer soccer rugby hurling camogie gaelic netball hockey cricket tennis squash badminton basketball baseball softball volleyball
running runner jogging marathon swimming swimmer dance dancer ballet gymnastics gymnast martial karate judo cycling cyclist skiing skating skater
hiking hiker walker walking climbing climber gym sport sports sporty training kicked kick stubbed table door kerb furniture ball school college uni stub dropped crush crushed stamped stomped shoe
shoes boot boots footwear trainers heels farmer builder nurse teacher student pupil schoolboy schoolgirl chef driver carpenter plumber labourer
retired pensioner clerk mechanic electrician soldier army navy police waiter waitress hairdresser postman

hmo ppo public private insurer insured insurance payer payor claim voucher photos
photograph photographs photographed pics picture pictures image images img imaged jpg jpeg png video scan scanned attached attachment filed folder
reference nr id code coded codes icd cpt snomed field template tickbox ticked selected dropdown item entry row col column pt patient patients client
yrs yo male female adult child teen teenager lady gentleman boy girl man woman initials signed sig podiatrist clinician operator surgeon assistant
supervisor supervised observer

aches ache aching achy purulent exudate injured injuring persistent persistently persisting bad badly quite bit really bleeding tissue bloody sensitive itchy itching proud flesh
crooked bent deviated rotated clawed claw hammer hammered mallet arthritis arthritic gout psoriasis psoriatic eczema lichen neuropathic ischaemic blue bluish broken picked picking
bitten biting piercing pierced piercing penetrating penetrates pushing pushes growing grows nubbin horn horny debris sulcal catching catches rubs longstanding currently obvious obviously
clearly definite definitely noted presenting presents presentation complaining complains urgent urgently routine priority asap please pls thanks px problem problems problematic
troublesome troubling bothersome symptomatic clinic theatre chair room bay domiciliary confirmed checked verified correct agreed repeat again since is this that there these
underlapping underriding overriding incurling incurled rolled rolling inwards inward splayed tented trapped stuck wedging tilted tilting lipping heaped heaping bunched swell swells
hurting hurts throb agony unbearable unpleasant ugly smelly malodorous malodour odour weepy wet moist crusty crusting crusted scabby abscess abscessed necrosis necrotic
fissures blistered blister friable vascular telangiectatic pyogenicum botryomycosis nailhorn nailspike nailspicule nailspur nailedge offending ingrower
lots plenty incarn incarnatus incarnata ung along giving gives causing him her it
sharply gryphosis gryphotoic treated value comment comments spec thickening laminated flaky flaking ridging grooved grooves spooned koilonychic racket micronychia anonychia polyonychia congenitally syndactyly
`)

// unsettled doubts the toes of a column of sites beside which stands a word that the grammar
// does not know, a date, or a word of another time, a plan or a denial that acts on nothing:
// what it does not understand may say that this toe is not the one.
func (r *reader) unsettled(groups []*group) {
	if r.only(Border) && slices.ContainsFunc(r.items, r.strange) {
		for _, g := range groups {
			g.wrong = "border.beside-unknown"
		}
	}
	if len(r.kinds) == 0 {
		r.unsettledNote(groups)
	}
	if !r.siteColumn() {
		return
	}
	before := -1 // the segment that named a toe or a border last
	for s, items := range r.segments {
		named := slices.ContainsFunc(items, func(it *item) bool { return r.words[it.index] != nil || it.ofSite() && it.mark != (mark{}) })
		acted := slices.ContainsFunc(items, r.actedOn)
		for _, g := range groups { // R hallux lat - no
			no := func(it *item) bool { return it.is(border, letter) && it.mark.none && g.in(s) }
			if g.wrong == "" && len(g.borders) == 0 && slices.ContainsFunc(items, no) {
				g.wrong = "toe.denied"
			}
		}
		here := slices.DeleteFunc(slices.Clone(groups), func(g *group) bool { return !g.in(s) })
		if named {
			before = s
		} else if before < 0 { // (prev) L1 lat
			acted = s+1 < len(r.segments) && slices.ContainsFunc(slices.Concat(r.segments[s+1:min(s+3, len(r.segments))]...), r.actedOn)
		} else {
			acted = slices.ContainsFunc(r.segments[before], r.actedOn)
		}
		if !slices.ContainsFunc(items, func(it *item) bool { return r.strange(it) && !(acted && len(here) == 0) || r.unfit(it) && !acted }) {
			continue
		}
		if slices.ContainsFunc(items, r.strange) || len(here) == 0 && !named {
			here = groups
		}
		for _, g := range here {
			if g.wrong == "" {
				g.wrong = "toe.beside-others"
			}
		}
	}
}

// unsettledNote doubts the toes and borders of a note where a word that the grammar does not
// know stands in the sentence of one of them: it may say that this one is of another time, or
// that another is meant.
func (r *reader) unsettledNote(groups []*group) {
	strange := func(g *group) bool {
		return slices.ContainsFunc(r.items, func(it *item) bool {
			later := r.toCome(it) && g.hasToe() && g.first().from < it.from
			return it.clause == g.clause && r.foreign(it) && !later
		})
	}
	if !slices.ContainsFunc(groups, strange) {
		return
	}
	for _, g := range groups {
		if g.wrong == "" {
			g.wrong = "toe.beside-unknown"
		}
	}
}

// in reports whether words of a toe stand in a segment.
func (g *group) in(segment int) bool {
	return slices.ContainsFunc(g.words(), func(it *item) bool { return it.segment == segment })
}

// fits are the classes of the words that say no more beside a toe than which it is, what
// was found and what was done.
var fits = []class{side, bothSides, digit, digits, sideDigit, border, letter, vagueBorder, vagueBoth, toeWord, footWord, borderWord, filler, conj,
	nearWord, otherBorder, anyBorder, ordinal, anaesthetic, injectWord, procedure, chemical, phenolAlc, vague, columnVague, class(Method), class(Diagnosis), class(Finding),
	breakWord, totalWord, painless}

// actedOn reports whether an item is a word of a toe or of a border that others doubt or
// deny.
func (r *reader) actedOn(it *item) bool {
	return it.mark != (mark{}) && (it.ofSite() || r.words[it.index] != nil)
}

// strange reports whether an item of a column of sites is a word, or a sign, that the
// grammar does not know.
func (r *reader) strange(it *item) bool {
	if r.tells(it) {
		return true
	}
	if slices.Contains(sources, it.text) && slices.ContainsFunc(r.segments[it.segment], func(o *item) bool { return o.is(side, sideDigit) }) {
		return false // letter says R
	}
	if it.text == "see" && it.index+2 < len(r.items) && slices.Contains(filed, r.items[it.index+1].text) && r.items[it.index+2].number {
		return false // see photo 3
	}
	return r.unknown(it) && !r.initials(it) && !diseaseCode.MatchString(it.text) && !r.lexicon.harmless[it.text] && !ofDisease(it.text) && !r.toCome(it) &&
		!r.letBe(it) && !r.inRemark(it) && !r.grades(it.index) && !r.copula(it)
}

// letBe reports whether an item is of a statement on another matter, or of a remark of its own, that says
// nothing of which toe it is.
func (r *reader) letBe(it *item) bool {
	return r.ofOtherMatter(it) || r.comparison(it) || r.earlier(it) || r.toldOf(it) || r.inQuiet(it)
}

// copula reports whether a verb joins a toe to what was seen or done, and to no other: both edges are
// ingrown; it was the left big toe.
func (r *reader) copula(it *item) bool {
	if !slices.Contains([]string{"was", "were", "are", "is", "has", "been"}, it.text) {
		return false
	}
	next := r.neighbour(it.index, 1)
	begins := it.index == 1 && r.items[0].text == "it"
	return begins || next != nil && !next.ofSite() && r.words[next.index] == nil
}

// initials reports whether an item is the initials of somebody at the end of a text, in brackets or
// after a dash, which are no letters of a side or a border, and no slip of a code: R hallux lat (KB).
func (r *reader) initials(it *item) bool {
	text := r.text.Original[it.from:it.to]
	if n := len(text); n < 2 || n > 3 || text != strings.ToUpper(text) || strings.Trim(text, "LRMBTFHO") == "" || n == 3 && slip.One(it.text, "ta") || it.index == 0 || !r.lastOf(it.index) {
		return false
	}
	before := r.items[it.index-1].text
	return before == "-" || before == "(" || before == ","
}

// unfit reports whether an item says that something is of another time, or is not so.
func (r *reader) unfit(it *item) bool {
	i := it.index
	switch {
	case r.words[i] != nil || r.lexicon.harmless[it.text] && !it.is(nthWord, numberWord), r.letBe(it), r.ofHistory(i), r.very(i):
		return false
	case calendar.MatchString(it.text) || it.is(timesSign):
		return !r.lasting(i)
	case r.toCome(it):
		return true
	case it.is(vagueSite) && i > 0 && (r.items[i-1].is(conj) && r.lastOf(i) || r.items[i-1].is(nearWord)): // R1 lat + other foot; nearest the other foot
		return false
	case it.is(columnWord) && (strings.HasPrefix(it.entry(columnWord).value, string(Diagnosis)) || strings.HasPrefix(it.entry(columnWord).value, string(Finding))):
		return false // paronychia
	case it.text == "1" && it.spelled && i > 0 && r.lexicon.harmless[r.items[i-1].text]: // the sore one
		return false
	case it.number && i+2 < len(r.items) && r.items[i+1].is(timesSign) && r.items[i+2].is(border, borderWord): // 1 x lat
		return false
	case it.is(doubtWord) && i+1 < len(r.items) && r.items[i+1].number && r.measures(i+1): // approx 3 mm
		return false
	case it.is(unknownWord) && i > 0 && r.items[i-1].is(borderWord) && r.items[i-1].text != "side", slices.Contains(filed, it.text), it.is(percent):
		return false // border not recorded
	case it.number && i > 0 && slices.Contains(indices, r.items[i-1].text): // TBI 0.7
		return false
	case it.number:
		return len(it.text) != 5 && !r.measures(i) && !(i > 0 && (slices.Contains(staged, r.items[i-1].text) || r.items[i-1].is(timesSign)))
	case it.text == "for" && i > 0 && i+1 < len(r.items) && r.items[i+1].is(procedure, chemical, phenolAlc) && r.lastOf(i+1): // R hallux lat for PNA
		return false
	case it.is(planWord, pastWord, doubtWord, notWord, notAfter, fineAfter, pastAfter, unknownWord, convertWord):
		return true
	case it.is(ordinal) && i+1 < len(r.items) && r.items[i+1].is(nthWord):
		return !slices.Contains(bouts, r.items[i+1].text)
	case slices.Contains(bouts, it.text):
		return false
	case r.grades(i) || r.graded(i):
		return false
	case len(it.entries) == 0 || slices.Contains(staged, it.text) && i+1 < len(r.items) && r.items[i+1].number:
		return false
	case it.is(class(Wound)):
		return !slices.Contains([]string{"over-granulating", "granulating", "discharging"}, it.entry(class(Wound)).value)
	case strings.HasPrefix(it.entry(vague).value, string(Wound)): // nearly healed
		return true
	case it.is(class(Outcome)):
		return it.entry(class(Outcome)).value != "done"
	}
	return !slices.ContainsFunc(it.entries, func(e entry) bool { return slices.Contains(fits, e.class) })
}

// very reports whether a v stands for "very": v. sore.
func (r *reader) very(i int) bool {
	n := i + 1
	if n < len(r.items) && r.items[n].text == "." {
		n++
	}
	return r.items[i].text == "v" && n < len(r.items) && r.items[n].is(class(Finding), class(Diagnosis))
}

// ofHistory reports whether an item is of how long a toe has been ill, in a segment that says no more:
// 6/12 hx.
func (r *reader) ofHistory(i int) bool {
	words := slices.DeleteFunc(slices.Clone(r.segments[r.items[i].segment]), func(o *item) bool { return o.stretch != r.items[i].stretch || o.is(filler) && o.text != "" })
	return len(words) == 2 && calendar.MatchString(words[0].text) && strings.Contains(words[0].text, "/") && words[1].text == "hx"
}

// staged are the words before the number of a stage of a disease. A number of five digits
// is the code of a procedure.
var staged = []string{"stage", "grade", "type", "class", "gr", "gd", "st", "heifetz", "mozena"}

// grades reports whether an item stands before the Roman figure of a stage, and graded whether one is that
// figure: gr II.
func (r *reader) grades(i int) bool {
	return slices.Contains(staged, r.items[i].text) && i+1 < len(r.items) && r.items[i+1].is(roman)
}

func (r *reader) graded(i int) bool { return r.items[i].is(roman) && i > 0 && r.grades(i-1) }

// indices are the words before a measure of the blood that reaches a toe, or is in it.
var indices = []string{"tbi", "abpi", "abi", "tbpi", "tcpo2", "hba1c", "inr", "bsl", "bgl", "bmi"}

// filed are the words of the number of a picture or a paper: photo 2.
var filed = []string{"photo", "photos", "pic", "pics", "picture", "image", "img", "fig", "figure", "file", "ref", "form", "page", "card", "diagram", "sheet", "chart"}

// measures reports whether a number is a share or a measure of a plate, or the number of a
// picture: 20 % of plate, 3 mm, photo 2.
func (r *reader) measures(i int) bool {
	if i > 0 && slices.Contains(filed, r.items[i-1].text) {
		return true
	}
	return i+1 < len(r.items) && (r.items[i+1].is(percent) || r.items[i+1].text == "mm" || r.items[i+1].text == "cm")
}

// bouts are the words of how often a toe has been ill: 2nd episode.
var bouts = []string{"episode", "bout", "occurrence", "recurrence", "infection", "presentation", "flare", "attack", "time", "surgery", "op", "operation", "procedure", "attempt", "treatment", "visit", "appointment", "appt", "referral"}

// lasting reports whether an item is of how long a toe has been ill, or how many borders it
// is: IGTN x 4/12; x 2 borders.
func (r *reader) lasting(i int) bool {
	if r.items[i].is(timesSign) {
		i++
	}
	if i > 1 && i < len(r.items) && r.items[i].text == "1" && r.items[i-1].is(timesSign) && r.items[i-2].is(border, letter, borderWord) {
		return true // lat x1
	}
	if r.countsToes(i) || r.countsBorders(i) {
		return true
	}
	if i+1 < len(r.items) && i > 0 && r.items[i-1].is(timesSign) && r.items[i].number && slices.Contains(slices.Concat(spans, inYears), r.items[i+1].text) {
		return true // x 2 yrs
	}
	if i < len(r.items) && r.items[i].ofSite() || i+1 < len(r.items) && r.items[i].number && r.items[i+1].is(borderWord) {
		return true
	}
	return i > 0 && i < len(r.items) && r.items[i-1].is(timesSign) && calendar.MatchString(r.items[i].text)
}

// countsToes reports whether a number says again that the toes before it are two, of both feet,
// with a border of each: bilat hallux, lat x2.
func (r *reader) countsToes(i int) bool {
	if i < 2 || i >= len(r.items) || r.items[i].text != "2" || !r.items[i-1].is(timesSign) || !r.items[i-2].is(border, borderWord) || !r.lastOf(i) {
		return false
	}
	return slices.ContainsFunc(r.items[:i], func(o *item) bool { return o.is(bothSides) || o.text == "both" })
}

// countsBorders reports whether a number says again that both borders of a toe are meant: hallux
// x2 (both edges).
func (r *reader) countsBorders(i int) bool {
	return i > 0 && i < len(r.items) && r.items[i].text == "2" && r.items[i-1].is(timesSign) &&
		slices.ContainsFunc(r.items, func(o *item) bool {
			return o.clause == r.items[i].clause && (o.is(vagueBoth) || o.is(border) && o.entry(border).value == "both")
		})
}

// contradicted doubts the toes of a column of sites beside a side of the other foot, or of
// the same one that is denied or said again of a border: R hallux lat, not R; R hallux R side.
func (r *reader) contradicted(groups []*group) {
	if !r.siteColumn() {
		return
	}
	for _, it := range r.items {
		if !it.is(side) {
			continue
		}
		of := record.Code(it.entry(side).value)
		own := slices.ContainsFunc(groups, func(g *group) bool { return slices.Contains(g.items, it) && g.complete() })
		denied := it.mark.not && !it.mark.none
		for _, g := range groups {
			same := slices.Contains(g.sides, of)
			first := g.first()
			switch {
			case !g.complete() || g.both || g.wrong != "" || g.clause != it.clause:
			case same && denied && !slices.Contains(g.items, it):
				g.wrong = "toe.denied"
			case same && first.from < it.from && first.is(side) && r.namesBorder(it) && !g.ends(it):
				g.wrong = "border.left-right"
			case !own && !same && !denied && !r.ofBorder(it, groups) && (it.mark == (mark{}) || first.stretch == it.stretch):
				g.wrong = "toe.two-sides"
			}
		}
	}
}

// painfulElsewhere doubts a toe of a column of sites of which a remark says that it hurts at another border
// than the one that is named: R hallux lat, painful at inner corner.
func (r *reader) painfulElsewhere(groups []*group) {
	if !r.siteColumn() {
		return
	}
	for _, g := range groups {
		if g.wrong != "" || len(g.borders) < 2 || g.borders[0].border == g.borders[1].border {
			continue
		}
		named, other := g.borders[0].items[0], g.borders[1].items[0]
		inside := r.borderIn(other) != "" && other.is(class(Finding), class(Diagnosis), vague) // spicule med
		if other.segment != named.segment && (inside || r.observed(r.segments[other.segment][0])) {
			g.wrong = "border.painful-elsewhere"
		}
	}
}

// ends reports whether a digit of a toe follows an item: R, right side of the hallux.
func (g *group) ends(it *item) bool {
	return slices.ContainsFunc(g.items, func(o *item) bool { return o.from > it.from && o.namesDigit() })
}

// namesBorder reports whether the word of a border follows a side.
func (r *reader) namesBorder(it *item) bool {
	i := it.index + 1
	if it.text == "" && strings.HasSuffix(lower(r.text.Original[it.from:it.to]), "side") {
		return true
	}
	return i < len(r.items) && r.items[i].is(borderWord) && r.items[i].segment == it.segment
}

// ofBorder reports whether a side has a border of its own: R hallux lat, L med.
func (r *reader) ofBorder(it *item, groups []*group) bool {
	return r.words[it.index] != nil && r.words[it.index].isBorder() || slices.ContainsFunc(groups, func(g *group) bool {
		return slices.Contains(g.items, it) && len(g.borders) > 0
	}) || slices.ContainsFunc(groups, func(g *group) bool { return slices.Contains(borderItems(g.borders), it) })
}

// postponed doubts the toe of a note after which its part says that it is planned, not today,
// or for another time, and the procedure beside it: R hallux lat planned Sept.
func (r *reader) postponed(groups []*group) {
	if len(r.kinds) > 0 {
		return
	}
	for _, g := range groups {
		if !g.complete() || g.wrong != "" {
			continue
		}
		if last := g.last(); r.awaits(last.index) {
			g.wrong = "toe.later"
			for _, o := range r.items {
				o.mark.plan = o.mark.plan || o.part == last.part && o.is(procedure)
			}
		}
	}
}

// awaits reports whether a word after an item, and before the next toe, says that what stands
// before it is still to come. A break such as "today" after "not" or "for" is none.
func (r *reader) awaits(i int) bool {
	for k := i + 1; k < len(r.items) && r.items[k].clause == r.items[i].clause; k++ {
		o, before := r.items[k], r.items[k-1]
		if (o.text == "," || o.text == "(" || o.text == ".") && r.notNow(k+1) {
			return true
		}
		if o.ofSite() && o.text != "second" || o.is(conj, chemical, anaesthetic) || o.text == "," || o.text == "(" || o.text == "." {
			return false
		}
		next := func(f func(*item) bool) bool { return k+1 < len(r.items) && f(r.items[k+1]) }
		switch {
		case o.text == "today" && (before.text == "not" || before.text == "for"), o.text == "not" && next(func(n *item) bool { return n.text == "today" || n.text == "now" }):
			return true
		case o.is(planWord) && o.entry(planWord).value == "after", o.is(class(Attendance)) && o.entry(class(Attendance)).value == "rebooked", slices.Contains(awaited, o.text), o.is(vagueSite):
			return true
		case o.text == "due":
			return !next(func(n *item) bool { return n.text == "to" })
		case o.text == "after":
			return next(func(n *item) bool { return len(n.entries) == 0 && isLetter(n.text) })
		case o.is(planWord), slices.Contains([]string{"in", "on", "to"}, o.text):
			if next(func(n *item) bool { return r.ofCalendar(n) || slices.Contains(weekdays, n.text) }) || o.text == "tomorrow" {
				return true
			}
		}
	}
	return false
}

// weekdays are the days on which a visit may be to come.
var weekdays = strings.Fields("mon monday tue tues tuesday wed weds wednesday thu thur thurs thursday fri friday sat saturday sun sunday")

// notNow reports whether a remark begins that what stands before it was not done: not today; not keen; sent
// home; booked.
func (r *reader) notNow(i int) bool {
	if i < len(r.items) && slices.Contains([]string{"booked", "rebook", "listed", "postponed", "waitlisted"}, r.items[i].text) && (r.lastOf(i) || r.ofCalendar(r.items[i+1])) {
		return true
	}
	return i+1 < len(r.items) && r.items[i].text == "sent" && r.items[i+1].text == "home" || i+1 < len(r.items) && r.items[i].text == "not" && slices.Contains([]string{"today", "now", "keen", "yet", "ready", "done", "performed"}, r.items[i+1].text)
}

// toCome reports whether an unknown word says of a toe that it waits, or when.
func (r *reader) toCome(it *item) bool {
	return !it.known && (r.ofCalendar(it) || slices.Contains(awaited, it.text))
}

// awaited are the words after a toe of what is still to come.
var awaited = []string{"when", "once", "until", "hold", "arranged", "agreed", "scheduled", "planned", "booked", "listed", "postponed", "rescheduled", "rebooked", "awaits", "awaited", "tbc", "tba", "tbd"}

// ofCalendar reports whether an item is a date, a month or a length of time to come.
func (r *reader) ofCalendar(it *item) bool {
	month := isLetter(it.text) && len(it.text) >= 3 && slices.Contains(months, it.text[:3]) && !it.is(border, vague, class(Method))
	weeks := it.number && it.index+1 < len(r.items) && slices.Contains(spans, r.items[it.index+1].text)
	return month || weeks || calendar.MatchString(it.text)
}
