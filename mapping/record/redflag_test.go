package record

import (
	"fmt"
	"testing"

	"github.com/stretchr/testify/assert"
)

// flagged gives the codes and places of the red flags of a text.
func flagged(text string) []string {
	var out []string
	for _, f := range Decode([]byte(text)).RedFlags() {
		out = append(out, f.Code+" "+f.Pointer)
	}
	return out
}

// TestD2_3_RedFlags has one row for each flag of D2.3, each with a twin that is
// one step less and raises nothing.
func TestD2_3_RedFlags(t *testing.T) {
	review := func(toe string) string { return `{"kind":"review","review":{"toes":[{},` + toe + `]}}` }
	contact := func(members string) string { return `{"kind":"contact","contact":{` + members + `}}` }
	surgery := func(toe string) string { return `{"kind":"surgery","surgery":{"toes":[` + toe + `]}}` }
	infection := func(members string) string { return review(`{"borders":[{"infection":{` + members + `}}]}`) }
	const inf = "/review/toes/1/borders/0/infection"
	for _, c := range []struct{ text, want, twin string }{
		{review(`{"perfusion":{"colour":"dusky"}}`), "toe-dusky /review/toes/1/perfusion/colour", review(`{"perfusion":{"colour":"red"}}`)},
		{review(`{"perfusion":{"colour":"white"}}`), "toe-white /review/toes/1/perfusion/colour", review(`{"perfusion":{"colour":"pale"}}`)},
		{review(`{"perfusion":{"cold":"yes"}}`), "toe-cold /review/toes/1/perfusion/cold", review(`{"perfusion":{"cold":"unknown"}}`)},
		{review(`{"perfusion":{"numb":"yes"}}`), "toe-numb /review/toes/1/perfusion/numb", review(`{"perfusion":{"numb":"no"}}`)},
		{contact(`"toes":[{"perfusion":{"numb":"yes"}}]`), "toe-numb /contact/toes/0/perfusion/numb", surgery(`{"perfusion":{"numb":"yes"}}`)},
		{surgery(`{"perfusion":{"colour":"white"}}`), "toe-white /surgery/toes/0/perfusion/colour", surgery(`{"perfusion":{"colour":"pink"}}`)},
		{surgery(`{"perfusion":{"colour":"dusky"}}`), "toe-dusky /surgery/toes/0/perfusion/colour", surgery(`{}`)},
		{surgery(`{"perfusion":{"cold":"yes"}}`), "toe-cold /surgery/toes/0/perfusion/cold", surgery(`{"perfusion":{"cold":"no"}}`)},
		{surgery(`{"tourniquets":[{"on":"2024-06-03T10:05"}]}`), "tourniquet-release-unrecorded /surgery/toes/0/tourniquets/0",
			surgery(`{"tourniquets":[{"on":"2024-06-03T10:05","off":"2024-06-03T10:25"}]}`)},
		{surgery(`{"tourniquet":"used"}`), "tourniquet-release-unrecorded /surgery/toes/0/tourniquet", surgery(`{"tourniquet":"not-used"}`)},
		{infection(`"findings":["redness","spreading-redness"]`), "spreading-redness " + inf + "/findings", infection(`"findings":["redness"]`)},
		{infection(`"findings":["pus"]`), "pus " + inf + "/findings", infection(`"findings":["odour"]`)},
		{infection(`"findings":["fever"]`), "fever " + inf + "/findings", infection(`"findings":["warmth"]`)},
		{infection(`"findings":["bleeding-through"]`), "bleeding-through " + inf + "/findings", infection(`"findings":["swelling"]`)},
		{infection(`"findings":["throbbing-pain"]`), "throbbing-pain " + inf + "/findings", review(`{"pain":10}`)},
		{infection(`"diagnosis":"wound-infection"`), "infection-diagnosed " + inf + "/diagnosis", infection(`"diagnosis":"delayed-healing"`)},
		{infection(`"diagnosis":"cellulitis"`), "infection-diagnosed " + inf + "/diagnosis", infection(`"diagnosis":"contact-dermatitis"`)},
		{infection(`"diagnosis":"abscess"`), "infection-diagnosed " + inf + "/diagnosis", infection(`"diagnosis":"chemical-burn"`)},
		{infection(`"diagnosis":"osteomyelitis"`), "infection-diagnosed " + inf + "/diagnosis", infection(`"diagnosis":"no-infection"`)},
		{contact(`"urgency":"now"`), "urgency-now /contact/urgency", contact(`"urgency":"soon"`)},
		{contact(`"urgency":"same-day"`), "urgency-same-day /contact/urgency", contact(`"urgency":"routine"`)},
	} {
		assert.Equal(t, []string{c.want}, flagged(c.text), c.text)
		assert.Empty(t, flagged(c.twin), c.twin)
	}
	assert.Empty(t, flagged(`{"surgery":{"indication":{"condition":"infected-ingrowing-toenail"}}}`), "an infected indication is what the surgery was for")
}

func TestD2_3_EveryFlagHasItsSentence(t *testing.T) {
	raised := map[string]bool{}
	for _, kind := range []string{"surgery", "review", "contact"} {
		for _, p := range Paths() {
			if p.Set == nil || !belongs(p.Path, kind) {
				continue
			}
			for _, v := range p.Set.Values {
				doc := with(fullRecord(kind), p.Path, string(v.Code))
				if kind == "surgery" {
					doc = without(doc, "/surgery/toes/*/tourniquets/*/off")
				}
				for _, f := range Decode(mustJSON(doc)).RedFlags() {
					raised[f.Code] = true
					assert.NotEmpty(t, f.Text, f.Code)
				}
			}
		}
	}
	for code := range redFlagTexts {
		assert.True(t, raised[code], "%s is never raised", code)
	}
}

// TestD2_1_RefusedContentStillShowsItsRedFlags: the flag must be seen whatever
// else is wrong with the content.
func TestD2_1_RefusedContentStillShowsItsRedFlags(t *testing.T) {
	toes := `[{"borders":[{"infection":{"findings":["pus"]}}]}]`
	for why, text := range map[string]string{
		"nothing that identifies":    `{"review":{"toes":` + toes + `}}`,
		"a tree of another kind":     `{"kind":"surgery","review":{"toes":` + toes + `}}`,
		"a member in the wrong case": `{"kind":"review","review":{"Toes":` + toes + `}}`,
		"the tree in the wrong case": `{"kind":"review","REVIEW":{"toes":` + toes + `}}`,
		"the first of two members":   `{"kind":"review","review":{"toes":` + toes + `,"toes":[]}}`,
		"the last of two members":    `{"kind":"review","review":{"toes":[],"toes":` + toes + `}}`,
		"an escaped second member":   `{"kind":"review","review":{"toes":` + toes + `,"\u0074oes":null}}`,
		"the first of two trees":     `{"review":{"toes":` + toes + `},"review":{}}`,
		"trailing data":              `{"review":{"toes":` + toes + `}} x`,
		"cut short":                  `{"review":{"toes":` + toes + `,"no`,
		"an unreadable toe before":   `{"review":{"toes":[7,` + toes[1:] + `}}`,
		"a misspelt dressing":        `{"review":{"toes":[{"borders":[{"dressing":"nonadherent","infection":{"findings":["puss","pus"]}}]}]}}`,
	} {
		codes := fmt.Sprint(flagged(text))
		assert.Contains(t, codes, "pus ", why)
	}
}
