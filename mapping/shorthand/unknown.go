package shorthand

import (
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"
)

// idle are the words that say nothing of whether, when and by whom something was done or
// found: beside a reading that is no toe they change nothing. Those of another time ("after"),
// of an attempt, of somebody else and of a hope are none of them, nor are those that a slip
// of the pen makes of a word that denies.
var idle = strings.Fields(`
a all also an any hcl k radical are area around as back be by e ea etc ex fairly from full g h hr hrs in inc incl including into is it its me n o only onto our out
own p per re really se site situ size sl such t that their there this time to together too top upon us using very via w was we well were while with y
yet

amount amounts amt appearance bit body bone cap capillary circulation colour copious deep deeply depth diameter distally dorsalis dorsum dp drainage
exudate fluid forefoot generalised gentle gently germinal heavily heavy horn joint large larger layer length lightly locally lots lower matrix midfoot
mild mildly minimal minor mm moderate moisture much nailbed ooze palp palpable pedal pedis perf perfused perfusion phalanx pink plate profuse
proximally pulp pulse pulses refill return returned returns scant scanty sensation shoe shoes skin slight slightly slough small sock socks soft
superficial surrounding thick tibialis tip tissue trace ulcer wound wounds

achieved adequate adequately brisk carefully check checked clean cleanly comfortably confirmed counted delighted documented easily easy effective
effectively expected good happy monitored nice nicely noted numb obs observed obtained okay pleased recorded routine satisfactory seen sharp sharply
signed stable straightforward thorough thoroughly tol tolerated verified

afternoon am daily days evening fri friday hour hours mane mon monday morning night nights nocte overnight pm sat saturday sun sunday thu thur
thurs thursday tue tues tuesday wed wednesday weds weeks wks

assistant call called derm dermatology dr ed email emailed er gp hca letter md nurse nurses pharmacy phone phoned rang reg registrar rheumatology rn
rota student telehealth telephone text texted video walk

ab abx acetaminophen amox amoxicillin analgesia antibiotic antibiotics bd biopsy bloods cefalexin cephalexin clarithro clarithromycin
clindamycin coamox crp culture cultures doxy doxycycline erythro erythromycin esr fluclox flucloxacillin fusidic histology ibuprofen
lab metronidazole mri nsaid nsaids oral orally painkillers paracetamol path penicillin photographed photos po prn qds swabbed tds topical topically
wcc xr xray

adv advice bath bathe bathed baths elevate elevation epsom footwear info information issued leaflet leaflets rest rested salt sandal sandals shower
soak soaks supplied trainers verbal written

aq aqueous band barrier blade buffered chilled chloride conc concentration copiously cotton cover covered crepe denatured dental digital dil dilute
diluted disposable drain elastic elevator esmarch ethyl expiry exsang exsanguinated fabric finger forceps freeze industrial instrument instruments
latex liq liquefied liquid liquified loop mix mixed mixture mmhg nippers number packed packs protected roll rolled rubber scalpel scissors secured
slow slowly solution spray sterile strength taped tips tube tubular warmed wool

abi abpi anticoagulant anticoagulated anxiety anxious apixaban aspirin asthma bf breastfeeding clopidogrel distressed dizzy doppler dopplers
epilepsy faint fainted faints ga hypertension immunosuppressed insensate ischaemia ischaemic nervous neuropathic neuropathy nkda panic panicked preg
pregnancy pregnant pvd raynaud raynauds syncope tbi trauma traumatic unwell upset vasospasm vasospastic vasovagal warfarin

abl accompanied active admitted alone arrival asp aspirated aspiration better between brought bus c caseload catching cleaned clear complication
complications concern concerned concerns courses covid cut debrided drained driving drove dx else excision excisional feeling feels felt firmly
football footbath footbaths gave herself himself home hydrotherapy imo improved improving inadequate issue issues itch itchy kg lifted looking looks
loosely mo mobile mos mths nailplate neg negative once onychauxis permanent permanently problem problems progress rash reaction reactions redone
redressed redressings reinforce reinforced removal repeats resected resection result results reviewed reviewing rtc rubbing school sent shape shortage
show shows single slipped sm spilled spilt split sport sports stained standing sticky still stock suture sutured sutures sweaty taxi
therefore thrice tight told trimmed twice view walking weather weight work yo yr

ambulant ambulating ambulation aspirate bicarb bicarbonate blanched blanching blue boots boy brand buffer closed closing closure cm college
consultation contracting controlled crutches cyanotic dabbed dance dancing diet dipped drape draped epithelial epithelialising exam examination exams
exercise female filled filling fridge generic gentleman girl gloved gym haemostasis hemostasis hockey holiday inch infiltrate injections
inserted inspection jelly lady laid ln male man manufacturer massaged moistened mottled netball opened pale palpation petroleum plunger preservative
rubbed rugby running sachet sachets saturated scrubbed slippers smoker smoking spaces stored swimming swirl swirled temperature thawed touch
uni visual volume wb weightbearing woman worked
basic fortnight fortnights month months regular simple standard yes
rx px sx ix ddx presents presenting complains complaining examined assessed aseptic aseptically asepsis technique field tested pinprick
freed separated extracted inspected explored debris instruction instructions contact emergency mobilised mobilized ambulated supervised
supervisor observer assisted assisting noticed developed appears appeared appearing visible visibly evident overall general generally
minimally moderately gradually nearing resting sitting supine couch lighting magnification loupes gloves mask gown stitched stitches packing
plugged trim filed filing nipped clipped keep kept keeping remain remains remained use uses showering bathing intact integrity lips folds
shallow pocket pockets wear wearing wore loose stinging burning tingling itching dryness flaky flaking maceration damp sloughy sloughed
necrotic eczema psoriasis psoriatic tinea fungal verruca callus corn handout handouts booklet sheets website link insurance insured
public account paid invoice
chk ck thin so because thus hence same status chl chlor wing rtn rtw

agent agents drug drugs chemical chemicals vols volumes strengths dosage qty quantity count product types kind status fields value values details
detail duration tick boxes select choice default entered descr description comment comments notes note remark remarks chart charted record records
entries label labels labelled expires serial items unit units sizes route approach device make model

needles bevel bolus wheal bleb onset took effect working numbed dorsolateral dorsomedial hlock injecting inject injector aspirating positive blood
supplementary stick sticks pledget pledgets dropper drop drops drip drips soaking wetted freshly blotted agitated agitation syringed wiped wiping
pooled bleached blanch frosted frosting whitened bloodless bloodlessly gram grams litre sponge sponges rings bands clip clips clamp clamps artery
mosquito forcep haemostat hemostat glovefinger rollon cuffs release releasing reperfusion reperfused refilled instant immediate immediately reactive
continuous care have has she he her him his find
layers ply folded square squares primary secondary retention retained holding bandages bandaged wrapped wrapping applying fixed fixation tapes taping
secure padded padding bulky light dusting dusted

trainer tutor educator mentor demonstrator lecturer junior senior trainee trainees intern interns locum locums assistants scrub circulating operators
clinicians practitioner practitioners prescriber prescribed prescription pgd witnessed witness countersigned cosigned signature initialled supervising
supervision observing observes watched students undergraduate postgraduate clinics team receptionist reception admin secretary manager

claimed fee fees charge charged billed bill receipt copay deposit funded funding bike match matches game games season race gala job jobs shift shifts
office desk factory farm building uniform steel toecap toecaps wellies wellingtons flipflops thongs camping beach pool spa sauna train plane
flight flying abroad travel travelling wedding pe dog kids kid toddler infant elderly frail

calm relaxed cooperative compliant chatty alert oriented tearful crying teary squeamish phobic phobia hungry fasted fed ate eaten drink water tea
lolly sweets juice glucose sugar bgl bsl sats resp resps sao afebrile pallor clammy legs lying lay reclined wheelchair stretcher recovered recovery

erosion erosions blister blisters blistered blistering dusky mauve purple yellowish brownish whitish greenish straw clearish tacky moistness boggy
spongy firm softening soften softened lumpy smooth rough crack peeling peel shedding shed newly rim periphery centre central peripheral apex
midway halfway some opd wee grand mammy mom hosp hospital place beneath localised adverse calculated tutors checks oberst take takes taking conforming calls attempts outcome outcomes control controls compress compresses buds bud tel slightest anymore
eponychium hyponychium cuticle cuticles lunula imaging files uploaded upload saved faxed fax posted printed
`)

// companions are people who come with a patient: attended with mum. Without a "with" before
// them it may be they who were treated.
var companions = strings.Fields(`
mum mom dad partner husband wife spouse carer carers parent parents friend interpreter chaperone staff
`)

// relatives are those who may ring for a patient.
var relatives = strings.Fields("mother father daughter son grandma granny dn sister family")

// reported are the words by which somebody tells what was found at home: mum rang, toe red.
var reported = strings.Fields("rang phoned called tel telephoned reports reported says said texted emailed ringing calling phones rings")

// others are who, or where, something may have been done by, or at, before: beside a finding
// or a discharge they say no more than who was told.
var others = strings.Fields(`
regional surgeon private community district practice referred refer vascular ortho orthopaedics consultant pod podiatrist podiatry chiropodist np
`)

// ordinary are the signs of writing.
const ordinary = `.,;:()-/'"&+*!#=_|\\%@~•·…°`

// unknown reports whether an item is a word, or a sign, that the vocabulary does not hold and
// no rule took for a word of a toe.
func (r *reader) unknown(it *item) bool {
	if it.text == "" || it.known || it.number || it.used || r.words[it.index] != nil || calendar.MatchString(it.text) {
		return false
	}
	return isLetter(it.text) || !isDigit(rune(it.text[0])) && !strings.Contains(ordinary, it.text)
}

// foreign reports whether an item is unknown, and nothing says that it cannot matter.
func (r *reader) foreign(it *item) bool {
	if !r.unknown(it) || diseaseCode.MatchString(it.text) || r.lexicon.harmless[it.text] || r.lexicon.idle[it.text] || slices.Contains(aside, r.lexicon.remarks[it.text]) || ofDisease(it.text) || ofManner(it.text) {
		return false
	}
	return !r.inOrder(it) && !r.withPatient(it) && !r.nameOfClinic(it)
}

// aside are the themes of remarks whose words say nothing of what was done or found either.
var aside = []string{"drugs", "footwear and sport", "work and school", "life", "papers and payment", "examination", "manner"}

// ofBatch reports whether letters begin the number of a batch: batch B12345.
func (r *reader) ofBatch(it *item) bool {
	prev := r.neighbour(it.index, -1)
	return it.beforeDigit && len(it.text) < 4 && prev != nil && slices.Contains(batches, prev.text)
}

// nameOfClinic reports whether an unknown word with a capital is the name of a place of care that
// follows "to": transferred to Northfield clinic.
func (r *reader) nameOfClinic(it *item) bool {
	prev, next := r.neighbour(it.index, -1), r.neighbour(it.index, 1)
	if prev == nil || next == nil || !strings.HasSuffix(lower(r.text.Original[prev.from:prev.to]), "to") {
		return false
	}
	capital, _ := utf8.DecodeRuneInString(r.text.Original[it.from:])
	return unicode.IsUpper(capital) && slices.Contains([]string{"clinic", "hospital", "podiatry", "practice", "centre", "center"}, next.text)
}

// foreignTo reports whether an item is foreign beside a reading of a kind.
func (r *reader) foreignTo(k Kind, it *item) bool {
	told := []Kind{Attendance, Wound, Exudate, Finding, Diagnosis, Regrowth, Discharge, Dressing}
	if k == Anaesthetic && it.is(sideDigit) || r.ofBatch(it) {
		return false // TA 2 cc, T5 3 cc; batch B12345
	}
	return r.foreign(it) && !(slices.Contains(others, it.text) && slices.Contains(told, k))
}

// withPatient reports whether a word is of somebody who came with the patient.
func (r *reader) withPatient(it *item) bool {
	prev := r.neighbour(it.index, -1)
	next := r.neighbour(it.index, 1)
	if next != nil && slices.Contains(reported, next.text) && (slices.Contains(companions, it.text) || slices.Contains(relatives, it.text)) && (prev == nil || prev.clause != it.clause) {
		return true // mum rang, toe red
	}
	return slices.Contains(companions, it.text) && prev != nil && slices.Contains([]string{"with", "w", "by", "c", "interpreter"}, prev.text)
}

// diseases are how words of diseases of the nail begin.
var diseases = []string{"onych", "ingrow", "granul", "paronych", "mycot", "gryph", "hypergran", "overgran", "hypertroph", "dystroph", "subung", "periung", "involut", "incurv"}

// ofDisease reports whether an unknown word is of a disease of the nail, whatever its ending.
func ofDisease(word string) bool {
	return slices.ContainsFunc(diseases, func(d string) bool { return strings.HasPrefix(word, d) })
}

// ofManner reports whether an unknown word is an adverb of how something was done or looks:
// sharply. Those of another time and of doubt are none.
func ofManner(word string) bool {
	return len(word) > 5 && strings.HasSuffix(word, "ly") && !slices.Contains(doubtfully, word)
}

// doubtfully are the adverbs, and other words of their ending, that may change what a text says.
var doubtfully = strings.Fields(`
allegedly apparently barely bilaterally early eventually falsely family finally formerly hardly hopefully incompletely initially instantly
july lately mistakenly mostly nearly normally originally partially partly possibly potentially presumably previously probably
provisionally purportedly recently reportedly scarcely seemingly shortly spontaneously subsequently supply supposedly tentatively
ultimately unilaterally unlikely unsuccessfully usually wrongly
`)

// inOrder reports whether a word says no more than that one thing of a treatment came after
// another: saline after phenol, 1 mL after 10 min.
func (r *reader) inOrder(it *item) bool {
	switch it.text {
	case "pod": // POD 3
		return it.index+1 < len(r.items) && r.items[it.index+1].number
	case "attempted", "attempt", "tried", "started", "commenced", "begun", "failed", "failure", "inadequate", "insufficient":
		return r.brokenOff(it)
	case "before", "prior":
		if r.brokenOff(it) {
			return true
		}
	case "since": // a procedure after it is over
		return true
	case "after", "post", "following":
	default:
		return false
	}
	n := r.neighbour(it.index, 1)
	if r.matrixColumn() && r.lastOf(it.index) { // irrigated with saline after
		return true
	}
	return n != nil && (n.number || n.text == "which" || n.is(anaesthetic, chemical, phenolAlc, injectWord, flushWord, tourniquet, procedure, class(Flush)))
}

// brokenOff reports whether a clause says that the surgery was broken off, or not begun.
func (r *reader) brokenOff(of *item) bool {
	return slices.ContainsFunc(r.items, func(it *item) bool {
		return it.clause == of.clause && it.is(class(Outcome)) && it.entry(class(Outcome)).value != "done"
	})
}

// besideUnknown doubts the readings, other than toes, beside which stands a word that the grammar
// does not know: what it does not understand may deny them, or be of another time.
func (r *reader) besideUnknown() {
	for i := range r.text.Readings {
		rd := &r.text.Readings[i]
		if rd.Certainty == Ambiguous || rd.Kind == Site || rd.Kind == Border {
			continue
		}
		if slices.ContainsFunc(r.around(*rd), func(it *item) bool {
			return r.foreignTo(rd.Kind, it) && !r.where(*rd, it) && !r.why(*rd, it) && !r.untilThen(*rd, it)
		}) {
			rd.Certainty, rd.Rule = Ambiguous, rd.Rule+".beside-unknown"
			rd.Others = append(rd.Others, rd.Value)
		}
	}
}

// reasons are the words that begin why something was not done.
var reasons = strings.Fields("after as because due since following secondary : -")

// why reports whether a word says no more than why a surgery was not done, was broken off or
// cancelled: abandoned after BP dropped.
func (r *reader) why(rd Reading, it *item) bool {
	not := rd.Kind == Outcome && rd.Value.Code != "done" || rd.Kind == Attendance && rd.Value.Code == "cancelled" || rd.Value.Code == "not-used" || slices.Contains([]Kind{Method, Dressing}, rd.Kind) && rd.Value.Code == "none"
	return not && slices.ContainsFunc(r.items, func(o *item) bool {
		after := o.from >= rd.To && o.from <= it.from && (slices.Contains(reasons, o.text) || r.said(o) == "due to")
		before := it.from < o.from && o.to <= rd.From && o.text == "so" // pt fainted so nothing was done
		return o.segment == it.segment && (after || before)
	}) && !it.is(procedure, class(Outcome)) && !slices.Contains(again, it.text)
}

// untilThen reports whether a word says no more than when the visit is that was booked anew: rebooked
// after antibiotics.
func (r *reader) untilThen(rd Reading, it *item) bool {
	return rd.Kind == Attendance && rd.Value.Code == "rebooked" && it.from > rd.To && slices.Contains([]string{"after", "when", "once", "until", "following", "pending"}, it.text)
}

// again are the words by which what was broken off may have been done after all.
var again = strings.Fields("completed finished resumed restarted continued then but done later elsewhere")

// where reports whether a word says no more than where, or when, a sign was found: red to
// the midfoot, tender on palpation.
func (r *reader) where(rd Reading, it *item) bool {
	if !slices.Contains([]Kind{Finding, Wound, Exudate, Diagnosis}, rd.Kind) || it.index < 2 {
		return false
	}
	k := it.index - 1
	if r.items[k].text == "the" || r.items[k].text == "a" {
		k--
	}
	if slices.Contains(companions, it.text) || slices.Contains(relatives, it.text) { // infected to mum
		return false
	}
	of := slices.Contains([]string{"on", "at", "to", "over", "around", "round", "in", "along", "across"}, r.items[k].text)
	return of && k > 0 && r.items[k-1].segment == it.segment && r.items[k-1].is(findings...)
}

// around are the items of the segments of a reading; of its whole clause in a column
// of anaesthetics or of matrix treatments, whose amounts belong together over commas, and
// for what was done in a note.
func (r *reader) around(rd Reading) (out []*item) {
	whole := r.only(Anaesthetic) || r.matrixColumn() && (rd.Kind == Applications || rd.Kind == Percent) || len(r.kinds) == 0 && (slices.Contains([]Kind{Procedure, Method}, rd.Kind) || rd.Kind == Outcome && rd.Value.Code == "done")
	if not := r.refusal(rd); not != nil {
		return not
	}
	for _, items := range r.segments {
		if whole && r.clauseAt(rd.From) == items[0].clause || slices.ContainsFunc(items, func(it *item) bool { return it.from < rd.To && it.to > rd.From }) {
			out = append(out, items...)
		}
	}
	return out
}

// clauseAt is the clause in which a byte of the text stands.
func (r *reader) clauseAt(at int) int {
	for _, it := range r.items {
		if it.to > at {
			return it.clause
		}
	}
	return -1
}

// refusal are the items of the dash that says that something was not done, or not used; what
// stands after the next dash is why: TQ not used - vasospastic.
func (r *reader) refusal(rd Reading) (out []*item) {
	if len(r.kinds) == 0 {
		return nil
	}
	var at *item
	for _, it := range r.items {
		if it.from <= rd.From && it.to > rd.From {
			at = it
		}
	}
	not := false
	for _, it := range r.items {
		if at == nil || it.stretch != at.stretch {
			continue
		}
		out = append(out, it)
		done := it.is(class(Outcome)) && it.entry(class(Outcome)).value == "done"
		not = not || it.is(class(Outcome), notAfter) && !done || it.saysNone() || it.notDone() || it.is(notWord)
	}
	if !not {
		return nil
	}
	return out
}
