package oracles

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

const (
	anError  = "finding\terror\ta.json\tGoal/1\tGoal.status\tSome_Id\tno such code\n"
	aWarning = "finding\twarning\ta.json\tGoal/1\tGoal\tdom-6\tno narrative\n"
	ignored  = "filtered\terror\ta.json\tGoal/1\tGoal.note\tOther_Id\tknown to be false\n"
	unused   = "unused\tOther_Id\tGoal\tGoal.target\n"
)

func TestParseReport(t *testing.T) {
	r, err := parseReport([]byte(anError + aWarning + ignored + unused +
		"total\tinputs=2\tresources=3\terrors=1\twarnings=1\tfiltered=1\tunused=1\ttypes=Goal:1,Patient:2\n"))
	require.NoError(t, err)
	assert.Equal(t, Report{
		Findings: []Finding{
			{Level: Error, Input: "a.json", Resource: "Goal/1", Place: "Goal.status", ID: "Some_Id", Text: "no such code"},
			{Level: Warning, Input: "a.json", Resource: "Goal/1", Place: "Goal", ID: "dom-6", Text: "no narrative"},
			{Level: Error, Input: "a.json", Resource: "Goal/1", Place: "Goal.note", ID: "Other_Id",
				Text: "known to be false", Filtered: true},
		},
		Unused: []string{"Other_Id\tGoal\tGoal.target"},
		Inputs: 2, Resources: 3, Types: map[string]int{"Goal": 1, "Patient": 2},
		Errors: 1, Warnings: 1, Filtered: 1,
	}, r)
	assert.ErrorContains(t, r.Err(), "1 errors and 1 warnings in 3 resources")
	assert.NotContains(t, r.Err().Error(), "known to be false")
}

func TestReportErr(t *testing.T) {
	assert.NoError(t, Report{Inputs: 1, Filtered: 1}.Err())
	assert.Error(t, Report{Inputs: 1, Errors: 1}.Err())
	assert.Error(t, Report{Inputs: 1, Warnings: 1}.Err())
	assert.Error(t, Report{Inputs: 1, Unused: []string{"id\tGoal\tGoal"}}.Err())
}

// TestParseReportRefuses: output that is cut short or contradicts itself is no report.
func TestParseReportRefuses(t *testing.T) {
	const clean = "total\tinputs=1\tresources=1\terrors=0\twarnings=0\tfiltered=0\tunused=0\ttypes=Goal:1\n"
	_, err := parseReport([]byte(clean))
	require.NoError(t, err)
	for name, out := range map[string]string{
		"nothing":            "",
		"no total":           anError,
		"more after it":      clean + anError,
		"errors hidden":      anError + clean,
		"warnings hidden":    aWarning + clean,
		"filtered hidden":    ignored + clean,
		"unused hidden":      unused + clean,
		"unknown line":       "notice\tx\n" + clean,
		"finding cut":        "finding\terror\ta.json\n" + clean,
		"count missing":      "total\tinputs=1\n",
		"count unreadable":   "total\tinputs=one\n",
		"count unknown":      "total\tfatal=1\n",
		"types do not add":   "total\tinputs=1\tresources=2\terrors=0\twarnings=0\tfiltered=0\tunused=0\ttypes=Goal:1\n",
		"types not a number": "total\tinputs=1\tresources=2\terrors=0\twarnings=0\tfiltered=0\tunused=0\ttypes=Goal\n",
	} {
		t.Run(name, func(t *testing.T) {
			_, err := parseReport([]byte(out))
			assert.Error(t, err)
		})
	}
}

func TestCountTypes(t *testing.T) {
	got, err := CountTypes([][]byte{
		[]byte(`{"resourceType": "Patient"}`),
		[]byte(`{"resourceType": "Bundle", "entry": [{"resource": {"resourceType": "Patient"}}, {"fullUrl": "urn:x"},
			{"resource": {"resourceType": "Bundle", "entry": [{"resource": {"resourceType": "Goal"}}]}}]}`),
	})
	require.NoError(t, err)
	assert.Equal(t, map[string]int{"Patient": 2, "Bundle": 2, "Goal": 1}, got)

	_, err = CountTypes([][]byte{[]byte(`{`)})
	assert.ErrorContains(t, err, "document 1")
}

func TestCompare(t *testing.T) {
	documents := [][]byte{[]byte(`{"resourceType": "Patient"}`), []byte(`{"resourceType": "Goal"}`)}
	read := Report{Inputs: 2, Resources: 2, Types: map[string]int{"Patient": 1, "Goal": 1}}
	assert.NoError(t, Options{Documents: documents}.compare(read))
	assert.Error(t, Options{Documents: documents[:1]}.compare(read), "fewer documents than were read")
	assert.Error(t, Options{Documents: [][]byte{documents[0], documents[0]}}.compare(read), "other types")
	assert.NoError(t, Options{Paths: []string{"a"}, Expect: map[string]int{"Patient": 1, "Goal": 1}}.compare(read))
	assert.Error(t, Options{Paths: []string{"a"}, Expect: map[string]int{"Patient": 2}}.compare(read))
}

// A time is told whole or not at all.
func TestTimesThatSayNothingAreRefused(t *testing.T) {
	const total = "total\tinputs=0\tresources=0\terrors=0\twarnings=0\tfiltered=0\tunused=0\ttypes=\n"
	r, err := parseReport([]byte("timed\t4\t10000\n" + total))
	require.NoError(t, err)
	assert.Equal(t, []time.Duration{2500}, r.Rounds)
	for _, line := range []string{"timed\t0\t10", "timed\t4\t0", "timed\t4", "timed\tx\ty"} {
		_, err := parseReport([]byte(line + "\n" + total))
		assert.Error(t, err, line)
	}
}
