package followup_test

import (
	"testing"

	"github.com/stretchr/testify/assert"

	"nailbridge/mapping/followup"
	"nailbridge/mapping/record"
)

// Source: C-57, NHSN criteria. An operation on 2024-03-01 has day 30 on
// 2024-03-30; an event of 03-31 is out.
func TestC57_CriteriaOfInfection(t *testing.T) {
	infection := func(diagnosis record.Code, signs ...record.Code) *record.Infection {
		return &record.Infection{Findings: signs, Diagnosis: diagnosis}
	}
	for _, c := range []struct {
		name     string
		day      int
		f        record.BorderFindings
		met      []record.Code
		assessed bool
	}{
		{"pus on day 30", 30, record.BorderFindings{Infection: infection("", "pus")}, []record.Code{followup.CriterionPus}, true},
		{"pus on day 31", 31, record.BorderFindings{Infection: infection("", "pus")}, nil, true},
		{"purulent exudate on day 1", 1, record.BorderFindings{Exudate: "purulent"}, []record.Code{followup.CriterionPus}, true},
		{"serous exudate, as expected after phenol", 5, record.BorderFindings{Exudate: "serous"}, nil, true},
		{"opened and swollen", 5, record.BorderFindings{Opened: "yes", Infection: infection("", "swelling")}, []record.Code{followup.CriterionOpened}, true},
		{"opened without a sign", 5, record.BorderFindings{Opened: "yes"}, nil, true},
		{"swollen, not opened", 5, record.BorderFindings{Opened: "no", Infection: infection("", "swelling")}, nil, true},
		{"diagnosed", 5, record.BorderFindings{Infection: infection("cellulitis")}, []record.Code{followup.CriterionDiagnosed}, true},
		{"another diagnosis", 5, record.BorderFindings{Infection: infection("contact-dermatitis")}, nil, true},
		{"nothing recorded", 5, record.BorderFindings{WoundStage: "drying"}, nil, false},
	} {
		met, assessed := followup.Criteria(c.day, &c.f)
		assert.Equal(t, c.met, met, c.name)
		assert.Equal(t, c.assessed, assessed, c.name)
	}
}

// Source: C-58, in three grades (D2.3, common practice, no source): a
// dusky, white or cold toe and a tourniquet still on now; the signs of the same
// day; slow healing soon.
func TestC58_Escalation(t *testing.T) {
	for code, want := range map[string]followup.Escalation{
		"toe-dusky": "now", "toe-white": "now", "toe-cold": "now", "tourniquet-release-unrecorded": "now",
		"spreading-redness": "same-day", "pus": "same-day", "fever": "same-day", "bleeding-through": "same-day", "throbbing-pain": "same-day",
		"toe-numb": "same-day", "infection-sign-at-risk": "same-day", "unhealed-late": "soon", "anaesthetic-over-limit": "",
	} {
		assert.Equal(t, want, followup.EscalationOf(code), code)
	}
}
