package safety_test

import (
	"fmt"
	"slices"
	"sort"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/mapping/record"
	"nailbridge/mapping/safety"
	"nailbridge/mapping/safety/safetytest"
)

func TestChecksOfTheClinicalFacts(t *testing.T) {
	for _, c := range safetytest.Cases() {
		t.Run(c.Title(), func(t *testing.T) {
			require.NotEmpty(t, c.Source, "every expected value names its source")
			r := safety.Surgery(c.Input())
			var want, got []string
			for _, f := range c.Flags {
				want = append(want, f.Code+" "+string(f.Level))
			}
			for _, f := range r.Flags {
				got = append(got, f.Code+" "+string(f.Level))
			}
			sort.Strings(want)
			sort.Strings(got)
			assert.Equal(t, want, got, "%s", texts(r))
			for _, f := range c.Figures {
				assert.True(t, has(r, f), "no figure %+v in\n%s", f, figures(r))
			}
			for _, code := range c.Never {
				assert.Empty(t, figureOf(r, code), "%s: %s", c.Source, code)
			}
		})
	}
}

// Of old data, what it does not say means nothing: of each worked case the flags that
// are raised by silence are notes there, and all others keep their level.
func TestWhatOldDataDoesNotSayIsANote(t *testing.T) {
	silence := []string{
		safety.ReleaseMissing, safety.SignOutIncomplete, safety.TourniquetUnknownTime, safety.TourniquetColour,
		safety.RepeatTimeNotKnown, safety.SiteCheckMissing, safety.ConsentGiverMissing,
	}
	seen := map[string]bool{}
	for _, c := range safetytest.Cases() {
		live, old := c.Input(), c.Input()
		old.Historical = true
		was := map[string]safety.Flag{}
		for _, f := range safety.Surgery(live).Flags {
			was[f.Code+f.Place] = f
		}
		flags := safety.Surgery(old).Flags
		assert.Len(t, flags, len(was), c.Title())
		for _, f := range flags {
			level := was[f.Code+f.Place].Level
			if said := c.Name == "not counted out" && f.Code == safety.SignOutIncomplete; slices.Contains(silence, f.Code) && !said {
				seen[f.Code], level = true, record.LevelNote
				assert.NotContains(t, f.Text, "Check the toe now", c.Title())
			}
			assert.Equal(t, level, f.Level, "%s: %s", c.Title(), f.Code)
		}
	}
	assert.Len(t, seen, len(silence), "each of them in some case")
}

func has(r safety.Result, want safetytest.Figure) bool {
	for _, f := range r.Figures {
		if f.Code == want.Code && f.Value == want.Value && (want.Limit == "" || f.Limit == want.Limit) && (want.Place == "" || f.Place == want.Place) {
			return true
		}
	}
	return false
}

func texts(r safety.Result) string {
	var b strings.Builder
	for _, f := range r.Flags {
		fmt.Fprintf(&b, "%s %s %s: %s\n", f.Level, f.Code, f.Place, f.Text)
	}
	return b.String()
}

func figures(r safety.Result) string {
	var b strings.Builder
	for _, f := range r.Figures {
		fmt.Fprintf(&b, "%s %s %s at %s, limit %s %s\n", f.Code, f.Value, f.Unit, f.Place, f.Limit, f.LimitUnit)
	}
	return b.String()
}

// Every Check line that concerns a figure or flag has a case, and every case
// that flags a limit has a twin inside it.
func TestEveryCheckHasACase(t *testing.T) {
	seen, twin := map[string]bool{}, map[string]bool{}
	titles := map[string]bool{}
	for _, c := range safetytest.Cases() {
		seen[c.Check] = true
		twin[c.Check] = twin[c.Check] || c.Twin
		assert.False(t, titles[c.Title()], "two cases are named %q", c.Title())
		titles[c.Title()] = true
	}
	for _, n := range []int{1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15, 16, 17, 18, 19, 20, 21, 22, 24, 25, 26, 27, 28, 29, 30, 31, 32, 34, 35, 36, 37, 38} {
		check := fmt.Sprintf("C-%d", n)
		assert.True(t, seen[check], check)
		if n > 2 && n != 4 { // C-1, C-2 and C-4 state figures and no limit
			assert.True(t, twin[check], "%s has no twin", check)
		}
	}
}

func TestCautionNamesWhoDecides(t *testing.T) {
	for _, who := range []string{"local protocol", "product label", "licensed clinician"} {
		assert.Contains(t, safety.Caution, who)
	}
}
