package safety_test

import (
	"math/big"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/mapping/record"
	"nailbridge/mapping/safety"
	"nailbridge/mapping/safety/safetytest"
)

func dose(agent record.Code, percent, mL string, vasoconstrictor record.Code, at time.Time) safety.GivenDose {
	return safety.GivenDose{Place: "/surgery/toes/t/block/agents/" + mL, From: at, To: at, Known: true,
		Agent: record.Agent{Agent: agent, Percent: safetytest.Decimal(percent), ML: safetytest.Decimal(mL), Vasoconstrictor: vasoconstrictor}}
}

func flagOf(r safety.Result, code string) *safety.Flag {
	for i := range r.Flags {
		if r.Flags[i].Code == code {
			return &r.Flags[i]
		}
	}
	return nil
}

func figureOf(r safety.Result, code string) string {
	for _, f := range r.Figures {
		if f.Code == code {
			return f.Value
		}
	}
	return ""
}

func input(set string, visit ...safety.GivenDose) safety.DoseInput {
	age := 40
	return safety.DoseInput{Visit: visit, WeightKg: safetytest.Decimal("70"), AgeYears: &age, Formulary: safetytest.Formulary(set)}
}

// A flag is a sentence fit to show: inputs, limit, set and source, and that the
// total covers this clinic's records only.
func TestOverLimitSaysHowItWasFound(t *testing.T) {
	in := input("ie-smpc", dose("lidocaine", "2", "6", "none", begin))
	other := dose("lidocaine", "2", "5", "none", begin.Add(-23*time.Hour))
	other.Record = "s-1"
	in.Others = []safety.GivenDose{other}
	f := flagOf(safety.Dose(in), safety.DoseOverLimit)
	require.NotNil(t, f)
	assert.Equal(t, "Lidocaine 220 mg over this visit and 1 other dose in this clinic's records of the 24 h before is over the limit of 200 mg: "+
		"set Irish summary of product characteristics, the lower of 4.5 mg/kg × 70 kg (weight as recorded) = 315 mg, ceiling 200 mg (one figure for adults and for ages 12 to 18). "+
		"Source: HPRA summary of product characteristics, lidocaine hydrochloride 2 % w/v, section 4.2 [read].", f.Text)
	assert.Equal(t, "/surgery/anaesthetic/lidocaine", f.Place)
	assert.Equal(t, []safety.Input{{Name: "dose", Value: "120", Unit: "mg"}, {Name: "dose of record s-1", Value: "100", Unit: "mg"},
		{Name: "weight", Value: "70", Unit: "kg"}, {Name: "set", Value: "ie-smpc"}, {Name: "limit", Value: "200", Unit: "mg"}}, f.Inputs)
}

func TestPlainAndWithAdrenalineShareTheLowerLimit(t *testing.T) {
	r := safety.Dose(input("us-label", dose("lidocaine", "2", "10", "adrenaline", begin), dose("lidocaine", "2", "5.01", "none", begin)))
	f := flagOf(r, safety.DoseOverLimit)
	require.NotNil(t, f, "300.2 mg against the 300 mg of plain lidocaine")
	assert.Contains(t, f.Text, "the lower limit holds")
	assert.Nil(t, flagOf(safety.Dose(input("us-label", dose("lidocaine", "2", "15.01", "adrenaline", begin))), safety.DoseOverLimit))
}

// A sum that lacks an amount would pass for the whole dose: 0 mg where no
// volume is recorded.
func TestATotalThatLacksAnAmountIsNoFigure(t *testing.T) {
	unknown := safety.GivenDose{Agent: record.Agent{Agent: "lidocaine", Percent: safetytest.Decimal("2")}, From: begin, To: begin, Known: true}
	for _, in := range []safety.DoseInput{input("us-label", unknown), input("us-label", dose("lidocaine", "2", "3", "none", begin), unknown)} {
		r := safety.Dose(in)
		assert.NotNil(t, flagOf(r, safety.DoseNotComputable))
		for _, code := range []string{safety.DoseTotal, safety.DosePerKg, safety.DosePercent, safety.DoseRemaining} {
			assert.Empty(t, figureOf(r, code), code)
		}
	}
	r := safety.Dose(input("us-label", dose("lidocaine", "2", "25.01", "none", begin), unknown))
	assert.NotNil(t, flagOf(r, safety.DoseOverLimit), "what is known passes the limit already")
	with := dose("lidocaine", "2", "2", "adrenaline", begin)
	ratio := int64(200_000)
	with.Agent.Ratio = &ratio
	unknown.Agent.Vasoconstrictor = "adrenaline"
	assert.Equal(t, "10", figureOf(safety.Dose(input("us-label", with)), safety.AdrenalineTotal))
	assert.Empty(t, figureOf(safety.Dose(input("us-label", with, unknown)), safety.AdrenalineTotal))
}

// An unrecorded vasoconstrictor takes every limit of the agent that there is.
func TestVasoconstrictorNotRecorded(t *testing.T) {
	assert.NotNil(t, flagOf(safety.Dose(input("us-label", dose("lidocaine", "2", "15.01", "", begin))), safety.DoseOverLimit))
	r := safety.Dose(input("test-canada-dental", dose("lidocaine", "2", "25", "", begin)))
	assert.NotNil(t, flagOf(r, safety.DoseOverLimit), "500 mg pass even the limit with adrenaline, 490 mg")
	r = safety.Dose(input("test-canada-dental", dose("lidocaine", "2", "24", "", begin)))
	assert.NotNil(t, flagOf(r, safety.LimitNotInSet))
	assert.Empty(t, figureOf(r, safety.DosePercent), "no percentage of a limit that may not apply")
}

// D2.4: a limit that was read and is passed stays critical when a lower one
// that was not read is passed too.
func TestD2_4_ReadLimitIsNotLoweredByAnUnreadOne(t *testing.T) {
	in := input("us-label", dose("lidocaine", "2", "26", "adrenaline", begin), dose("lidocaine", "2", "1", "none", begin))
	for i := range in.Formulary.Entries {
		if e := &in.Formulary.Entries[i]; !e.Vasoconstrictor {
			e.CeilingMg, e.Tag = big.NewRat(100, 1), safety.TagMemory
		}
	}
	f := flagOf(safety.Dose(in), safety.DoseOverLimit)
	require.NotNil(t, f)
	assert.Equal(t, record.LevelCritical, f.Level)
	in.Visit = in.Visit[1:]
	in.Visit[0].Agent.ML = safetytest.Decimal("10")
	f = flagOf(safety.Dose(in), safety.DoseOverLimit)
	require.NotNil(t, f)
	assert.Equal(t, record.LevelNote, f.Level, "the unread limit alone is a note")
	assert.Contains(t, f.Text, "[memory]")
}

func TestAgeNotKnownTakesTheLimitForAdults(t *testing.T) {
	f, err := safety.Parse([]byte(whole))
	require.NoError(t, err)
	in := input("", dose("lidocaine", "2", "1", "none", begin))
	in.Formulary, in.AgeYears = f, nil
	r := safety.Dose(in)
	assert.NotNil(t, flagOf(r, safety.AgeNotKnown))
	assert.Equal(t, "10", figureOf(r, safety.DosePercent), "20 mg of the 200 mg from 18 years")
}

func TestC19_WindowOfOtherDoses(t *testing.T) {
	other := func(at time.Time) safety.GivenDose { return dose("lidocaine", "2", "5", "none", at) }
	for _, c := range []struct {
		name  string
		other safety.GivenDose
		total string
	}{
		{"one nanosecond inside 24 h", other(begin.Add(-24*time.Hour + 1)), "140"},
		{"24 h", other(begin.Add(-24 * time.Hour)), "40"},
		{"at the same time", other(begin), "140"},
		{"later: it counts at its own visit", other(begin.Add(time.Second)), "40"},
		{"no time known", safety.GivenDose{Agent: other(begin).Agent}, "40"},
	} {
		t.Run(c.name, func(t *testing.T) {
			in := input("us-label", dose("lidocaine", "2", "2", "none", begin))
			in.Others = []safety.GivenDose{c.other}
			r := safety.Dose(in)
			assert.Equal(t, c.total, figureOf(r, safety.DoseTotal))
			assert.Equal(t, c.total == "140", flagOf(r, safety.RepeatedWithin24h) != nil)
		})
	}
}

// A date alone counts when the dose may have been given within the 24 h.
func TestC19_DateAloneCountsWhenItMay(t *testing.T) {
	zone, err := time.LoadLocation("Europe/Berlin")
	require.NoError(t, err)
	now := safetytest.Quiet(begin) // 2024-03-31, 11:00 in Berlin, the day summer time began
	total := func(day string) string {
		earlier := safetytest.Quiet(begin)
		earlier.Start, earlier.Toes[0].Block.Agents[0].At = safetytest.When(day), nil
		return figureOf(safety.Surgery(safety.SurgeryInput{Surgery: now, Zone: zone, Others: safety.GivenDoses("s-1", earlier, zone)}), safety.DoseTotal)
	}
	assert.Equal(t, "80", total("2024-03-31"))
	assert.Equal(t, "80", total("2024-03-30"), "the evening before may be within 24 h")
	assert.Equal(t, "40", total("2024-03-29"))
	assert.Equal(t, "40", total("2024-03"), "a month alone counts nowhere")
}

// Where a time is not known to the day, another dose that may be of the same
// 24 h is told of, and is in no total; one that cannot be is not.
func TestC19_ATimeNotKnown(t *testing.T) {
	at := func(start string) *record.Surgery {
		s := safetytest.Quiet(begin) // 2024-03-31
		s.Start, s.End, s.Toes[0].Block.Agents[0].At = nil, nil, nil
		if start != "" {
			s.Start = safetytest.When(start)
		}
		return s
	}
	for _, c := range []struct {
		this, other string
		flagged     bool
		total       string
	}{
		{"", "2024-03-31T08:00Z", true, "40"},
		{"", "", true, "40"},
		{"2024-03-31T09:00Z", "", true, "40"},
		{"2024-03-31T09:00Z", "2024-03", true, "40"},
		{"2024-03-31T09:00Z", "2024", true, "40"},
		{"2024-03-31T09:00Z", "2024-02", false, "40"},
		{"2024-03-31T09:00Z", "2023", false, "40"},
		{"2024-04-01T09:00Z", "2024-03", true, "40"}, // the evening of the last day of March
		{"2024-04-02", "2024-03", false, "40"},       // 24 h after its last instant at the earliest
		{"2024-03", "2024-03", true, "40"},
		{"2024-03", "2014-06", false, "40"},
		{"2024-03-31T09:00Z", "2024-03-31T08:00Z", false, "80"},
	} {
		t.Run(c.this+" after "+c.other, func(t *testing.T) {
			in := safety.SurgeryInput{Surgery: at(c.this), Zone: time.UTC, Others: safety.GivenDoses("s-1", at(c.other), time.UTC)}
			r := safety.Surgery(in)
			f := flagOf(r, safety.RepeatTimeNotKnown)
			assert.Equal(t, c.flagged, f != nil)
			assert.Equal(t, c.total, figureOf(r, safety.DoseTotal))
			if c.flagged {
				assert.Equal(t, []safety.Input{{Name: "dose of record s-1", Value: "time not known"}}, f.Inputs)
			}
		})
	}
}

func TestNoCeilingShowsMassesOnly(t *testing.T) {
	r := safety.Surgery(safety.SurgeryInput{Surgery: safetytest.Quiet(begin), Zone: time.UTC})
	for _, f := range r.Figures {
		assert.NotContains(t, []string{safety.DosePerKg, safety.DosePercent, safety.DoseRemaining, safety.DoseMaxVolume}, f.Code)
	}
	assert.NotNil(t, flagOf(r, safety.NoCeilingChosen))
}

// What was not done raises no flag for what it lacks.
func TestSurgeryNotDone(t *testing.T) {
	s := &record.Surgery{Outcome: "not-done", Toes: []record.Toe{{Side: "left", Digit: "1", Borders: []record.Border{{Border: "medial"}}}}}
	assert.Empty(t, safety.Surgery(safety.SurgeryInput{Surgery: s, Zone: time.UTC}).Flags)
}

func TestRefillLimitOfAgeIsNamed(t *testing.T) {
	s := safetytest.Quiet(begin)
	s.Toes[0].Perfusion.RefillSeconds = safetytest.Decimal("3")
	adult, child := 40, 8
	r := safety.Perfusion("/t", s.Toes[0], &adult)
	f := flagOf(r, safety.RefillSlow)
	require.NotNil(t, f, "C-44: 3 s is flagged under a 2 s limit")
	assert.Contains(t, f.Text, "over 2 s")
	assert.Empty(t, safety.Perfusion("/t", s.Toes[0], &child).Flags, "C-44: and not under 4 s")
}

// Two toes without key, and keys with characters of a path, keep paths apart.
func TestPlacesAreUniqueAndEscaped(t *testing.T) {
	s := &record.Surgery{Toes: []record.Toe{{Side: "left", Digit: "1"}, {Side: "left", Digit: "1"}, {}, {Key: "a/b~c"}}}
	assert.Equal(t, []string{"/surgery/toes/left-1#1", "/surgery/toes/left-1#2", "/surgery/toes/#1", "/surgery/toes/:a%2Fb~0c"}, safety.ToePlaces(s))
}
