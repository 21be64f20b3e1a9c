package fhirpath

import (
	"strings"

	"nailbridge/internal/fhirpath/temporal"
	"nailbridge/internal/fhirpath/value"
)

// anyNumber stands for as many arguments as one likes.
const anyNumber = 1 << 10

// The tables are filled at start, since the functions refer to them in turn.
func init() {
	type test = struct {
		min, max int
		run      tester
	}
	predicates = map[string]test{
		"empty": {0, 0, ofList(runEmpty)}, "exists": {0, 1, ofList(runExists)}, "not": {0, 0, runNot}, "all": {1, 1, ofList(runAll)},
		"allTrue": {0, 0, quantified(false, False)}, "anyTrue": {0, 0, quantified(true, True)},
		"allFalse": {0, 0, quantified(true, False)}, "anyFalse": {0, 0, quantified(false, True)},
		"subsetOf": {1, 1, subset(true)}, "supersetOf": {1, 1, subset(false)}, "isDistinct": {0, 0, ofList(runIsDistinct)},

		"startsWith": {1, 1, stringTest(strings.HasPrefix)}, "endsWith": {1, 1, stringTest(strings.HasSuffix)},
		"contains": {1, 1, stringTest(strings.Contains)}, "matches": {1, 1, runMatches},

		"convertsToBoolean": {0, 0, convertsTo(value.ToBoolean)}, "convertsToInteger": {0, 0, convertsTo(value.ToInteger)},
		"convertsToDecimal": {0, 0, convertsTo(value.ToDecimal)}, "convertsToDate": {0, 0, convertsTo(value.ToDate)},
		"convertsToDateTime": {0, 0, convertsTo(value.ToDateTime)}, "convertsToTime": {0, 0, convertsTo(value.ToTime)},
		"convertsToString": {0, 0, convertsTo(value.ToString)}, "convertsToQuantity": {0, 1, runConvertsToQuantity},

		"hasValue": {0, 0, ofList(runHasValue)}, "memberOf": {1, 1, runMemberOf}, "conformsTo": {1, 1, runConformsTo},
		"subsumes": {1, 1, subsumption(true)}, "subsumedBy": {1, 1, subsumption(false)}, "htmlChecks": {0, 0, runHTMLChecks},
	}
	functions = map[string]function{
		"distinct": {0, 0, onList(runDistinct)}, "count": {0, 0, onList(runCount)}, "where": {1, 1, onList(runWhere)}, "select": {1, 1, onList(runSelect)},
		"repeat": {1, 1, runRepeat}, "single": {0, 0, runSingle},
		"first":     {0, 0, part(func(l []Item) []Item { return l[:1] })},
		"last":      {0, 0, part(func(l []Item) []Item { return l[len(l)-1:] })},
		"tail":      {0, 0, part(func(l []Item) []Item { return l[1:] })},
		"skip":      {1, 1, counted(func(l []Item, n int) []Item { return l[n:] })},
		"take":      {1, 1, counted(func(l []Item, n int) []Item { return l[:n] })},
		"intersect": {1, 1, runIntersect}, "exclude": {1, 1, runExclude}, "union": {1, 1, runUnion}, "combine": {1, 1, runCombine},
		"iif": {2, 3, runIif}, "aggregate": {1, 2, onList(runAggregate)},

		"toBoolean": {0, 0, convertTo(value.ToBoolean)}, "toInteger": {0, 0, convertTo(value.ToInteger)}, "toDecimal": {0, 0, convertTo(value.ToDecimal)},
		"toDate": {0, 0, convertTo(value.ToDate)}, "toDateTime": {0, 0, convertTo(value.ToDateTime)}, "toTime": {0, 0, convertTo(value.ToTime)},
		"toString": {0, 0, convertTo(value.ToString)}, "toQuantity": {0, 1, runToQuantity},

		"indexOf": {1, 1, runIndexOf}, "substring": {1, 2, runSubstring}, "upper": {0, 0, stringMap(strings.ToUpper)},
		"lower": {0, 0, stringMap(strings.ToLower)}, "replace": {2, 2, runReplace}, "replaceMatches": {2, 2, runReplaceMatches},
		"length": {0, 0, runLength}, "toChars": {0, 0, runToChars},

		"abs": {0, 0, runAbs}, "ceiling": {0, 0, numeric(1, value.Ceiling)}, "floor": {0, 0, numeric(1, value.Floor)},
		"truncate": {0, 0, numeric(1, value.Truncate)}, "exp": {0, 0, numeric(value.SeriesCost, value.Exp)},
		"ln": {0, 0, numeric(value.SeriesCost, value.Ln)}, "sqrt": {0, 0, numeric(value.SeriesCost, value.Sqrt)},
		"log": {1, 1, numeric2(value.Log)}, "power": {1, 1, numeric2(value.Power)}, "round": {0, 1, runRound},

		"children": {0, 0, onList(runChildren)}, "descendants": {0, 0, onList(runDescendants)}, "trace": {1, 2, runTrace}, "type": {0, 0, onList(runType)},
		"now":       {0, 0, clock(func(v temporal.Value) Item { return value.Temporal(v) })},
		"today":     {0, 0, clock(func(v temporal.Value) Item { return value.Temporal(v.AsDate()) })},
		"timeOfDay": {0, 0, clock(func(v temporal.Value) Item { return value.Temporal(v.AsTime()) })},

		"extension": {1, 1, runExtension}, "getValue": {0, 0, onList(runGetValue)}, "resolve": {0, 0, onList(runResolve)},
		"checkModifiers": {0, anyNumber, runCheckModifiers}, "elementDefinition": {0, 0, onList(runElementDefinition)}, "slice": {2, 2, onList(runSlice)},
	}
}
