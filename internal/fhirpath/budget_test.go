package fhirpath

import (
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"runtime"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/spec"
)

// large is a Bundle of about 1 MB: patients with names, and Observations with
// quantities and dates.
func large(t testing.TB) map[string]any {
	var entries []any
	for i := range 1400 {
		entries = append(entries, map[string]any{"fullUrl": fmt.Sprintf("urn:uuid:%032d", i), "resource": map[string]any{
			"resourceType": "Observation", "id": fmt.Sprint(i), "status": "final",
			"code":              map[string]any{"coding": []any{map[string]any{"system": "http://loinc.org", "code": "29463-7"}}, "text": strings.Repeat("x", 200)},
			"effectiveDateTime": "2024-05-06T07:08:09+02:00",
			"subject":           map[string]any{"reference": fmt.Sprintf("Patient/%d", i)},
			"valueQuantity": map[string]any{"value": json.Number(fmt.Sprintf("%d.%03d", i, i)), "unit": "kg",
				"system": "http://unitsofmeasure.org", "code": "kg"},
			"extension": []any{map[string]any{"url": "http://example.org/a", "valueString": strings.Repeat("y", 100)}},
		}})
	}
	tree := map[string]any{"resourceType": "Bundle", "type": "collection", "entry": entries}
	raw, err := json.Marshal(tree)
	require.NoError(t, err)
	require.Greater(t, len(raw), 950_000)
	require.Less(t, len(raw), 1_200_000)
	return parseTree(t, raw)
}

// hostile are expressions of up to 10 kB made to cost as much as they can.
func hostile() map[string]string {
	long := func(unit string) string { return strings.Repeat(unit, 10_000/len(unit)) }
	return map[string]string{
		"nested descendants":  "descendants().select(%resource.descendants().select(%resource.descendants().select(%resource.descendants())))",
		"chained descendants": "descendants()" + long(".descendants()"),
		"united descendants":  "(descendants()" + long(" | descendants()") + ").count()",
		"combined":            "descendants()" + long(".combine(descendants())"),
		"doubled":             "select($this)" + long(".combine($this.descendants())"),
		"repeat":              "repeat(descendants())",
		"repeat children":     "repeat(children() | %resource.descendants())",
		"distinct":            "descendants().distinct().count()",
		"quantities":          "descendants().ofType(Quantity).select(value.toQuantity('kg')).distinct().count()",
		"subset":              "entry.resource.value.subsetOf(%resource.entry.resource.value.where(true))",
		"equivalent":          "entry.resource.value ~ entry.resource.value.tail().combine(entry.resource.value.first())",
		"strings":             "descendants().aggregate($total & $total & 'xxxxxxxxxxxxxxxx', 'x')",
		"plus":                "descendants().aggregate($total + $total, 'xxxxxxxxx')",
		"replace":             "'" + strings.Repeat("x", 9000) + "'" + strings.Repeat(".replace('x', 'xxxxxxxxxx')", 10),
		"chars":               "descendants().select('" + long("x") + "'.toChars())",
		"regex":               "descendants().select('" + long("x") + "'.matches('(x+x+)+y'))",
		"long regex":          "('" + strings.Repeat("a", 4000) + "').matches('" + strings.Repeat("(a|b)?", 600) + "c')",
		"bounded regex":       "descendants().select('" + strings.Repeat("a", 2000) + "'.matches('((a{0,30}){0,30})b'))",
		"many regexes":        "descendants().select($index.toString()).select('aaaa'.matches('(a' + $this + '{1,900}b)'))",
		"powers":              "descendants().select(1.0000001.power(999))",
		"exponentials":        "descendants().select(1.5.exp().ln().sqrt())",
		"decimals":            "descendants().aggregate($total * 1.0000000000000000000000000001, 1.0)",
		"digits":              strings.Repeat("9", 350) + ".5" + long(" * 9.9"),
		"mod":                 "descendants().select(" + strings.Repeat("9", 300) + ".1 mod 0." + strings.Repeat("3", 300) + ")",
		"dates":               "entry.resource.effective.select(%resource.entry.resource.effective.where($this = @2024-01-01T00:00:00Z)).count()",
		"deep parentheses":    long("("),
		"deep calls":          strings.Repeat("where(", 200) + "true" + strings.Repeat(")", 200),
		"long path":           "entry" + long(".resource.entry"),
		"long sum":            "1" + long("+1"),
		"signs":               strings.Repeat("-", 200) + "1",
		"index":               "entry" + long("[0]"),
		"nested where":        "entry.where(%resource.entry.where(%resource.entry.where(%resource.entry.exists(fullUrl = 'x')).exists()).exists())",
		"all":                 "descendants().all(%resource.descendants().all(%resource.descendants().exists()))",
		"units":               "descendants().select(1 'kg' = 1 'g').count()",
		"unit strings":        "descendants().select(1 '" + strings.Repeat("Ym40.", 35) + "m' = 1 '" + strings.Repeat("Zm40.", 35) + "m')",
	}
}

// A 10 kB expression over a resource of 1 MB ends or is refused within the
// default budget: 10 million steps and 64 MiB held. The time allowed is far
// above what a quiet machine needs (a second or two); the memory is that of all
// goroutines.
func TestBudget(t *testing.T) {
	tree := large(t)
	expressions := hostile()
	for i, name := range slices.Sorted(maps.Keys(expressions)) {
		source := expressions[name]
		if testing.Short() && i%6 != 0 {
			continue
		}
		t.Run(name, func(t *testing.T) {
			require.LessOrEqual(t, len(source), 10_400)
			p, err := Compile(source, Options{})
			if err != nil {
				assert.ErrorIs(t, err, ErrSyntax)
				return
			}
			watch := watchMemory()
			start := time.Now()
			_, err = p.Eval(&Env{}, Node(tree, spec.None))
			took, peak := time.Since(start), watch()
			t.Logf("%8.3f s  %4d MB  %.60v", took.Seconds(), peak>>20, err)
			if errors.Is(err, ErrBudget) || err == nil || strings.Contains(err.Error(), "several items") || strings.Contains(err.Error(), "regular expression") {
				assert.Less(t, took, 2*time.Minute)
				assert.Less(t, peak, uint64(600<<20))
				return
			}
			t.Errorf("neither a result nor refused: %v", err)
		})
	}
}

// watchMemory samples the heap until the function it gives is called, which
// tells how much it grew.
func watchMemory() func() uint64 {
	runtime.GC()
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	base, peak := m.HeapAlloc, uint64(0)
	stop, done := make(chan bool), make(chan bool)
	go func() {
		defer close(done)
		for {
			var m runtime.MemStats
			runtime.ReadMemStats(&m)
			if m.HeapAlloc > base {
				peak = max(peak, m.HeapAlloc-base)
			}
			select {
			case <-stop:
				return
			case <-time.After(5 * time.Millisecond):
			}
		}
	}()
	return func() uint64 {
		close(stop)
		<-done
		return peak
	}
}

// An evaluation that nobody waits for any more is ended before its budget is
// spent, and one that is done by then is not.
func TestDone(t *testing.T) {
	focus, b := Node(large(t), spec.None), Budget{Steps: 20 * stepsAtOnce}
	for source, want := range map[string]error{
		"type.trace('x') | descendants().select(%resource.descendants().count())": ErrEnded,
		"type.trace('x')": nil,
	} {
		p, err := Compile(source, Options{})
		require.NoError(t, err)
		done := make(chan struct{})
		_, err = p.Eval(&Env{Done: done, Budget: b, Trace: func(string, []Item) { close(done) }}, focus)
		assert.ErrorIs(t, err, want, source)
	}
	p, err := Compile("descendants().select(%resource.descendants().count())", Options{})
	require.NoError(t, err)
	_, err = p.Eval(&Env{Done: make(chan struct{}), Budget: b}, focus)
	assert.ErrorIs(t, err, ErrBudget, "a channel that stays open ends nothing")
}

// A budget of one's own is kept.
func TestSmallBudget(t *testing.T) {
	tree := large(t)
	p, err := Compile("descendants().count()", Options{})
	require.NoError(t, err)
	_, err = p.Eval(&Env{Budget: Budget{Steps: 1000}}, Node(tree, spec.None))
	assert.ErrorIs(t, err, ErrBudget)
	_, err = p.Eval(&Env{Budget: Budget{Memory: 10_000}}, Node(tree, spec.None))
	assert.ErrorIs(t, err, ErrBudget)
	_, err = p.Eval(&Env{}, Node(tree, spec.None))
	assert.NoError(t, err)
}
