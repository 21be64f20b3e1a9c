// Package openapi holds the OpenAPI 3.1 document of every door over HTTP:
// operations, parameters, statuses, bodies and who may ask. The tests of bridge
// hold it to the routes and to real answers, both ways.
package openapi

import (
	"bytes"
	_ "embed"
	"net/http"
	"sync"

	"nailbridge/mapping/record"
)

// Path is where the program serves the document, to anybody.
const Path = "/openapi.json"

//go:embed openapi.json
var written []byte

// recordRef is where the document names the schema of the clinic record.
var recordRef = []byte(`{"$ref": "` + record.SchemaID + `"}`)

// document is the written document with the record's schema in the place of
// its name, so that a reader needs no other file. The schema keeps its $id, and
// its references stay within it (JSON Schema 2020-12, core section 9.3).
var document = sync.OnceValue(func() []byte {
	return bytes.Replace(written, recordRef, bytes.TrimSpace(record.Schema()), 1)
})

// Document is the OpenAPI document as JSON.
func Document() []byte { return bytes.Clone(document()) }

// Handler serves the document.
func Handler() http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Content-Type", "application/json")
		w.Header().Set("Cache-Control", "no-cache")
		_, _ = w.Write(document()) // the client may be gone
	})
}
