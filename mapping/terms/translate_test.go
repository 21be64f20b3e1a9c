package terms

import (
	"bytes"
	"flag"
	"fmt"
	"maps"
	"os"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/mapping/record"
)

var update = flag.Bool("update", false, "rewrite the golden files")

var (
	free     = Setting{SnomedCT: FreeSet, HCPCS: true}
	licensed = Setting{SnomedCT: Licensed, HCPCS: true}
	off      = Setting{SnomedCT: Off}
)

// Ten answers known from the decisions (D5.2, D7.1, D7.3) and the terminology
// table, each with the row's licence.
func TestD7_3_KnownAnswers(t *testing.T) {
	ts := MustLoad()
	for _, c := range []struct {
		name, set, code string
		s               Setting
		want            []string
	}{
		{"D7.3: partial avulsion, its parent in the free set", "nail-procedure", "partial-avulsion", free, []string{"partial-avulsion", "265698006"}},
		{"D7.3: total avulsion", "nail-procedure", "total-avulsion", free, []string{"total-avulsion", "183668008"}},
		{"D7.3: wedge of nail", "nail-procedure", "nail-wedge", free, []string{"nail-wedge", "177735003"}},
		{"D7.3: nail-fold wedge, its parent", "nail-procedure", "nail-fold-wedge", free, []string{"nail-fold-wedge", "61661004"}},
		{"D7.3: nail and matrix excised, licensed only", "nail-procedure", "nail-and-matrix-excision", free, []string{"nail-and-matrix-excision"}},
		{"D7.3: nail and matrix excised, licensed", "nail-procedure", "nail-and-matrix-excision", licensed, []string{"nail-and-matrix-excision", "3061006"}},
		{"D7.3: chemical ablation, its parent", "matrix-method", "chemical-ablation", free, []string{"chemical-ablation", "61661004"}},
		{"D7.3: block", "block-technique", "digital-block", free, []string{"digital-block", "386761002"}},
		{"D7.3: tourniquet, local only", "procedure-part", "tourniquet", free, []string{"tourniquet"}},
		{"D7.3: tourniquet, licensed", "procedure-part", "tourniquet", licensed, []string{"tourniquet", "20655006"}},
		{"D5.2: left hallux, HCPCS", "toe", "left-1", free, []string{"left-1", "TA"}},
		{"D5.2: left hallux, licensed", "toe", "left-1", licensed, []string{"left-1", "723724004", "TA"}},
		{"D7.1: second toe, one source, never SNOMED CT", "toe", "left-2", licensed, []string{"left-2", "T1"}},
		{"D7.1: SNOMED CT off", "nail-procedure", "total-avulsion", off, []string{"total-avulsion"}},
		{"ingrowing nail of any toe", "indication", "ingrowing-toenail", free, []string{"ingrowing-toenail", "400200009"}},
		{"ingrowing nail of the hallux (row: prefer it there)", "indication-hallux", "ingrowing-toenail", free, []string{"ingrowing-toenail", "201108001"}},
		{"no known allergy", "allergy-status", "none-known", free, []string{"none-known", "716186003"}},
		{"capillary refill, LOINC", "finding", "capillary-refill", off, []string{"capillary-refill", "44963-7"}},
		{"post-operative wound infection", "wound-diagnosis", "wound-infection", free, []string{"wound-infection", "58126003"}},
		{"D5.7: relationship carries only codings of R4's set", "relationship", "parent", free, []string{"PRN"}},
		{"D5.7: guardian has no code in R4's set", "relationship", "guardian", free, nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			got := ts.Translate(c.set, record.Code(c.code), c.s)
			var codes []string
			for _, x := range got.Codings {
				codes = append(codes, x.Code)
			}
			assert.Equal(t, c.want, codes)
			assert.NotEmpty(t, got.Text)
		})
	}
}

// What leaves under each setting, in full, for review line by line.
func TestD7_1_Goldens(t *testing.T) {
	ts := MustLoad()
	for name, s := range map[string]Setting{"free-set": free, "licensed": licensed} {
		t.Run(name, func(t *testing.T) {
			var b bytes.Buffer
			for _, use := range slices.Sorted(maps.Keys(ts.uses)) {
				for _, code := range ts.Codes(use) {
					fmt.Fprintf(&b, "%s: %s#%s:%s\n", ts.uses[use].Element, use, code, line(ts.Translate(use, code, s)))
				}
			}
			for _, n := range ts.Names() {
				fmt.Fprintf(&b, "%s: %s:%s\n", ts.elements[n].Element, n, line(ts.Element(n, s)))
			}
			path := "testdata/" + name + ".golden"
			if *update {
				require.NoError(t, os.WriteFile(path, b.Bytes(), 0o644))
			}
			want, err := os.ReadFile(path)
			require.NoError(t, err)
			assert.Equal(t, string(want), b.String())
		})
	}
}

// line shows text and standard codings; local ones are told by the code.
func line(c Concept) string {
	var b strings.Builder
	fmt.Fprintf(&b, " %q", c.Text)
	for _, x := range c.Codings {
		if !strings.HasPrefix(x.System, localSystem) {
			fmt.Fprintf(&b, " | %s %s %s", x.System[strings.LastIndex(x.System, "/")+1:], x.Code, x.Display)
		}
	}
	return b.String()
}

// D7.1, R-TERM-13: every concept, under every setting: each coding passes Check, the
// local one comes first (none where the binding forbids it, D5.7), one of each system,
// and no code leaves that the setting does not permit.
func TestD7_1_EveryConceptUnderEverySetting(t *testing.T) {
	ts := MustLoad()
	for _, s := range []Setting{free, licensed, off, {SnomedCT: Licensed}, {SnomedCT: Off, HCPCS: true}} {
		for use, u := range ts.uses {
			require.NotEmpty(t, ts.Codes(use), use)
			for _, code := range ts.Codes(use) {
				c := ts.Translate(use, code, s)
				holds(t, ts, c, s)
				local := len(c.Codings) > 0 && strings.HasPrefix(c.Codings[0].System, localSystem)
				assert.Equal(t, !u.Bound, local, "%s#%s", use, code)
			}
		}
		for _, n := range ts.Names() {
			holds(t, ts, ts.Element(n, s), s)
		}
	}
}

func holds(t *testing.T, ts *Terms, c Concept, s Setting) {
	t.Helper()
	require.NotEmpty(t, c.Text)
	seen := map[string]bool{}
	for _, x := range c.Codings {
		assert.NoError(t, ts.Check(x.System, x.Code, x.Display))
		assert.False(t, seen[x.System], "two codings of %s", x.System)
		seen[x.System] = true
		licence := ts.evidence[x.System][x.Code].Licence
		switch x.System {
		case SNOMEDCT:
			assert.NotEqual(t, Off, s.SnomedCT)
			assert.True(t, licence == "free" || s.SnomedCT == Licensed && licence == "affiliate", "%s %s", x.Code, licence)
		case HCPCS:
			assert.True(t, s.HCPCS)
		}
	}
}

// D5.1, R-TERM-06: the wrong toe must not be possible: the words of each standard
// display say the same side and digit as the local code, read here independently.
func TestD5_1_ToesAgreeInWords(t *testing.T) {
	ts := MustLoad()
	digits := map[string][]string{
		"1": {"great", "hallux"}, "2": {"second"}, "3": {"third"}, "4": {"fourth"}, "5": {"fifth"},
	}
	n := 0
	for _, side := range []string{"left", "right"} {
		for digit, words := range digits {
			c := ts.ToeConcept(record.Code(side), record.Code(digit), licensed)
			require.NotEmpty(t, c.Codings)
			for _, x := range c.Codings {
				d := strings.ToLower(x.Display)
				n++
				assert.Contains(t, d, side, "bodySite never has a coding without side: %s", x.Code)
				assert.True(t, slices.ContainsFunc(words, func(w string) bool { return strings.Contains(d, w) }), "%s: %s", digit, x.Display)
			}
			for _, border := range []record.Code{"medial", "lateral", "whole", ""} {
				loc := ts.Location(record.Code(side), record.Code(digit), border, licensed)
				require.Len(t, loc.Codings, 2)
				assert.Contains(t, strings.ToLower(loc.Text), side)
				assert.Contains(t, loc.Text, string(border))
				d := strings.ToLower(loc.Codings[1].Display)
				assert.True(t, slices.ContainsFunc(words, func(w string) bool { return strings.Contains(d, w) }), d)
			}
		}
	}
	assert.Equal(t, 10+10+4, n, "ten local codes, ten modifiers, four lateralised structures")
}

// Two borders never look alike (D5.1).
func TestD5_1_BordersDiffer(t *testing.T) {
	ts := MustLoad()
	seen := map[string]bool{}
	for _, code := range ts.Codes("border-of-toe") {
		c := ts.Translate("border-of-toe", code, free)
		assert.False(t, seen[c.Text] || seen[c.Codings[0].Code], c.Text)
		seen[c.Text], seen[c.Codings[0].Code] = true, true
	}
	assert.Len(t, ts.Codes("border-of-toe"), 30)
	var words []string
	for _, q := range ts.Qualifiers("left", "lateral", free) {
		words = append(words, q.Codings[1].Display)
	}
	assert.Equal(t, []string{"Left", "Lateral"}, words)
	assert.Len(t, ts.Qualifiers("left", "", free), 1)
}

// R-TERM-13: absent stays absent, and so does a code that no list has; a name that does
// not exist is a fault of the program.
func TestTranslateAbsentAndUnknown(t *testing.T) {
	ts := MustLoad()
	assert.True(t, ts.Translate("toe-colour", "", free).IsZero())
	assert.True(t, ts.Translate("toe-colour", "green", free).IsZero())
	assert.True(t, ts.ToeConcept("left", "", free).IsZero())
	assert.True(t, ts.ToeConcept("left", "6", free).IsZero())
	assert.True(t, ts.Indication("", "1", free).IsZero())
	assert.PanicsWithValue(t, `terms: no code system or map "toes"`, func() { ts.Translate("toes", "left-1", free) })
	assert.PanicsWithValue(t, `terms: no element "weight"`, func() { ts.Element("weight", free) })
	assert.Panics(t, func() { ts.Translate("gender", "male", free) }, "gender is not published as a coding")
}

func TestParseLicence(t *testing.T) {
	for _, l := range []Licence{FreeSet, Licensed, Off} {
		got, err := ParseLicence(l.String())
		require.NoError(t, err)
		assert.Equal(t, l, got)
	}
	got, err := ParseLicence("")
	require.NoError(t, err)
	assert.Equal(t, FreeSet, got, "the default (D7.1)")
	_, err = ParseLicence("free")
	assert.Error(t, err)
}

// "licensed" never has less than "free-set", and where a code may be SNOMED CT
// at all the shares are what the goldens show.
func TestShare(t *testing.T) {
	ts := MustLoad()
	rows := map[string]Share{}
	for _, r := range ts.Share() {
		assert.LessOrEqual(t, r.FreeSet, r.Licensed, r.Name)
		assert.LessOrEqual(t, r.Licensed, r.Codes, r.Name)
		if !r.Admits {
			assert.Zero(t, r.Licensed, "%s %s", r.Element, r.Name)
		}
		rows[r.Element+" "+r.Name] = r
	}
	assert.Equal(t, Share{"Procedure.code", "nail-procedure", 5, 4, 5, true}, rows["Procedure.code nail-procedure"])
	assert.Equal(t, Share{"Procedure.bodySite", "toe", 10, 0, 4, true}, rows["Procedure.bodySite toe"])
	assert.Equal(t, Share{"CarePlan.category", "careplan", 1, 1, 1, true}, rows["CarePlan.category careplan"])
	assert.Equal(t, Share{"Observation.category", "fixed", 6, 0, 0, false}, rows["Observation.category fixed"])
}
