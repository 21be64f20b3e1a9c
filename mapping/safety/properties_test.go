package safety_test

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"nailbridge/mapping/record"
	"nailbridge/mapping/safety"
	"nailbridge/mapping/safety/safetytest"
)

var begin = time.Date(2024, 3, 31, 9, 0, 0, 0, time.UTC)

func optional[T any](t *rapid.T, label string, g *rapid.Generator[T]) *T {
	if rapid.IntRange(0, 4).Draw(t, label+" absent") == 0 {
		return nil
	}
	v := g.Draw(t, label)
	return &v
}

func drawDecimal(t *rapid.T, label string, most int) *record.Decimal {
	v := optional(t, label, rapid.IntRange(0, most))
	if v == nil {
		return nil
	}
	return safetytest.Decimal(fmt.Sprintf("%d.%02d", *v/100, *v%100))
}

func drawAgent(t *rapid.T) record.Agent {
	a := record.Agent{
		Agent:           rapid.SampledFrom([]record.Code{"", "lidocaine", "lidocaine", "mepivacaine", "bupivacaine", "levobupivacaine", "articaine"}).Draw(t, "agent"),
		Vasoconstrictor: rapid.SampledFrom([]record.Code{"", "none", "adrenaline"}).Draw(t, "vasoconstrictor"),
		Percent:         drawDecimal(t, "percent", 400),
		ML:              drawDecimal(t, "mL", 2500),
	}
	a.Ratio = optional(t, "ratio", rapid.SampledFrom([]int64{80_000, 100_000, 200_000}))
	if rapid.Bool().Draw(t, "timed") {
		a.At = safetytest.When(begin.Add(time.Duration(rapid.IntRange(0, 90).Draw(t, "minute")) * time.Minute).Format("2006-01-02T15:04Z07:00"))
	}
	return a
}

func drawToe(t *rapid.T, n int) record.Toe {
	toe := record.Toe{Key: fmt.Sprintf("toe-%d", n), Side: "left", Digit: "1", Block: &record.Block{}}
	for range rapid.IntRange(0, 3).Draw(t, "agents") {
		toe.Block.Agents = append(toe.Block.Agents, drawAgent(t))
	}
	for i := range rapid.IntRange(0, 3).Draw(t, "periods") {
		toe.Tourniquets = append(toe.Tourniquets, drawPeriod(t, i))
	}
	b := record.Border{Border: "lateral", Matrix: &record.Matrix{Method: "chemical-ablation", Agent: rapid.SampledFrom([]record.Code{"phenol", "sodium-hydroxide"}).Draw(t, "chemical")}}
	for range rapid.IntRange(0, 3).Draw(t, "applications") {
		b.Matrix.Applications = append(b.Matrix.Applications, record.Application{Seconds: drawDecimal(t, "seconds", 20000)})
	}
	toe.Borders = []record.Border{b}
	return toe
}

func drawPeriod(t *rapid.T, n int) record.Tourniquet {
	on := rapid.IntRange(0, 60*60).Draw(t, "on")
	off := on + rapid.IntRange(0, 30*60).Draw(t, "seconds on")
	layout := rapid.SampledFrom([]string{"2006-01-02T15:04:05Z07:00", "2006-01-02T15:04Z07:00"}).Draw(t, "layout")
	at := func(s int) *record.When {
		return safetytest.When(begin.Add(time.Duration(s) * time.Second).Format(layout))
	}
	p := record.Tourniquet{Key: fmt.Sprintf("tq-%d", n), On: at(on), Off: at(off)}
	return p
}

func drawSurgery(t *rapid.T) safety.SurgeryInput {
	s := &record.Surgery{Outcome: "done", Risks: &record.Risks{CardiacDisease: rapid.SampledFrom([]record.Code{"", "no", "yes"}).Draw(t, "cardiac")},
		Weight: &record.Weight{Kg: drawDecimal(t, "kg", 12000)}}
	if rapid.Bool().Draw(t, "start recorded") {
		s.Start = safetytest.When(begin.Format("2006-01-02T15:04Z07:00"))
	}
	for i := range rapid.IntRange(1, 3).Draw(t, "toes") {
		s.Toes = append(s.Toes, drawToe(t, i))
	}
	in := safety.SurgeryInput{Surgery: s, Zone: time.UTC, AgeYears: optional(t, "age", rapid.IntRange(0, 90)),
		Formulary: safetytest.Formulary(rapid.SampledFrom([]string{"", "us-label", "ie-smpc", "au-toxicology", "test-au-dental", "test-us-dental-low", "test-podiatry-slides", "test-canada-dental", "bs-formulary", "hk-label", "test-own-interval"}).Draw(t, "set"))}
	in.Weight = rapid.SampledFrom([]safety.WeightConvention{safety.WeightRecorded, safety.WeightIdeal, safety.WeightCapped}).Draw(t, "weight convention")
	in.HeightCm, in.Sex = drawDecimal(t, "height", 20_000), rapid.SampledFrom([]record.Code{"", "male", "female"}).Draw(t, "sex")
	for i := range rapid.IntRange(0, 3).Draw(t, "others") {
		in.Others = append(in.Others, drawOther(t, i))
	}
	return in
}

func drawOther(t *rapid.T, n int) safety.GivenDose {
	at := begin.Add(-time.Duration(rapid.IntRange(-60, 26*60).Draw(t, "minutes before")) * time.Minute)
	return safety.GivenDose{Record: fmt.Sprintf("other-%d", n), Place: "/surgery/toes/t/block/agents/a", Agent: drawAgent(t), From: at, To: at, Known: true}
}

// overLimit lists the flags that more may never clear or lower. A contact time
// out of range counts only while it is over the upper bound.
func overLimit(in safety.SurgeryInput) map[string]record.Level {
	out := map[string]record.Level{}
	for _, f := range safety.Surgery(in).Flags {
		switch f.Code {
		case safety.DoseOverLimit, safety.MixtureOverLimit, safety.AdrenalineOverLimit, safety.AdrenalineOverDental, safety.DoseOver24h, safety.ToeVolumeLarge,
			safety.TourniquetOverTime, safety.ContactLong:
			out[f.Code+" "+f.Place] = f.Level
		}
	}
	for i, toe := range in.Surgery.Toes {
		total, _ := safety.ContactTotal(toe.Borders[0].Matrix)
		if total.Cmp(safetytest.Decimal("120").Rat()) <= 0 {
			continue
		}
		place := safety.BorderPlaces(safety.ToePlaces(in.Surgery)[i], &toe)[0] + "/matrix"
		for _, f := range safety.Surgery(in).Flags {
			if f.Code == safety.ContactOutOfRange && f.Place == place {
				out[f.Code+" "+place] = f.Level
			}
		}
	}
	return out
}

// add gives the patient more of one thing: dose, tourniquet time or contact.
func more(t *rapid.T, in *safety.SurgeryInput) string {
	toe := &in.Surgery.Toes[rapid.IntRange(0, len(in.Surgery.Toes)-1).Draw(t, "toe")]
	switch rapid.IntRange(0, 6).Draw(t, "more") {
	case 0:
		toe.Block.Agents = append(toe.Block.Agents, drawAgent(t))
		return "a dose"
	case 1:
		for i := range toe.Block.Agents {
			if a := &toe.Block.Agents[i]; a.ML != nil {
				extra := drawDecimal(t, "extra mL", 500)
				if extra != nil {
					a.ML = safetytest.Decimal(sum(a.ML, extra))
				}
				return "volume"
			}
		}
	case 2:
		in.Others = append(in.Others, drawOther(t, len(in.Others)))
		return "another dose of the clinic"
	case 3:
		toe.Tourniquets = append(toe.Tourniquets, drawPeriod(t, len(toe.Tourniquets)))
		return "a tourniquet period"
	case 4:
		if n := len(toe.Tourniquets); n > 0 {
			p := &toe.Tourniquets[rapid.IntRange(0, n-1).Draw(t, "period")]
			off, _ := p.Off.In(time.UTC)
			layout := "2006-01-02T15:04:05Z07:00"
			if p.Off.Precision == record.PrecisionMinute {
				layout = "2006-01-02T15:04Z07:00"
			}
			p.Off = safetytest.When(off.Add(time.Duration(rapid.IntRange(0, 3600).Draw(t, "later")) * time.Second).Format(layout))
			return "tourniquet time"
		}
	case 5:
		m := toe.Borders[0].Matrix
		m.Applications = append(m.Applications, record.Application{Seconds: drawDecimal(t, "more seconds", 10000)})
		return "an application"
	case 6:
		for i, a := range toe.Borders[0].Matrix.Applications {
			if a.Seconds != nil {
				toe.Borders[0].Matrix.Applications[i].Seconds = safetytest.Decimal(sum(a.Seconds, safetytest.Decimal("12.5")))
				return "contact time"
			}
		}
	}
	return "nothing"
}

func sum(a, b *record.Decimal) string {
	r := a.Rat()
	return r.Add(r, b.Rat()).FloatString(4)
}

func TestMoreNeverClearsOrLowersAnOverLimitFlag(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		in := drawSurgery(t)
		for range 3 {
			before := overLimit(in)
			what := more(t, &in)
			after := overLimit(in)
			for key, level := range before {
				if after[key].Rank() < level.Rank() {
					t.Fatalf("%s %s became %q with more of %s", level, key, after[key], what)
				}
			}
		}
	})
}

func TestFlagsAndFiguresAreWellFormed(t *testing.T) {
	levels, units := map[string]record.Level{}, map[string]string{}
	for _, c := range safety.FlagCodes {
		levels[c.Code] = c.Level
	}
	for _, c := range safety.FigureCodes {
		units[c.Code] = c.Unit
	}
	rapid.Check(t, func(t *rapid.T) {
		r := safety.Surgery(drawSurgery(t))
		seen := map[string]bool{}
		for _, f := range r.Flags {
			if seen[f.Code+f.Place] {
				t.Fatalf("flag %s twice at %s", f.Code, f.Place)
			}
			seen[f.Code+f.Place] = true
			if highest, listed := levels[f.Code]; !listed || f.Level.Rank() == 0 || f.Level.Rank() > highest.Rank() {
				t.Fatalf("flag %s: level %q, listed %v with %q", f.Code, f.Level, listed, highest)
			}
			if f.Text == "" || f.Check == "" || f.Place == "" {
				t.Fatalf("flag %s lacks text, check or place", f.Code)
			}
			if (f.Tag == safety.TagVia || f.Tag == safety.TagMemory) && f.Level != record.LevelNote && f.Code != safety.DoseOverLimit {
				t.Fatalf("D2.4: flag %s tagged %s is a %s", f.Code, f.Tag, f.Level)
			}
		}
		for _, f := range r.Figures {
			if seen[f.Code+f.Place] {
				t.Fatalf("figure %s twice at %s", f.Code, f.Place)
			}
			seen[f.Code+f.Place] = true
			if unit, listed := units[f.Code]; !listed || unit != f.Unit {
				t.Fatalf("figure %s has unit %q, listed %q", f.Code, f.Unit, unit)
			}
		}
	})
}

// Others come from a store in no promised order, and the fold repeats them in
// any: the answer is the same.
func TestD1_4_OrderOfOthersDoesNotMatter(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		in := drawSurgery(t)
		want := safety.Surgery(in)
		in.Others = rapid.Permutation(in.Others).Draw(t, "order")
		assert.Equal(t, want, safety.Surgery(in))
	})
}

func TestSurgeryDoesNotChangeItsInput(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		in := drawSurgery(t)
		before, err := record.Encode(&record.Record{Surgery: in.Surgery})
		require.NoError(t, err)
		safety.Surgery(in)
		after, err := record.Encode(&record.Record{Surgery: in.Surgery})
		require.NoError(t, err)
		assert.Equal(t, string(before), string(after))
	})
}

func TestD1_3_HashBindsCodePlaceAndInputs(t *testing.T) {
	in := safetytest.Quiet(begin)
	in.Toes[0].Block.Agents[0].ML = safetytest.Decimal("16")
	flag := func(f *safety.Formulary, note string) safety.Flag {
		in.Note = note
		for _, f := range safety.Surgery(safety.SurgeryInput{Surgery: in, Zone: time.UTC, Formulary: f}).Flags {
			if f.Code == safety.DoseOverLimit {
				return f
			}
		}
		t.Fatal("no flag")
		return safety.Flag{}
	}
	first := flag(safetytest.Formulary("us-label"), "")
	assert.Len(t, first.InputsHash(), 64)
	assert.Equal(t, first.InputsHash(), flag(safetytest.Formulary("us-label"), "a note").InputsHash(), "a note is no input")
	assert.NotEqual(t, first.InputsHash(), flag(safetytest.Formulary("ie-smpc"), "").InputsHash(), "another set reopens the flag")
	in.Toes[0].Block.Agents[0].ML = safetytest.Decimal("17")
	assert.NotEqual(t, first.InputsHash(), flag(safetytest.Formulary("us-label"), "").InputsHash(), "another volume reopens the flag")

	moved := first
	moved.Place += "/x"
	assert.NotEqual(t, first.InputsHash(), moved.InputsHash())
	split := safety.Flag{Code: "a", Place: "b", Inputs: []safety.Input{{Name: "c", Value: "d"}}}
	joined := safety.Flag{Code: "ab", Inputs: []safety.Input{{Name: "c", Value: "d"}}}
	assert.NotEqual(t, split.InputsHash(), joined.InputsHash(), "parts do not run together")
	louder := first
	louder.Text, louder.Level = "other words", record.LevelNote
	assert.Equal(t, first.InputsHash(), louder.InputsHash())
}

// D2.3: what the record package calls red in a surgery is flagged here too, by
// the same code, as critical.
func TestD2_3_RedFlagsOfASurgeryAreCritical(t *testing.T) {
	for _, edit := range []func(*record.Toe){
		func(t *record.Toe) { t.Tourniquets[0].Off = nil },
		func(t *record.Toe) { t.Tourniquets = nil },
		func(t *record.Toe) { t.Perfusion.Colour = "dusky" },
		func(t *record.Toe) { t.Perfusion.Colour = "white" },
		func(t *record.Toe) { t.Perfusion.Cold = "yes" },
	} {
		s := safetytest.Quiet(begin)
		edit(&s.Toes[0])
		red := record.RedFlags(&record.Record{Surgery: s})
		require.NotEmpty(t, red)
		got := map[string]record.Level{}
		for _, f := range safety.Surgery(safety.SurgeryInput{Surgery: s, Zone: time.UTC}).Flags {
			got[f.Code] = f.Level
		}
		for _, f := range red {
			assert.Equal(t, record.LevelCritical, got[f.Code], f.Code)
			assert.True(t, slices.ContainsFunc(safety.FlagCodes, func(c safety.FlagCode) bool { return c.Code == f.Code && c.Red }), f.Code)
		}
	}
}
