package openapi_test

import (
	"bytes"
	"encoding/json"
	"os"
	"slices"
	"strings"
	"testing"

	"github.com/pb33f/libopenapi/datamodel"
	"github.com/santhosh-tekuri/jsonschema/v6"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/openapi"
	"nailbridge/internal/openapi/openapitest"
	"nailbridge/internal/receive"
	"nailbridge/internal/searchparam"
	"nailbridge/mapping/record"
)

func read(t *testing.T, text []byte) map[string]any {
	t.Helper()
	v, err := jsonschema.UnmarshalJSON(bytes.NewReader(text))
	require.NoError(t, err)
	return v.(map[string]any)
}

// official is the OpenAPI Initiative's schema of OpenAPI 3.1 (its $id is
// https://spec.openapis.org/oas/3.1/schema/2022-10-07), as a module carries it.
func official(t *testing.T) *jsonschema.Schema {
	t.Helper()
	schema := read(t, []byte(datamodel.OpenAPI31SchemaData))
	c := jsonschema.NewCompiler()
	c.AssertFormat()
	id := schema["$id"].(string)
	require.Equal(t, "https://spec.openapis.org/oas/3.1/schema/2022-10-07", id)
	require.NoError(t, c.AddResource(id, schema))
	s, err := c.Compile(id)
	require.NoError(t, err)
	return s
}

// OpenAPI 3.1 section 4.8.1: the document is one by the official schema, and
// one that is broken in one place is not.
func TestDocumentIsOpenAPI31(t *testing.T) {
	s := official(t)
	require.NoError(t, s.Validate(any(read(t, openapi.Document()))))
	for what, breaks := range map[string]func(map[string]any){
		"version":     func(d map[string]any) { d["openapi"] = "3.0.3" },
		"info":        func(d map[string]any) { delete(d, "info") },
		"path":        func(d map[string]any) { at(d, "paths")["records"] = map[string]any{} },
		"operation":   func(d map[string]any) { at(d, "paths", "/records", "post")["undocumented"] = true },
		"description": func(d map[string]any) { delete(at(d, "paths", "/records", "post", "responses", "201"), "description") },
		"parameter":   func(d map[string]any) { at(d, "components", "parameters", "clinic")["in"] = "body" },
		"optional":    func(d map[string]any) { delete(at(d, "components", "parameters", "clinic"), "required") },
		"scheme":      func(d map[string]any) { delete(at(d, "components", "securitySchemes", "key"), "scheme") },
	} {
		d := read(t, openapi.Document())
		breaks(d)
		assert.Error(t, s.Validate(any(d)), what)
	}
}

func at(tree map[string]any, path ...string) map[string]any {
	for _, name := range path {
		tree = tree[name].(map[string]any)
	}
	return tree
}

// The file names the record's schema and copies nothing of it; what is served
// holds the schema itself, once, under its $id (JSON Schema 2020-12, core
// section 9.3).
func TestTheRecordSchemaIsReferredTo(t *testing.T) {
	file, err := os.ReadFile("openapi.json")
	require.NoError(t, err)
	assert.Equal(t, map[string]any{"$ref": record.SchemaID}, at(read(t, file), "components", "schemas")["ClinicRecord"])
	assert.Equal(t, 1, bytes.Count(file, []byte(record.SchemaID)))
	assert.Less(t, bytes.Count(file, []byte(`"tourniquet`)), 1)
	whole := read(t, openapi.Document())
	assert.Equal(t, read(t, record.Schema()), at(whole, "components", "schemas")["ClinicRecord"])
	delete(at(whole, "components", "schemas"), "ClinicRecord")
	alone := read(t, file)
	delete(at(alone, "components", "schemas"), "ClinicRecord")
	assert.Equal(t, alone, whole)
}

// Every reference resolves, every component is used, every schema is one of
// JSON Schema 2020-12, and no two operations have one id (OpenAPI 3.1 section
// 4.8.10.1).
func TestReferencesAndSchemas(t *testing.T) {
	d, err := openapitest.Read()
	require.NoError(t, err)
	refs := map[string]bool{}
	references(d.Tree, refs)
	for kind, all := range at(d.Tree, "components") {
		for name := range all.(map[string]any) {
			ref := "#/components/" + kind + "/" + name
			used := refs[ref] || kind == "securitySchemes"
			assert.True(t, used, "%s is not used", ref)
			delete(refs, ref)
			if kind == "schemas" && name != "ClinicRecord" { // which mapping/record tests
				assert.NoError(t, d.Compiles(ref))
			}
		}
	}
	assert.Empty(t, refs, "references to nothing")
	ids := map[any]bool{}
	for _, o := range d.Operations() {
		id := at(d.Tree, "paths", o.Path, strings.ToLower(o.Method))["operationId"]
		assert.False(t, id == nil || ids[id], "%v: operationId %v", o, id)
		ids[id] = true
	}
}

// references gathers the references of a tree but those of the record's schema,
// which stay within it.
func references(v any, into map[string]bool) {
	switch v := v.(type) {
	case map[string]any:
		if v["$id"] == record.SchemaID {
			return
		}
		if ref, is := v["$ref"].(string); is {
			into[ref] = true
		}
		for _, x := range v {
			references(x, into)
		}
	case []any:
		for _, x := range v {
			references(x, into)
		}
	}
}

// Where a key is asked for there is an answer to those without one, which the
// tests of bridge show; nothing else is open (OpenAPI 3.1 section 4.8.10.1: an
// empty security takes away that of the document; RFC 6750 section 3).
func TestAKeyIsAskedForWhere401Is(t *testing.T) {
	d, err := openapitest.Read()
	require.NoError(t, err)
	assert.Equal(t, []any{map[string]any{"key": []any{}}, map[string]any{}}, d.Tree["security"], "a key, or nothing where serve has no --keys")
	for _, o := range d.Operations() {
		operation := at(d.Tree, "paths", o.Path, strings.ToLower(o.Method))
		own, has := operation["security"].([]any)
		_, asks := at(operation, "responses")["401"]
		assert.Equal(t, asks, !has, "%v", o)
		assert.Empty(t, own, "%v", o)
	}
}

// What the program has as a list is the same in the document.
func TestClosedListsAreTheProgramsOwn(t *testing.T) {
	d := read(t, openapi.Document())
	listed := func(name string) (out []string) {
		for _, x := range at(d, "components", "schemas", name)["enum"].([]any) {
			out = append(out, x.(string))
		}
		return out
	}
	assert.Equal(t, searchparam.Types(), listed("FHIRType"))
	assert.Equal(t, receive.Lists, listed("List"))
	assert.Equal(t, receive.FollowUpStates, listed("FollowUpState"))
}

// The members of what is answered are those of the Go types, both ways: what no
// test of the doors happens to show must be in the document too.
func TestMembersAreThoseOfTheTypes(t *testing.T) {
	d := read(t, openapi.Document())
	for name, v := range answered() {
		want := membersOf(t, v)
		var got []string
		for member := range at(d, "components", "schemas", name, "properties") {
			got = append(got, member)
		}
		slices.Sort(got)
		assert.Equal(t, want, got, name)
	}
}

// A schema that is asked for a value that it does not have says no.
func TestHoldsCanFail(t *testing.T) {
	d, err := openapitest.Read()
	require.NoError(t, err)
	var finding any
	require.NoError(t, json.Unmarshal([]byte(`{"severity":"info","code":"absent","pointer":"/a","text":"t","rule":"D2.1"}`), &finding))
	assert.NoError(t, d.Holds("#/components/schemas/Finding", finding))
	finding.(map[string]any)["severity"] = "severe"
	assert.Error(t, d.Holds("#/components/schemas/Finding", finding))
}
