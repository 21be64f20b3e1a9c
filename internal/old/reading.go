package old

import (
	"slices"
	"strconv"
	"strings"

	"nailbridge/mapping/record"
	"nailbridge/mapping/shorthand"
)

// inWords says to a person what a record of a kind would have of a value if the reading were
// accepted, and what of it is not told: "applications: 2, length not told".
func inWords(of record.Code, k shorthand.Kind, v shorthand.Value) string {
	say, value := sayings[k], plainly(v.Code, "not told")
	switch k {
	case shorthand.Site:
		value = plainly(v.Side, "side not told,") + " " + digitIn(v.Digit) + ", " + borderIn(v.Border)
	case shorthand.Border:
		value = borderIn(v.Border)
	case shorthand.Percent:
		value = v.Percent + " %"
	case shorthand.Applications:
		value = applicationsIn(v.Seconds)
	case shorthand.Anaesthetic:
		value = anaestheticIn(v)
	case shorthand.On, shorthand.Off:
		value = v.Time
	case shorthand.Minutes:
		value = v.Minutes
	}
	if say == "" {
		say = string(k)
	}
	if !slices.Contains(placed[of], k) || k == shorthand.Minutes || k == shorthand.Anaesthetic && v.Code == "" {
		value += "; stays in the note"
	}
	return say + ": " + value
}

// sayings are the words for kinds that are not their own.
var sayings = map[shorthand.Kind]string{
	shorthand.Site: "toe", shorthand.Chemical: "agent", shorthand.Percent: "strength of the agent", shorthand.Method: "matrix treatment",
	shorthand.On: "tourniquet on at", shorthand.Off: "tourniquet off at", shorthand.Minutes: "minutes of the tourniquet",
}

// plainly is a code in words.
func plainly(c record.Code, none string) string {
	if c == "" {
		return none
	}
	return strings.ReplaceAll(string(c), "-", " ")
}

func digitIn(c record.Code) string {
	if c == "" {
		return "toe not told"
	}
	return strings.ToLower(record.DigitSet.Display(c))
}

func borderIn(c record.Code) string {
	switch c {
	case "":
		return "border not told"
	case "whole":
		return "whole nail"
	}
	return string(c) + " border"
}

// applicationsIn says how many there were and how long each was, once where all were alike.
func applicationsIn(seconds []string) string {
	var each []string
	for _, s := range seconds {
		if s == "" {
			each = append(each, "length not told")
		} else {
			each = append(each, s+" s")
		}
	}
	value := strconv.Itoa(len(each))
	switch alike := slices.Compact(slices.Clone(each)); {
	case len(each) == 1, len(alike) == 1 && seconds[0] == "":
		return value + ", " + alike[0]
	case len(alike) == 1:
		return value + ", " + alike[0] + " each"
	}
	return value + ", " + strings.Join(each, ", ")
}

func anaestheticIn(v shorthand.Value) string {
	parts := []string{plainly(v.Code, "drug not told"), "strength not told", "volume not told"}
	if v.Percent != "" {
		parts[1] = v.Percent + " %"
	}
	if v.ML != "" {
		parts[2] = v.ML + " mL"
	}
	with := ""
	switch v.Vasoconstrictor {
	case "":
	case "none":
		with = "no vasoconstrictor"
	default:
		with = "with " + plainly(v.Vasoconstrictor, "")
	}
	if v.Ratio != "" {
		with = strings.TrimSpace(with + " 1:" + v.Ratio)
	}
	if with != "" {
		parts = append(parts, with)
	}
	return strings.Join(parts, ", ")
}

// othersIn are the other values of an ambiguous reading in words.
func othersIn(of record.Code, r shorthand.Reading) (out []string) {
	for _, v := range r.Others {
		out = append(out, inWords(of, r.Kind, v))
	}
	return out
}

// part is what a column gave to a wording: its words begin at a byte of the text.
type part struct {
	column string
	from   int
}

// unread says where in the cells the words are that were not read, and never what they are:
// "word 2 of agent, words 1 and 3 of times".
func (w *wording) unread(text string, spans []shorthand.Span) string {
	var places []string
	for i, p := range w.parts {
		to := len(text)
		if i+1 < len(w.parts) {
			to = w.parts[i+1].from
		}
		var words []string
		for _, s := range spans {
			if s.From >= p.from && s.From < to {
				words = append(words, strconv.Itoa(wordAt(text[p.from:to], s.From-p.from)))
			}
		}
		if words = slices.Compact(words); len(words) > 0 {
			places = append(places, theWords(words)+" of "+p.column)
		}
	}
	return strings.Join(places, ", ")
}

// wordAt is which word of a text has a byte, from 1 on.
func wordAt(text string, at int) int { return max(len(strings.Fields(text[:at+1])), 1) }

func theWords(numbers []string) string {
	last := len(numbers) - 1
	if last == 0 {
		return "word " + numbers[0]
	}
	return "words " + strings.Join(numbers[:last], ", ") + " and " + numbers[last]
}
