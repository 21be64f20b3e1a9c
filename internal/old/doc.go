// Package old turns rows of old exports into clinic records: what the columns of a
// layout say is put where the record has it, trade shorthand is read, and damage that
// spreadsheets do to data is recognised, mended where that is certain, and listed. It is
// pure: a row, the layout and the decisions of people in, a record and findings
// out. No row is lost: it becomes a record, or is rejected with every reason, or
// waits in the worksheet for a person, or is skipped with the reason.
package old

import "strconv"

// Finding codes. Their texts are safe for logs: they never hold what a cell says.
const (
	ErrorCell      = "error-cell"           // #N/A, #REF! and the like: nothing is said
	NoBreakSpace   = "no-break-space"       // mended: a space
	MisDecoded     = "mis-decoded"          // UTF-8 read as Windows-1252; mended where it reads back
	LostCharacters = "lost-characters"      // a replacement character stands for what was lost
	SerialDate     = "serial-date"          // mended: a day number of a spreadsheet
	BecameDate     = "became-date"          // a date where the column has words: a spreadsheet made it
	Scientific     = "scientific-notation"  // a long number whose last digits are lost
	LeadingZeros   = "leading-zeros"        // mended: zeros that the declared form demands
	TwoDigitYear   = "two-digit-year"       // and the layout names no century
	BadDate        = "not-a-date"           // not of the declared forms, or no day of the calendar
	BadNumber      = "not-a-number"         // not of the declared form
	FloatNoise     = "binary-rounding"      // mended: 0.30000000000000004 is 0.3
	NoCode         = "no-code"              // no value of the record's list for the cell
	NotInCrosswalk = "not-in-crosswalk"     // the value that counts now is not known
	BadUnit        = "unit"                 // cannot be turned into the record's unit
	BadForm        = "form"                 // does not have the form that the layout demands
	Missing        = "missing"              // required, and empty
	AmbiguousTime  = "ambiguous-local-time" // in the hour that a clock change repeats or skips
	NotRead        = "not-read"             // words that the grammar does not know; kept in the note
	NotSure        = "ambiguous"            // may mean several things; kept in the note
	Likely         = "likely"               // read by the usual meaning
	ToWhichToe     = "to-which-toe"         // several toes, and one amount; or columns and words that differ
	AllBorders     = "all-borders"          // a finding without a site is taken for all that was treated
	NoPlace        = "no-place"             // the record has no place for it; kept in the note
	NoSite         = "no-site"              // neither the row nor its surgery says which toe
	RepeatedHeader = "repeated-header"      // skipped
	Total          = "total"                // skipped
	EmptyRow       = "empty-row"            // skipped
	Heading        = "heading"              // skipped: a year or month over the rows of it
	BrokenRow      = "broken-row"           // not a row of the format
	WrongCellCount = "cells"                // more cells than columns, or one under no title
	OtherWords     = "other-words"          // a decision is of another row, or of other words
	LeftByDecision = "left-by-decision"     // a person decided to leave it out
	NoKey          = "no-key"               // no stable key of the row
	SharedKey      = "shared-key"           // another row has the same key and says something else
	NoTable        = "no-table"             // of a file of several tables: none takes the row
	NotARecord     = "not-a-record"         // what was made is not a record
)

// counted is a number of things, by the name of one.
func counted(n int, one string) string {
	if n == 1 {
		return "1 " + one
	}
	return strconv.Itoa(n) + " " + one + "s"
}
