package storetest

import (
	"time"

	"pgregory.net/rapid"

	"nailbridge/internal/searchparam"
	"nailbridge/internal/store"
)

// Few values, so that rows and conditions meet.
var (
	modelSystem = rapid.SampledFrom([]string{"", "http://s", "http://t"})
	modelCode   = rapid.SampledFrom([]string{"x", "y"})
	modelTo     = rapid.SampledFrom([]string{"Patient/a", "Patient/b", "CarePlan/a", "CarePlan/c", "Patient/none", "https://else.example/Patient/a"})
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
	switch rapid.IntRange(0, 6).Draw(t, "kind") {
	case 0:
		return code("token", modelSystem.Draw(t, "system"), modelCode.Draw(t, "code"))
	case 1:
		return ref("reference", modelTo.Draw(t, "to"))
	case 2:
		return searchparam.Row{Param: "string", Kind: searchparam.String, Text: modelText.Draw(t, "text")}
	case 3:
		return searchparam.Row{Param: "string:exact", Kind: searchparam.String, Text: modelText.Draw(t, "text")}
	case 4:
		return code(searchparam.PresentParam(modelParam.Draw(t, "param")), "", "true")
	case 5:
		return searchparam.Row{Param: "quantity", Kind: searchparam.Quantity, Number: drawNumber(t, "number"),
			System: modelSystem.Draw(t, "system"), Code: modelCode.Draw(t, "code"), Unit: modelCode.Draw(t, "unit")}
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

var modelParam = rapid.SampledFrom([]string{"token", "reference", "string", "date", "quantity"})

var kindOfParam = map[string]searchparam.Kind{
	"token": searchparam.Token, "reference": searchparam.Reference, "string": searchparam.String, "date": searchparam.Date,
	"quantity": searchparam.Quantity, "_id": searchparam.Token, "_lastUpdated": searchparam.Date,
}

// drawNumber is the key of a small number.
func drawNumber(t *rapid.T, label string) string {
	key, _ := searchparam.NumberKey(rapid.SampledFrom([]string{"-1.5", "0", "0.05", "5.36", "5.4", "5.45", "12"}).Draw(t, label))
	return key
}

var modelSort = rapid.Custom(func(t *rapid.T) store.SortKey {
	p := rapid.SampledFrom([]string{"token", "reference", "string", "date", "quantity", "_id", "_lastUpdated"}).Draw(t, "param")
	return store.SortKey{Param: p, Kind: kindOfParam[p], Descending: rapid.Bool().Draw(t, "descending")}
})

// condition is one of any shape, of chains and conjunctions too.
func (m *model) condition(depth int) *rapid.Generator[searchparam.Condition] {
	return rapid.Custom(func(t *rapid.T) searchparam.Condition {
		not := rapid.IntRange(0, 3).Draw(t, "not") == 0
		switch shape := rapid.IntRange(0, 6).Draw(t, "shape"); {
		case shape == 0:
			p := modelParam.Draw(t, "param")
			return searchparam.Condition{Param: p, Kind: kindOfParam[p], Present: true, Not: not}
		case shape == 1 && depth < 2:
			typ := modelRef.Draw(t, "type").Type
			return searchparam.Condition{Param: "reference", Kind: searchparam.Reference, Not: not,
				Chain: &searchparam.Chain{Type: typ, Of: m.condition(depth+1).Draw(t, "of")}}
		case shape == 2 && depth < 2:
			all := rapid.SliceOfN(m.condition(depth+1), 1, 2)
			return searchparam.Condition{Either: rapid.SliceOfN(all, 1, 2).Draw(t, "either"), Not: not}
		}
		c := m.simple().Draw(t, "simple")
		c.Not = not
		return c
	})
}

// simple is a condition that compares values.
func (m *model) simple() *rapid.Generator[searchparam.Condition] {
	return rapid.Custom(func(t *rapid.T) searchparam.Condition {
		var c searchparam.Condition
		var one func(t *rapid.T) searchparam.Alternative
		switch rapid.IntRange(0, 8).Draw(t, "kind") {
		case 6:
			c.Param, c.Kind, one = "quantity", searchparam.Quantity, drawQuantity
		case 7:
			c.Param, c.Kind = "string:exact", searchparam.String
			one = func(t *rapid.T) searchparam.Alternative {
				return searchparam.Alternative{Exact: true, Text: modelText.Draw(t, "text")}
			}
		case 8:
			c.Param, c.Kind = "string", searchparam.String
			one = func(t *rapid.T) searchparam.Alternative {
				return searchparam.Alternative{Contains: true, Text: modelText.Draw(t, "text")}
			}
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

func drawQuantity(t *rapid.T) searchparam.Alternative {
	a := searchparam.Alternative{Prefix: rapid.SampledFrom(prefixes).Draw(t, "prefix"), Number: drawNumber(t, "number"),
		NumberLo: drawNumber(t, "lo"), NumberHi: drawNumber(t, "hi")}
	switch rapid.IntRange(0, 2).Draw(t, "form") {
	case 0:
		a.AnySystem, a.Code = true, modelCode.Draw(t, "code")
	case 1:
		a.System, a.Code = modelSystem.Draw(t, "system"), modelCode.Draw(t, "code")
	}
	return a
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
