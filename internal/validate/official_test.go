package validate_test

import (
	"archive/tar"
	"compress/gzip"
	"encoding/json"
	"errors"
	"io"
	"os"
	"path"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/official"
	"nailbridge/internal/searchparam"
	"nailbridge/internal/validate"
	"nailbridge/mapping/resource"
	"nailbridge/mapping/terms"
)

// eachOfficial reads an archive of the official R4 data.
func eachOfficial(t *testing.T, archive string, f func(name string, b []byte)) {
	t.Helper()
	file, err := os.Open(filepath.Join(official.Dir(t), archive))
	require.NoError(t, err)
	defer func() { require.NoError(t, file.Close()) }()
	z, err := gzip.NewReader(file)
	require.NoError(t, err)
	for r := tar.NewReader(z); ; {
		h, err := r.Next()
		if errors.Is(err, io.EOF) {
			return
		}
		require.NoError(t, err)
		if path.Ext(h.Name) != ".json" {
			continue
		}
		b, err := io.ReadAll(r)
		require.NoError(t, err)
		f(path.Base(h.Name), b)
	}
}

// madeLater are types whose invariants are not needed while none is made.
var madeLater = []string{"Composition", "MedicationStatement", "Media", "Specimen"}

// notOurs are invariants of the types made that no test here breaks, with the
// reason.
var notOurs = map[string]string{
	"org-2": "no address of an organization is written",
	"org-3": "no telecom of an organization is written",
}

// Every invariant here stands in R4's StructureDefinition at the path it claims,
// as an error, or as the warning that this check sharpens; and each invariant
// that R4 puts on a type that is made is here, or listed with a reason.
func TestInvariantsAreThoseOfR4(t *testing.T) {
	type place struct{ key, path string }
	official := map[place]string{}
	eachOfficial(t, "core-4.0.1-subset.tgz", func(name string, b []byte) {
		if !strings.HasPrefix(name, "StructureDefinition-") {
			return
		}
		var d struct {
			URL, Type string
			Snapshot  struct {
				Element []struct {
					Path       string
					Constraint []struct{ Key, Severity, Source string }
				}
			}
		}
		require.NoError(t, json.Unmarshal(b, &d), name)
		if d.URL != "http://hl7.org/fhir/StructureDefinition/"+d.Type && d.URL != terms.ProfileBodyWeight {
			return // a profile that nothing made claims
		}
		for _, e := range d.Snapshot.Element {
			for _, c := range e.Constraint {
				if c.Source == "" || c.Source == d.URL || strings.HasPrefix(c.Key, "vs-") {
					official[place{c.Key, e.Path}] = c.Severity
				}
			}
		}
	})
	own := map[place]bool{{"ele-1", "Element"}: true, {"ref-1", "Reference"}: true, {"txt-1", "Narrative.div"}: true, {"txt-2", "Narrative.div"}: true}
	for _, i := range validate.Invariants() {
		own[place{i[0], i[1]}] = true
	}
	broken := map[string]bool{"ppc-2": true, "ppc-3": true, "ppc-4": true}
	for _, c := range brokenOnce {
		broken[c.key] = true
	}
	for p := range own {
		assert.Contains(t, official, p)
		want := "error"
		if p.key == "con-3" || p.key == "dom-6" {
			want = "warning"
		}
		assert.Equal(t, want, official[p], p.key)
		assert.True(t, broken[p.key], "%s is broken by a test", p.key)
	}
	made := map[string]bool{}
	for _, typ := range searchparam.CareTypes() {
		made[typ] = true
	}
	for _, typ := range madeLater {
		delete(made, typ)
	}
	missing := 0
	for p := range official {
		typ, _, _ := strings.Cut(p.path, ".")
		generic := p.key == "ele-1" || p.key == "ext-1" || strings.HasPrefix(p.key, "dom-")
		if made[typ] && !generic && !own[p] {
			missing++
			assert.Contains(t, notOurs, p.key, p.path)
		}
	}
	assert.Len(t, notOurs, missing, "each reason is still needed")
}

// alarms are the official examples for which something here is right to speak,
// with the reason. What speaks no more fails the test until it is taken off.
var alarms = map[string]string{
	"Observation-clinical-gender.json": "proto: a performer of a type that R4 does not allow",
}

// None of the official examples of the types made raises a false alarm, but
// for their codes and references, which are not ours, and for the narrative,
// which R4 leaves to choice.
func TestOfficialExamplesRaiseNoAlarm(t *testing.T) {
	tried := map[string]int{}
	eachOfficial(t, "examples-4.0.1-subset.tgz", func(name string, b []byte) {
		r, err := resource.FromJSON(b)
		if err != nil {
			return
		}
		known := false
		for _, typ := range searchparam.CareTypes() {
			known = known || r.Type() == typ
		}
		if !known {
			return
		}
		tried[r.Type()]++
		_, issues := validate.Check([]resource.Resource{r}, func(resource.Ref) bool { return true }, codes, licensed)
		var raised []string
		for _, i := range issues {
			switch i.Key {
			case "D7.4", "D7.1", "ucum", "ref", "dom-6":
				continue
			}
			raised = append(raised, i.Key+" at "+i.Path)
		}
		if reason, listed := alarms[name]; listed {
			assert.NotEmpty(t, raised, "%s raises nothing, though listed: %s", name, reason)
			return
		}
		assert.Empty(t, raised, name)
	})
	for _, typ := range []string{"Patient", "Procedure", "Observation", "Condition", "CarePlan", "MedicationAdministration", "Consent", "Goal", "Encounter"} {
		assert.Positive(t, tried[typ], typ)
	}
}
