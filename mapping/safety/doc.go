// Package safety does the arithmetic of a toenail surgery under local
// anaesthesia: doses against the limits of a chosen formulary set, tourniquet
// minutes, contact seconds of a matrix chemical, and the perfusion of the toe
// after release. It is pure: no clock, no I/O; figures are exact (math/big.Rat)
// until they are written as decimal text.
//
// # What it answers
//
// Every function answers with a Result: figures, and flags as sentences fit to
// show a clinician, each with its inputs, limit, set and source. Rules are
// cited by their number in the reference of clinical facts ("C-25"), in
// Flag.Check and Figure.Check.
//
// # Limits come from a set, and sets are never merged (C-16)
//
// A Formulary is one regulator's or guideline's set, in one file. There is no
// default set: without one the record is flagged no-ceiling-chosen and only
// masses in mg are given. The product's own files hold sets of regulators and of
// national guidelines alone, and only figures read in the cited text (tag
// "read"); a clinic's own file may hold "local" figures, and says its date and
// who approved it. What is no limit of dose (ages, the ceiling of dental teaching
// where the set has none) is told under any set.
//
// # The weight is the clinic's choice (C-7)
//
// As recorded, capped at 70 kg, or ideal in obesity. The formula of the ideal
// weight was not read in its origin: a limit that is passed by it alone is a
// note. Without the height it needs there is no percentage of a limit.
//
// # Levels (D2.4)
//
// "Error" and "block" in the clinical facts mean critical where a patient is
// exposed, else warning. One by one: a glove as tourniquet (C-24), a release that
// is not recorded (C-25), phenol in pregnancy (C-37), no site check before the
// first injection or the first cut (C-66), and an act that the consent does not
// cover (C-67) are critical; other steps out of order (C-66) and a stage of another
// system (C-47, C-49) are warnings. A rule whose figure is tagged "via" or "memory" is a
// note, with the tag shown; so are borderline findings. For phenol the lower
// bound of the contact time (30 s) was read and warns; the upper one (4 min)
// is from memory and is a note (C-32).
//
// # Never cleared by more
//
// More dose or more time never clears or lowers an over-limit flag. What is
// not computable says what is missing and leaves standing every flag that the
// known part raises alone.
//
// # Rounding
//
// Masses and seconds are exact. A quotient (mg/kg, percent of a limit, a
// fraction, minutes with seconds) is rounded up, so that it never looks
// smaller than it is; a volume or a mass that may still be given is rounded
// down. Comparisons use the exact values.
package safety

// Caution goes once with every answer that shows figures or flags.
const Caution = "These figures support, and never replace, clinical judgement: " +
	"local protocol, the product label in hand and the licensed clinician decide."
