package storetest

import (
	"time"

	"pgregory.net/rapid"

	"nailbridge/internal/searchparam"
)

// Few values, so that rows and conditions meet.
var (
	modelSystem = rapid.SampledFrom([]string{"", "http://s", "http://t"})
	modelCode   = rapid.SampledFrom([]string{"x", "y"})
	modelTo     = rapid.SampledFrom([]string{"Patient/1", "Patient/2"})
	modelText   = rapid.SampledFrom([]string{"", "e", "eve", "evelyn", "st"})
)

// modelInstant is a time within some hours, whole or down to the nanosecond,
// or none: an open end.
func modelInstant(open bool) *rapid.Generator[time.Time] {
	return rapid.Custom(func(t *rapid.T) time.Time {
		if open && rapid.IntRange(0, 4).Draw(t, "open") == 0 {
			return time.Time{}
		}
		at := t0.Add(time.Duration(rapid.IntRange(-2, 2).Draw(t, "hours")) * time.Hour)
		unit := rapid.SampledFrom([]time.Duration{0, time.Microsecond, time.Nanosecond}).Draw(t, "unit")
		return at.Add(time.Duration(rapid.IntRange(-1, 1).Draw(t, "units")) * unit)
	})
}

var modelRow = rapid.Custom(func(t *rapid.T) searchparam.Row {
	switch rapid.IntRange(0, 3).Draw(t, "kind") {
	case 0:
		return code("token", modelSystem.Draw(t, "system"), modelCode.Draw(t, "code"))
	case 1:
		return ref("reference", modelTo.Draw(t, "to"))
	case 2:
		return searchparam.Row{Param: "string", Kind: searchparam.String, Text: modelText.Draw(t, "text")}
	}
	// Values in resources are whole microseconds (D9: google/fhir cuts there).
	lo := modelInstant(true).Draw(t, "lo").Truncate(time.Microsecond)
	hi := modelInstant(true).Draw(t, "hi").Truncate(time.Microsecond)
	if !lo.IsZero() && !hi.IsZero() && hi.Before(lo) {
		lo, hi = hi, lo
	}
	return searchparam.Row{Param: "date", Kind: searchparam.Date, Lo: lo, Hi: hi}
})

var modelRows = rapid.SliceOfN(modelRow, 0, 5)

// instant is near the times at which the model committed.
func (m *model) instant() *rapid.Generator[time.Time] {
	return rapid.Custom(func(t *rapid.T) time.Time {
		at := m.now
		if len(m.versions) > 0 {
			at = rapid.SampledFrom(m.versions).Draw(t, "version").LastUpdated
		}
		return at.Add(time.Duration(rapid.IntRange(-2, 2).Draw(t, "shift")) * 500 * time.Microsecond)
	})
}

func (m *model) condition() *rapid.Generator[searchparam.Condition] {
	return rapid.Custom(func(t *rapid.T) searchparam.Condition {
		var c searchparam.Condition
		var one func(t *rapid.T) searchparam.Alternative
		switch rapid.IntRange(0, 5).Draw(t, "kind") {
		case 0:
			c.Param, c.Kind, one = "token", searchparam.Token, drawToken
		case 1:
			c.Param, c.Kind = "reference", searchparam.Reference
			one = func(t *rapid.T) searchparam.Alternative {
				return searchparam.Alternative{Code: modelTo.Draw(t, "to")}
			}
		case 2:
			c.Param, c.Kind = "string", searchparam.String
			one = func(t *rapid.T) searchparam.Alternative {
				return searchparam.Alternative{Text: modelText.Draw(t, "text")}
			}
		case 3:
			c.Param, c.Kind = "date", searchparam.Date
			one = func(t *rapid.T) searchparam.Alternative { return drawRange(t, modelInstant(false)) }
		case 4:
			c.Param, c.Kind = "_id", searchparam.Token
			one = func(t *rapid.T) searchparam.Alternative {
				return searchparam.Alternative{AnySystem: true, Code: modelRef.Draw(t, "id").ID}
			}
		default:
			c.Param, c.Kind = "_lastUpdated", searchparam.Date
			one = func(t *rapid.T) searchparam.Alternative { return drawRange(t, m.instant()) }
		}
		c.Any = rapid.SliceOfN(rapid.Custom(one), 1, 2).Draw(t, "any")
		return c
	})
}

func drawToken(t *rapid.T) searchparam.Alternative {
	a := searchparam.Alternative{Code: modelCode.Draw(t, "code")}
	switch rapid.IntRange(0, 3).Draw(t, "form") {
	case 0:
		a.AnySystem = true
	case 1:
		a.NoSystem = true
	case 2:
		a.System = "http://s"
	default:
		a.System, a.Code = "http://s", ""
	}
	return a
}

func drawRange(t *rapid.T, instant *rapid.Generator[time.Time]) searchparam.Alternative {
	a := searchparam.Alternative{Prefix: rapid.SampledFrom(prefixes).Draw(t, "prefix"), Lo: instant.Draw(t, "lo"), Hi: instant.Draw(t, "hi")}
	if a.Hi.Before(a.Lo) {
		a.Lo, a.Hi = a.Hi, a.Lo
	}
	return a
}
