// Package profiles holds the profiles that our resources claim: one
// StructureDefinition a resource type, as data. Each says what is true of every
// resource of its type that the fold makes, entered in error or not; what is
// masked (D1.5) claims none.
//
// The profiles are differentials; package conformance/guide makes their
// snapshots, and holds each constraint to a defect that it alone finds.
package profiles

import (
	"bytes"
	"embed"
	"encoding/json"
	"fmt"
	"path"
	"slices"
	"sync"

	"nailbridge/mapping/terms"
)

//go:embed data/*.json
var data embed.FS

// Artifacts lists the profiles by id, each with its narrative. The result is
// shared and must not be modified.
func Artifacts() []terms.Artifact { return load().artifacts }

// Of is the canonical of the profile of a resource type, or empty.
func Of(resourceType string) string { return load().byType[resourceType] }

type loaded struct {
	artifacts []terms.Artifact
	byType    map[string]string
}

// load reads the embedded data, which a test checks.
var load = sync.OnceValue(func() loaded {
	entries, err := data.ReadDir("data")
	if err != nil {
		panic("profiles: " + err.Error())
	}
	out := loaded{byType: map[string]string{}}
	for _, e := range entries {
		a, typ, err := read(e.Name())
		if err != nil {
			panic("profiles: " + e.Name() + ": " + err.Error())
		}
		out.artifacts, out.byType[typ] = append(out.artifacts, a), a.URL
	}
	return out
})

// read gives a profile with its narrative, and the type that it is on.
func read(name string) (a terms.Artifact, typ string, err error) {
	text, err := data.ReadFile(path.Join("data", name))
	if err != nil {
		return a, "", err
	}
	var head struct{ ID, URL, Version, Title, Description, Type string }
	if err := json.Unmarshal(text, &head); err != nil {
		return a, "", err
	}
	if name != head.ID+".json" || head.URL != terms.CanonicalBase+"/StructureDefinition/"+head.ID || head.Type == "" {
		return a, "", fmt.Errorf("id, url or type does not fit the name")
	}
	narrative, err := json.Marshal(terms.Narrate(head.Title, head.Description))
	if err != nil {
		return a, "", err
	}
	told := slices.Concat([]byte(`{"text":`), narrative, []byte(","), bytes.TrimSpace(text)[1:])
	var b bytes.Buffer
	if err := json.Compact(&b, told); err != nil {
		return a, "", err
	}
	return terms.Artifact{Type: "StructureDefinition", ID: head.ID, URL: head.URL, Version: head.Version, JSON: b.Bytes()}, head.Type, nil
}
