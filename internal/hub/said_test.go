package hub

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// warnings are the texts of the outcome entry of a bundle, which has severity
// warning alone (R-OO-07).
func (b bundleJSON) warnings(t *testing.T) (texts []string) {
	t.Helper()
	for _, e := range b.Entry {
		if e.Search.Mode != "outcome" {
			continue
		}
		require.Nil(t, texts, "one outcome entry")
		for _, i := range parseOutcome(t, e.Resource).Issue {
			assert.Equal(t, "warning", i.Severity)
			texts = append(texts, i.Diagnostics)
		}
	}
	return texts
}

// R-SRCH-11, R-OO-07: R4 ignores a parameter without a value
// (search.html#errors); of each, also of those that shape the answer, the answer
// says so, as the CapabilityStatement promises, and self leaves it out.
func TestR_SRCH_11_R_OO_07_ParametersWithoutAValue(t *testing.T) {
	w := small(t)
	for _, name := range []string{"status", "_id", "_lastUpdated", "_count", "_sort", "_summary", "_total", "_format", "_pretty"} {
		for _, prefer := range []string{"handling=strict", "handling=lenient", ""} {
			for _, query := range []string{name + "=", name} {
				b := w.get("/CarePlan?patient=p1&"+query, "Prefer", prefer).bundle()
				assert.Equal(t, []string{"c2", "c1"}, b.ids(), query)
				assert.Equal(t, 2, *b.Total)
				texts := b.warnings(t)
				require.Len(t, texts, 1, query)
				assert.Contains(t, texts[0], name+" has no value")
				assert.Equal(t, base+"/CarePlan?patient=p1", b.link("self"))
			}
		}
	}
	w.get("/CarePlan?_count=&_count=").failed(400, "value")
	assert.Nil(t, w.get("/CarePlan?patient=p1").bundle().warnings(t))
}

// R-OO-07, R-SRCH-07, R-SRCH-08: what a search left out is said on each of its
// pages, forward and back, as a client may keep any of them alone.
func TestR_OO_07_WarningsAreOnEachPage(t *testing.T) {
	for query, want := range map[string]int{"status=active&foo=1&_sort=&_count=2": 2, "foo=1&_count=2": 2, "status=active&_count=2": 0} {
		w := many(t, 5)
		b := w.get("/CarePlan?"+query, "Prefer", "handling=lenient").bundle()
		said := b.warnings(t)
		require.Len(t, said, want, query)
		pages := 1
		for ; b.link("next") != ""; pages++ {
			b = w.follow(b.link("next")).bundle() // without Prefer
			assert.Equal(t, said, b.warnings(t), query)
			assert.Equal(t, said, w.follow(b.link("self")).bundle().warnings(t), query)
			criteria, _, _ := strings.Cut(b.link("self"), "_page=") // a token may hold any letters
			assert.NotContains(t, criteria, "foo")
		}
		assert.GreaterOrEqual(t, pages, 3, query)
		assert.Equal(t, said, w.follow(b.link("previous")).bundle().warnings(t), query)
	}
}

// A client knows in which zone its dates without an offset stand.
func TestTheZoneOfDatesIsNamed(t *testing.T) {
	w := newWorld(t)
	for name, want := range map[string]string{"": "UTC", "Europe/London": "Europe/London", "Pacific/Auckland": "Pacific/Auckland"} {
		var zone *time.Location
		if name != "" {
			var err error
			zone, err = time.LoadLocation(name)
			require.NoError(t, err)
		}
		h, err := New(Options{Store: w.store, BaseURL: base, Secret: secret, Zone: zone})
		require.NoError(t, err)
		w.handler = h
		text := w.get("/metadata").Body.String()
		assert.Equal(t, 2, strings.Count(text, fmt.Sprintf("stand in the zone %s.", want)), "in words and as documentation")
		assert.NotContains(t, text, "%!")
	}
}
