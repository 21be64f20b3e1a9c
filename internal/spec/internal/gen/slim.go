package main

import (
	"encoding/json"
)

// slim gives the definition of a profile with the members that are rules: its
// head, where an extension may stand, and what its differential asks of the
// elements.
func slim(text json.RawMessage) ([]byte, error) {
	var d struct {
		URL              string            `json:"url"`
		Name             string            `json:"name"`
		Kind             string            `json:"kind"`
		Type             string            `json:"type"`
		BaseDefinition   string            `json:"baseDefinition"`
		Derivation       string            `json:"derivation"`
		Context          []json.RawMessage `json:"context,omitempty"`
		ContextInvariant []string          `json:"contextInvariant,omitempty"`
		Differential     struct {
			Element []map[string]json.RawMessage `json:"element"`
		} `json:"differential"`
	}
	if err := json.Unmarshal(text, &d); err != nil {
		return nil, err
	}
	for _, e := range d.Differential.Element {
		for member := range e {
			if !kept(member) {
				delete(e, member)
			}
		}
	}
	return json.Marshal(d)
}
