package sqlite

import (
	"bytes"
	"encoding/json"
	"maps"
	"slices"
)

// contentFrom gives the content as put: what was kept of it, else what the
// served body says.
func contentFrom(kept, body []byte) ([]byte, error) {
	if kept != nil {
		return kept, nil
	}
	return contentOf(body)
}

// contentOf undoes resource.Splice for content whose members are sorted, the
// form google/fhir writes: so that most content is not stored twice. Put
// compares the result with the content and keeps the content where it
// differs.
func contentOf(body []byte) ([]byte, error) {
	var members map[string]json.RawMessage
	if err := json.Unmarshal(body, &members); err != nil {
		return nil, err
	}
	var meta map[string]json.RawMessage
	if err := json.Unmarshal(members["meta"], &meta); err != nil {
		return nil, err
	}
	delete(meta, "versionId")
	delete(meta, "lastUpdated")
	delete(members, "meta")
	if len(meta) > 0 {
		members["meta"] = sorted(meta)
	}
	return sorted(members), nil
}

// sorted writes an object with its members in order and their bytes as they
// are.
func sorted(members map[string]json.RawMessage) []byte {
	var b bytes.Buffer
	sep := byte('{')
	for _, k := range slices.Sorted(maps.Keys(members)) {
		name, _ := json.Marshal(k) // a string always marshals
		b.WriteByte(sep)
		b.Write(name)
		b.WriteByte(':')
		b.Write(members[k])
		sep = ','
	}
	if sep == '{' {
		b.WriteByte(sep)
	}
	b.WriteByte('}')
	return b.Bytes()
}
