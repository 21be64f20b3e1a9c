package suite

import (
	"net/url"
	"strings"
)

var planChecks = []check{
	{"hub-plan", func(t *trial) {
		plan := t.found("CarePlan?" + t.mine() + "&_elements=activity,instantiatesCanonical").matches[0]
		read := t.judging()
		protocol := text(plan, "instantiatesCanonical", 0)
		t.must(protocol != "", "a plan names no protocol")
		n := 0
		for _, step := range list(t.found("PlanDefinition?url=" + url.QueryEscape(protocol)).matches[0], "action") {
			if len(list(step, "relatedAction")) == 0 {
				continue // the operation, from which the others are counted
			}
			n++
			t.hold(planned(plan, text(step, "title")), "a review of the protocol is not planned")
		}
		t.hold(n > 0, "the protocol has no review")
		t.sawIn(read, "%d reviews of the protocol, each with its date", n)
	}},
}

// planned reports a plan that has a review of a title, with its date.
func planned(plan any, title string) bool {
	for _, a := range list(plan, "activity") {
		d := get(a, "detail")
		if strings.HasPrefix(text(d, "description"), title+":") && get(d, "scheduledPeriod", "start") != nil {
			return true
		}
	}
	return false
}
