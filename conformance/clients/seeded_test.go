package clients

import (
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
)

// seeded is a fault of a hub: it takes one query for another. "" is a query that the fault leaves alone.
type seeded struct {
	name  string
	taken func(q question) string
}

// replaced takes a pattern of the query for something else.
func replaced(name, pattern, with string) seeded {
	expression := regexp.MustCompile(pattern)
	return seeded{name, func(q question) string {
		whole := q.Type + "?" + q.Query
		_, query, _ := strings.Cut(expression.ReplaceAllString(whole, with), "?")
		if query == q.Query {
			return ""
		}
		return query
	}}
}

// faults are what an index or a matching of ours could do wrong.
var faults = []seeded{
	replaced("an expression: recorded-date reads the onset", `Condition\?recorded-date=`, "Condition?onset-date="),
	replaced("an expression: review-due counts activities that are done", `\?review-due=`, "?activity-date="),
	replaced("prefix of dates: gt as ge", `(date|birthdate|_lastUpdated)=gt`, "${1}=ge"),
	replaced("prefix of dates: sa as gt", `(date)=sa`, "${1}=gt"),
	replaced("prefix of dates: ne as eq", `(date)=ne`, "${1}=eq"),
	replaced("prefix of quantities: le as lt", `(value-quantity)=le`, "${1}=lt"),
	replaced("precision: a month as its first day", `(date=)(\d{4}-\d\d)$`, "${1}${2}-01"),
	replaced("modifier :not is not seen", `:not=`, "="),
	replaced("modifier :exact is not seen", `:exact=`, "="),
	replaced("modifier :contains is not seen", `:contains=`, "="),
	replaced("modifier :missing the other way", `:missing=true`, ":missing=false"),
	replaced("the system of a token is not compared", `urn:other%7C`, ""),
	replaced("a list is cut at its first value", `^([^,]*),.*`, "${1}"),
	replaced("the type that a modifier names is not seen", `:[A-Z][A-Za-z]+=([^/&]*)$`, "=${1}"),
	replaced("a chain goes to the resource, not through it", `patient\.[a-z-]+=[^&]*`, "patient:missing=false"),
	replaced("of two criteria one is dropped", `&.*`, ""),
}

// findsFaults: a hub with any of the faults is told from one without by these questions.
func (x *comparison) findsFaults(t *testing.T, questions []question) {
	t.Helper()
	for _, f := range faults {
		tried, found := 0, ""
		for i, q := range questions {
			query := f.taken(q)
			if query == "" {
				continue
			}
			tried++
			if found = x.differs(t, q, i, query); found != "" {
				break
			}
		}
		assert.NotEmpty(t, found, "%s: %d questions tried", f.name, tried)
		t.Logf("found: %s, after %d questions", f.name, tried)
	}
}
