// Package shorthand reads what foot clinicians wrote in short: "PNA R hallux lat,
// ligno 2% 3ml plain, phenol 89% 3x1 min, TQ on 10:05 off 10:17". It is a fixed
// grammar over a fixed vocabulary (words.tsv), pure, and learns nothing: the same
// text has the same readings always.
//
// # What it reads
//
//	site         toe and side in every usual form, with the border: R hallux, Lt gt toe,
//	             L1, 1st right, both halluces, HCPCS TA and T1 to T9 (C-73 to C-75)
//	border       a border without a toe
//	procedure    PNA, TNA, wedges (C-76)
//	chemical     the agent of matrix treatment; percent; applications in seconds; method
//	anaesthetic  agent, % w/v, mL, vasoconstrictor and ratio
//	tourniquet   used or not, on, off, minutes
//	flush, dressing, and what a review found or decided
//
// # How sure a reading is
//
// Each reading keeps the words that it was read from, the rule that read it and how
// sure it is. Certain: the words have one meaning in the trade. Likely: they have
// one usual meaning; whoever uses it says so. Ambiguous: it is never used, only
// shown with the other readings, until a person decides.
//
// A side or a toe is certain or ambiguous, never likely: two sides without "and",
// a question mark, "or", a slash between them, a side or a digit that is not said,
// a left border of a right toe, T3 beside the word left: all of these are ambiguous.
// So is everything beside a word of doubt, of the past ("prev", "hx") or of a plan
// ("for", "consider"). What a "no" stands before is not read.
//
// # The grammar
//
// A text is clauses (a full stop after a long word or a number, or before another
// matter; a semicolon; a line break) of segments (a comma, a bracket, "but", "now",
// "then"). Words of doubt reach over their segment, those of the past over its part
// between dashes, those of another life ("as a child", "elsewhere") to the end of the
// sentence, those of a plan from themselves to the segment's end, a "no" to the next
// phrase and over the list that an "or" ends. A question mark alone in its segment
// doubts what stands before it; one before a border, and "or" and "about" beside
// numbers, doubt these alone. "Not used", "ruled out", "none" and their like deny the
// phrase before them; "normal" and "not done" after a border leave that border out; of
// two toes the one beside "not done", "cancelled" or a year of its own is ambiguous.
// In a column of sites a toe is certain only where each word beside it is known to say no
// more than which toe it is, what was found and what was done: an unknown word, a date, a
// plan or a side that contradicts it makes it ambiguous. A sentence, or a part between signs, of
// another matter (matters, in matter.go: consent, allergies, who came) that names no toe is let
// be, and so is a remark that compares two borders that are both named (both, lat worse). So are the
// everyday words of a remark on a whole toe (remarks.tsv, in remark.go: troublesome since Easter) that names no
// toe, side or border, and denies, corrects and plans nothing; a season alone may be a plan. A remark of
// its own, between signs, is let be where it has a topic and each of its words is known to say nothing of
// the toe (quiet.go): ?infected, no allergies, weight 62 kg, failed conservative care; one with a weekday,
// with what is arranged or with a trim is not (toWait). So are a grade in
// Roman figures (gr II), how long a toe has been ill (since June, for 3 yrs, 6 months history), a score of
// its pain (8/10, VAS 7), courses of a drug (abx x2) and how often it was seen (2nd visit). In a note a
// plan, "not today" and
// a time to come after a toe do, as does a word that the grammar does not know in the
// sentence of any toe.
// Every other reading is ambiguous too where such a word stands in its segment (of amounts,
// and of what was done in a note, in its clause), unless the word says nothing that could
// deny it or put it into another time (idle, and the themes of remarks in aside, both in unknown.go), is
// of a disease of the nail, an
// adverb in -ly, or a place after a sign ("red to the midfoot"). Beside "not used" and "not
// done" the reason after a dash is not looked at, nor is what follows "because" and its like or precedes
// "so" (pt fainted so nothing was done).
// A tick after a word is a yes and a cross right after it a no (phenol ✓, TQ ✗); of borders, and of sides,
// each of which has one, those with a tick are read, and the ticks of a text that names no side, no digit
// and no border twice say no more. Beside one of two toes a tick makes both ambiguous.
// In a note a tick beside one of several borders makes the toe ambiguous where another has neither tick nor
// cross (lat ✓ med), and so does a cross after the only border (PNA R1 lat ✗).
// What was converted or changed to another thing of its kind is not read; a toe changed
// to another is ambiguous.
//
// A long word of one slip of the pen is read for the one word that it is a slip from
// (slips, in words.go); sides never are: tight is no right, and no slip drops an L or an R at
// the end of a word (Lhalux). In a column of sites or borders words of a toe that are run
// together (Rtbigtoe, borderRt) or parted by full stops alone (right.great.toe., I.G.T.N.) are
// read one by one, where every way to cut them says the same (joined.go). Words that mean something
// in a column of their kind alone ("total", "iodine") are column-words.
//
// Sites: in a clause, a side, a digit and borders make one toe in any order; a new
// toe begins where the one before has side and digit. "R and L hallux" and "R 1st
// and 2nd" are two toes. A border belongs to the toe that it follows, or, in a
// clause that begins with a border, to the one that it precedes; the border after
// several toes of one foot that "and" joins belongs to each, and after toes of both feet where
// a sign, the plural, "both" or "each" says so (TA & T5, lateral; T5 + TA lateral borders; TA, T5 fibular
// border both toes); a
// medial and a lateral border listed after several toes, but not after both feet with the borders in the
// plural (bilateral halluces, medial and lateral borders), and a border after two toes of which
// nothing says that it is of both (TA and T5 lateral), are ambiguous. "All four edges" and "x 4
// borders" are both of both toes. A word of doubt after a sign, before another border, is of that
// border alone (lat, ?med). In a note the border beside a total avulsion is ambiguous; in a column of sites alone a
// total avulsion is the whole nail of the toes of its clause, if none has a border (R5 TNA). A side with a
// border has the digit of
// the toe beside it that has a border too, and a digit its side: "R hallux lat, L med".
// An inner and an outer border are the medial and the lateral one where both are named, or where one ends
// the name of a whole toe (L big toe outer); the letters ML there are both. The border nearest to another
// toe, or away from it, is told by the digits; another border beside
// it makes the toe ambiguous, and so do one border after toes of one foot ((L) 1 & 2 lat), two
// that a hyphen joins (tibial-lateral), and the whole nail beside a border. A toe that is sore at another
// border than the one that is named is ambiguous (lat, painful at inner corner), and so is the border of
// an "other side" beside a lateral or a medial one. In a column of sites a (B) or a BL that begins it is
// both feet, and the Dutch re and li after its toe are sides where it says no other (hallux re lateral). LH and RH before a
// border or a total avulsion are the hallux where no other toe, side or foot is named, at the beginning of
// a note of a surgery too (RH med: PNA). A code may be said
// again in words (TA L hallux). Two toes that a comma parts share a border in the plural (L2, L3 whole
// nails). A remark on an earlier surgery that names no toe and no border, and after which none is named, is
// let be (R hallux lat - previous PNA 2019), and so is one on what came back after it (recurrence after
// PNA 2018), or on the other side, or the other border that the patient "had done", in a time that is over
// (other side done 2019). A border that is said not to be
// told leaves the toe without one (unsaid.go): no border given, Border = blank. Two toes of "the
// same session" are both meant, whatever "then" is between them. A toe that is listed, booked or
// coded as another is ambiguous, and so is a side after a digit and its border that may be of the
// next toe (R 1st lat, 2nd med L). The names of
// the fields of a form (foot: L; digit: 1; border: lat) are no words of a toe. R1L is a
// lateral border. A list to pick from is read over its signs (Right foot > 1st digit > lateral),
// one of boxes by those that are ticked, borders with a yes or a no by the yes; what stands
// beside the boxes is of all (L hallux: lat [ ] med [x]). The numbers of a list
// (1) R hallux 2) L hallux; site 1: R hallux), its quotation marks, initials at its end and codes of
// ICD-10 (L60.0) are no toes. A hyphen between two toes,
// a consent for another side than the rest of the text, and papers that name different toes (L hallux on
// plan, R hallux on consent), make them ambiguous. Weeks,
// months and dates (2/52, 12/3/19), 2nd episodes, L4 discs and T2 diabetics are no toes.
//
// Amounts: numbers with a unit belong to the drug of their part of the clause (parts
// end at commas, "and", "+", full stops); a part without a drug belongs to the drug
// before it. A strength and a volume that stand before an anaesthetic, after those of a chemical, are of
// the anaesthetic (phenol 3 x 60 s under 2% plain lidocaine). "3 x 1 min", "1 min x 3" and "60+60+60 s"
// are three applications of 60 s,
// "x 4 applications" four of unknown length, "3 min" alone one of 180 s, likely; 1'30" and
// 1 1/2 min are 90 s, "x1 1 min; x1 30 s" two applications, "x 2-3" nobody knows how many, "rpt x1" is
// once more, "4 min (4 x 1)" four of a minute, "60s 60s 30s" three; of "a few applications" nobody knows the number. "2 x
// 1.8" is two cartridges, 3.6 mL (1.7, 1.8 and 2.2 mL are cartridge sizes; common
// practice, no source), 1.5 x 2.2 is 3.3 mL, "2 carts" no volume. Of several volumes the one "used" or "in
// total" counts, an ampoule's and a maximum do not; those that "+", "then", "top up" or
// places (R and L, med and lat) part are added; "each side" is two. The one volume
// of a mixture in equal parts is halved, likely (4 mL 1:1 lido/bupi); one of two drugs otherwise (lido/bupi 5 mL) is
// ambiguous, and so is a mass that the strength and the volume do not give, a strength that a drug is
// not sold in (bupi 5%), more than 20 mL, and a total that the volumes before it do not make.
// A column of anaesthetics that names no drug is read for its amounts. The name of a
// field that counts stands after its number (Secs: 30; No. of applications: 2), and that of a length
// of time that has its unit is left out (Time each: 1 min). A range ("80-90 %"), and a volume of each
// toe where the toes are not said, are ambiguous.
//
// A number is certain only as what its unit or its field says. Percent: by its sign or field; written
// together with sodium hydroxide or trichloroacetic acid if it is a usual one (NaOH10); beside phenol 80
// to 92 too, but 90, which may be seconds, and none that a slash joins to another. Volume:
// by its unit (c.c. too), or as the size of a cartridge; not beside "bilat" without a total. Applications: a count
// of at most six beside a sign of times, a unit or a field; where another number of the clause says
// nothing of itself, they are ambiguous. Minutes of a tourniquet: by their unit, and no second number
// beside them. A pain in a score (2/10) is no finding. A length of "each" that nobody counted, or of the
// first of several, or after lengths that differ (3 x 30 s, 60 s each), is ambiguous, and so is one of two
// minutes and more, or "over" so long, beside
// a count that stands apart from it (x3 (3 min)): it may be that of all. A percentage right after a
// flush is the flush's. A question mark before "strength" doubts
// the strength alone. Of two chemicals of a column that a slash, an "or" or the boxes of a form part,
// nobody knows which was used.
//
// A wedge beside the border of a nail fold is a wedge of the fold (wedge excision of lateral nail fold). A
// "present" after what was seen is no visit. What is done, decided or found only if something else is so
// is ambiguous. A discharge has
// no reason but the one that is said, or that the wound is healed: a missed visit is none. That
// nothing was written of a thing (no record of tq, no tq time), or came of it (no phenol burns), does
// not say that it was not used: it is ambiguous. So is an infection that the text denies besides, a
// fever below 38 degrees, a redness beside a word of spreading, a tourniquet that was not used and has
// times, a column of tourniquets with a yes and a no, or with a number after a no (Y (N); N 8), a visit to
// somebody else (attended A&E), a dressing to be put on later, and what is so "except"
// for something. What somebody tells by telephone is found (mum rang, toe red).
//
// A border or a toe that stands in a remark of its own beside another is ambiguous (lat, med comfortable; L1 sore,
// R1 lat; R1 lat today, L1 lat), and so are both borders beside one of them alone (both sides, only lat done), a
// toe with its neighbour or the lesser toes, a surgery that the words after it put off or deny (not keen, sent home, no
// treatment, bp too high, antibiotics first, after exams), toes that papers name differently, and what a note
// takes back (Should be left. - no, med. Wrong pt). So is a border that may be of another matter (med student; both
// parents; full payment; lat xray), and one in a bracket of its own after another: lat (tibial).
//
// The vocabulary holds no brand names: those of one country mean other things in
// the next. A deployment's own words belong into the code map of its layout.
package shorthand
