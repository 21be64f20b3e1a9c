package mapping

import (
	"slices"
	"strings"

	"nailbridge/mapping/record"
)

// RawRedFlags are the red flags of a content that is in no fold, such as a
// refused or held one, as sentences that name time and toe as far as they can
// be read (D2.1). They have no id and no hash of inputs, since nobody can
// acknowledge what is not published; each stands at its place in the content.
func RawRedFlags(r *record.Record, red []record.RedFlag) []Flag {
	own := record.RedFlags(r)
	var out []Flag
	for _, f := range red {
		text := sentence(f.Text)
		if slices.Contains(own, f) { // else of another reading, where toes may differ
			text = rawRedText(r, f)
		}
		out = append(out, Flag{
			Code: f.Code, Level: Critical, Record: r.Record, Place: f.Pointer, Text: text, Rule: "D2.3",
		})
	}
	return out
}

// rawRedText is the sentence of a red flag by the tree that it stands in: a
// refused content may hold several, or none that its kind names.
func rawRedText(r *record.Record, f record.RedFlag) string {
	tree, _, _ := strings.Cut(strings.TrimPrefix(f.Pointer, "/"), "/")
	part := &record.Record{Kind: record.Code(tree)}
	var at place
	switch {
	case tree == "surgery" && r.Surgery != nil:
		return surgeryRedText(r.Surgery, f)
	case tree == "review" && r.Review != nil:
		part.Review = r.Review
		at = placeOf(part, f.Pointer)
	case tree == "contact" && r.Contact != nil:
		part.Contact = r.Contact
		at = placeOf(part, f.Pointer)
	}
	return redText(part, at, f.Text)
}

func surgeryRedText(s *record.Surgery, f record.RedFlag) string {
	text := "At the surgery"
	if w := whenText(s.SittingAt()); w != "" {
		text += " of " + w
	}
	if parts := strings.Split(f.Pointer, "/"); len(parts) > 3 { // /surgery/toes/0
		if i, ok := index(parts[3], len(s.Toes)); ok {
			if where := placeText(s.Toes[i].Side, s.Toes[i].Digit, ""); where != "" {
				text += ", " + where
			}
		}
	}
	return text + ": " + f.Text + "."
}
