package terms

import (
	"encoding/json"
	"slices"
	"strings"
	"testing"

	"github.com/google/fhir/go/fhirversion"
	"github.com/google/fhir/go/jsonformat"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// Every artifact is FHIR R4 as google/fhir reads it, has a narrative, and what
// it names inside our base exists.
func TestArtifactsAreR4(t *testing.T) {
	un, err := jsonformat.NewUnmarshaller("UTC", fhirversion.R4)
	require.NoError(t, err)
	arts := MustLoad().Artifacts(licensed)
	urls := map[string]bool{}
	for _, a := range arts {
		assert.False(t, urls[a.URL], "%s stands twice", a.URL)
		urls[a.URL] = true
	}
	for _, a := range arts {
		_, err := un.Unmarshal(a.JSON)
		require.NoError(t, err, a.URL)
		assert.Equal(t, CanonicalBase+"/"+a.Type+"/"+a.ID, a.URL)
		var head struct {
			ResourceType, ID, Version, Name, Status, Publisher, Description string
			ValueSet, SourceCanonical                                       string
			Text                                                            struct{ Status, Div string }
		}
		require.NoError(t, json.Unmarshal(a.JSON, &head))
		assert.Equal(t, []string{a.Type, a.ID, a.Version}, []string{head.ResourceType, head.ID, head.Version})
		assert.Regexp(t, `^[A-Z]([A-Za-z0-9_]){0,254}$`, head.Name, "cnl-0 and its like (csd-0, vsd-0, cmd-0, sdf-0)")
		assert.Equal(t, "active", head.Status)
		assert.NotEmpty(t, head.Description)
		assert.Contains(t, head.Text.Div, "<div")
		for _, c := range []string{head.ValueSet, head.SourceCanonical} {
			if c != "" {
				assert.True(t, urls[c], "%s names %s", a.URL, c)
			}
		}
	}
	for _, u := range []string{ExtSecondsNotRecorded, ExtPlanActivity, ExtPlannedReview, ExtReplacesActivity, ExtFlagInputsHash,
		ExtClinicRecord, ExtStatedReview, ExtFollowUpStopped, ExtAnswersActivity, ExtCountsAsReview, ExtPlannedTime, ExtStatedCancellation, ExtContactReason,
		ExtUnnumberedPerson, ExtTimeAsRecorded} {
		assert.True(t, urls[u], u)
	}
}

// cmd-1: if the map is narrower or inexact, there shall be some comments.
func TestCmd1_NarrowerHasComment(t *testing.T) {
	for id, cm := range MustLoad().maps {
		for _, g := range cm.Group {
			for _, e := range g.Element {
				for _, x := range e.Target {
					if x.Equivalence == "narrower" || x.Equivalence == "inexact" {
						assert.NotEmpty(t, x.Comment, "%s %s", id, e.Code)
					}
				}
			}
		}
	}
}

// A map served under a setting has no code that may not leave (D7.1), and a
// map with SNOMED CT says whose it is.
func TestD7_1_ServedMapsHonourTheSetting(t *testing.T) {
	ts := MustLoad()
	count := func(s Setting) (affiliate, sct, hcpcs int) {
		for _, a := range ts.Artifacts(s) {
			if a.Type != "ConceptMap" {
				continue
			}
			var cm conceptMap
			require.NoError(t, json.Unmarshal(a.JSON, &cm))
			for _, g := range cm.Group {
				require.NotEmpty(t, g.Element)
				for _, e := range g.Element {
					for _, x := range e.Target {
						switch {
						case g.Target == HCPCS:
							hcpcs++
						case g.Target == SNOMEDCT && ts.evidence[SNOMEDCT][x.Code].Licence == "affiliate":
							affiliate++
							fallthrough
						case g.Target == SNOMEDCT:
							sct++
							assert.Contains(t, cm.Copyright, "SNOMED International")
						case g.Target == LOINC:
							assert.Contains(t, cm.Copyright, "Regenstrief")
						}
					}
				}
			}
		}
		return affiliate, sct, hcpcs
	}
	affiliate, sct, hcpcs := count(free)
	assert.Zero(t, affiliate)
	assert.Positive(t, sct)
	assert.Equal(t, 10, hcpcs)
	affiliate, _, _ = count(licensed)
	assert.Positive(t, affiliate)
	affiliate, sct, hcpcs = count(off)
	assert.Zero(t, affiliate+sct+hcpcs)
}

func TestSameBytesTwice(t *testing.T) {
	a, b := MustLoad(), MustLoad()
	assert.Equal(t, a.Artifacts(free), b.Artifacts(free))
	assert.Equal(t, a.Fragments(licensed), b.Fragments(licensed))
	assert.Equal(t, a.Share(), b.Share())
}

// The fragments hold every SNOMED CT, LOINC and HCPCS code that can leave, with
// its display, so that a validator outside knows each.
func TestFragmentsHoldWhatCanLeave(t *testing.T) {
	ts := MustLoad()
	known := map[Coding]bool{}
	for _, f := range ts.Fragments(licensed) {
		var cs codeSystem
		require.NoError(t, json.Unmarshal(f.JSON, &cs))
		assert.Equal(t, "fragment", cs.Content)
		assert.Equal(t, f.URL, cs.URL)
		for _, c := range cs.Concept {
			known[Coding{cs.URL, c.Code, c.Display}] = true
		}
	}
	n := 0
	for use := range ts.uses {
		for _, code := range ts.Codes(use) {
			for _, x := range ts.Translate(use, code, licensed).Codings {
				if x.System == SNOMEDCT || x.System == LOINC || x.System == HCPCS {
					n++
					assert.True(t, known[x], x)
				}
			}
		}
	}
	assert.Greater(t, n, 100)
}

// D7.1: the fragments of a setting hold no code that may not leave under it, and
// each says whose its system is.
func TestD7_1_FragmentsKeepToTheSetting(t *testing.T) {
	ts := MustLoad()
	held := map[string]int{}
	for _, f := range ts.Fragments(free) {
		var cs codeSystem
		require.NoError(t, json.Unmarshal(f.JSON, &cs))
		assert.NotEmpty(t, cs.Copyright, f.ID)
		for _, c := range cs.Concept {
			held[f.URL]++
			assert.True(t, ts.Permits(free, Coding{cs.URL, c.Code, c.Display}), c.Code)
		}
	}
	all := map[string]int{}
	for _, f := range ts.Fragments(licensed) {
		var cs codeSystem
		require.NoError(t, json.Unmarshal(f.JSON, &cs))
		all[f.URL] = len(cs.Concept)
	}
	assert.Less(t, held[SNOMEDCT], all[SNOMEDCT])
	assert.Equal(t, all[LOINC], held[LOINC])
}

// No two local codes mean the same: no display stands twice, in any letter
// case, but for those named here with the reason.
func TestNoTwoLocalCodesOfOneMeaning(t *testing.T) {
	const (
		cause   = "the flag is named by the recorded sign that raised it; a flag is not a finding"
		agent   = "one is a substance injected, the other a substance asked about; the elements differ"
		kept    = "the tag on the plan and the flag say the same thing in two elements"
		context = "the same word of two closed lists of the record, about different things"
	)
	allowed := map[string]string{
		"allergen#lidocaine anaesthetic#lidocaine":                           agent,
		"allergen#articaine anaesthetic#articaine":                           agent,
		"allergen#levobupivacaine anaesthetic#levobupivacaine":               agent,
		"allergen#mepivacaine anaesthetic#mepivacaine":                       agent,
		"allergen#prilocaine anaesthetic#prilocaine":                         agent,
		"allergen#ropivacaine anaesthetic#ropivacaine":                       agent,
		"flush#chlorhexidine-alcohol skin-preparation#chlorhexidine-alcohol": "one is what a chemical was washed out with, the other what the skin was prepared with",
		"allergen#bupivacaine anaesthetic#bupivacaine":                       agent,
		"contact-reason#bleeding surgery-event#bleeding":                     context + ": why a patient called, what happened in a sitting",
		"discharge-reason#healed wound-stage#healed":                         context + ": why a border was discharged, how its wound looks",
		"contact-reason#other discharge-reason#other":                        context + ": an unlisted reason of another act",
		"flag#spreading-redness infection-finding#spreading-redness":         cause,
		"flag#pus infection-finding#pus":                                     cause,
		"flag#fever infection-finding#fever":                                 cause,
		"flag#throbbing-pain infection-finding#throbbing-pain":               cause,
		"flag#bleeding-through infection-finding#bleeding-through":           cause,
		"flag#newer-record-held tag#newer-record-held":                       kept,
	}
	same := map[string][]string{}
	ts := MustLoad()
	for id, cs := range ts.systems {
		for _, c := range cs.Concept {
			key := strings.ToLower(c.Display)
			same[key] = append(same[key], id+"#"+c.Code)
		}
	}
	for display, codes := range same {
		if len(codes) < 2 {
			continue
		}
		slices.Sort(codes)
		key := strings.Join(codes, " ")
		assert.Contains(t, allowed, key, display)
		delete(allowed, key)
	}
	assert.Empty(t, allowed, "allowances that nothing needs")
}
