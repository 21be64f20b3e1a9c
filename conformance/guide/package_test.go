package guide_test

import (
	"archive/tar"
	"bytes"
	"compress/gzip"
	"encoding/json"
	"errors"
	"io"
	"path"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/conformance/guide"
	"nailbridge/conformance/oracles"
	"nailbridge/internal/validate"
	"nailbridge/internal/validate/defs"
	"nailbridge/internal/validate/engine"
	"nailbridge/mapping/profiles"
)

// opened is a package: its files by name, in their order.
type opened struct {
	names []string
	files map[string][]byte
}

func packed(t testing.TB) opened {
	t.Helper()
	var b bytes.Buffer
	require.NoError(t, guide.Write(&b))
	z, err := gzip.NewReader(&b)
	require.NoError(t, err)
	out := opened{files: map[string][]byte{}}
	for r := tar.NewReader(z); ; {
		h, err := r.Next()
		if errors.Is(err, io.EOF) {
			return out
		}
		require.NoError(t, err)
		text, err := io.ReadAll(r)
		require.NoError(t, err)
		assert.NotContains(t, out.files, h.Name)
		out.names, out.files[h.Name] = append(out.names, h.Name), text
	}
}

// in lists the resources of one folder.
func (o opened) in(folder string) (out [][]byte) {
	for _, n := range o.names {
		if base := path.Base(n); path.Dir(n) == folder && base != "package.json" && base != ".index.json" {
			out = append(out, o.files[n])
		}
	}
	return out
}

// The package is one of FHIR's form (https://hl7.org/fhir/packages.html): a manifest
// whose canonical is what that of the guide begins with, and an index of each folder
// that says of each of its resources what it says of itself, as far as that is text;
// and it is the same bytes each time.
func TestPackage(t *testing.T) {
	o := packed(t)
	var m struct {
		Name, Version, Canonical, Type, Author, Description, License string
		FHIRVersions                                                 []string
		Dependencies                                                 map[string]string
	}
	require.NoError(t, json.Unmarshal(o.files["package/package.json"], &m))
	assert.Equal(t, guide.PackageID, m.Name)
	assert.Equal(t, guide.Version, m.Version)
	assert.Equal(t, []string{"4.0.1"}, m.FHIRVersions)
	assert.Equal(t, map[string]string{"hl7.fhir.r4.core": "4.0.1"}, m.Dependencies)
	assert.Equal(t, "IG", m.Type)
	assert.Regexp(t, `^([a-z][a-z0-9-]*\.)+[a-z][a-z0-9-]*$`, m.Name)
	assert.NotContains(t, []string{m.Author, m.Description, m.License}, "")
	var whole struct{ URL, Version, PackageID, License string }
	require.NoError(t, json.Unmarshal(o.files["package/ImplementationGuide-"+m.Name+".json"], &whole))
	assert.Equal(t, m.Canonical+"/ImplementationGuide/"+m.Name, whole.URL)
	assert.Equal(t, []string{m.Version, m.Name, m.License}, []string{whole.Version, whole.PackageID, whole.License})
	for _, folder := range []string{"package", "package/example"} {
		var index struct {
			IndexVersion int `json:"index-version"`
			Files        []map[string]string
		}
		require.NoError(t, json.Unmarshal(o.files[folder+"/.index.json"], &index))
		assert.Equal(t, 2, index.IndexVersion)
		assert.Len(t, index.Files, len(o.in(folder)))
		for _, f := range index.Files {
			var r map[string]any
			require.NoError(t, json.Unmarshal(o.files[path.Join(folder, f["filename"])], &r), f["filename"])
			want := map[string]string{"filename": f["filename"]}
			for _, name := range []string{"resourceType", "id", "url", "version", "kind", "type", "supplements", "content"} {
				if text, is := r[name].(string); is {
					want[name] = text
				}
			}
			assert.Equal(t, want, f)
		}
	}
	var first, again bytes.Buffer
	require.NoError(t, guide.Write(&first))
	require.NoError(t, guide.Write(&again))
	assert.True(t, bytes.Equal(first.Bytes(), again.Bytes()))
}

// What the guide is to hold is there: a profile of each type with its snapshot, and
// something of every kind.
func TestArtifacts(t *testing.T) {
	all, err := guide.Artifacts()
	require.NoError(t, err)
	types, examples := map[string]int{}, map[string]int{}
	for _, a := range all {
		if a.Example {
			examples[a.ResourceType]++
			continue
		}
		types[a.ResourceType]++
		if a.ResourceType == "StructureDefinition" {
			assert.Contains(t, string(a.JSON), `"snapshot":{"element":[`, a.Name)
			assert.Contains(t, string(a.JSON), `"differential":{"element":[`, a.Name)
		}
	}
	for _, typ := range []string{"StructureDefinition", "ValueSet", "CodeSystem", "ConceptMap", "SearchParameter", "PlanDefinition", "CapabilityStatement", "ImplementationGuide"} {
		assert.Positive(t, types[typ], typ)
	}
	assert.Len(t, examples, len(profiles.Artifacts()))
	t.Logf("definitions %v, examples %v", types, examples)
}

// With nothing but R4 and the package each example is valid, and claims a profile
// of the package; so is what the package defines.
func TestPackageStandsAlone(t *testing.T) {
	o := packed(t)
	r := defs.New()
	for _, text := range o.in("package") {
		_, err := r.Add(text)
		require.NoError(t, err)
	}
	v := engine.New(r)
	for _, text := range slices.Concat(o.in("package/example"), o.in("package")) {
		for _, i := range v.Validate(text, validate.Options(nil)) {
			assert.False(t, i.Invalid(), "%.120s: %s at %s: %s", text, i.Key, i.Location, i.Text)
		}
	}
	broken := strings.Replace(string(o.in("package/example")[0]), `"patient"`, `"asserter"`, 1)
	assert.True(t, engine.Invalid(v.Validate([]byte(broken), validate.Options(nil))))
}

// TestOraclePackage: with nothing but R4 and the package HL7's Java validator has no
// complaint of the examples, nor of what the package defines. StructureDefinitions
// are read as definitions, with the snapshots that they bring.
func TestOraclePackage(t *testing.T) {
	oracles.Require(t)
	o := packed(t)
	documents := o.in("package/example")
	for _, text := range o.in("package") {
		if !bytes.Contains(text, []byte(`"resourceType": "StructureDefinition"`)) {
			documents = append(documents, text)
		}
	}
	report, err := oracles.Validate(t.Context(), oracles.Options{Definitions: o.in("package"), Documents: documents, Filters: "testdata/filters.tsv"})
	require.NoError(t, err)
	assert.NoError(t, report.Err())
	t.Logf("%d resources: %v", report.Resources, report.Types)
}
