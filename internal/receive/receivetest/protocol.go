package receivetest

import (
	"encoding/json"
	"testing"

	"github.com/stretchr/testify/require"

	"nailbridge/mapping/followup"
	"nailbridge/mapping/record"
)

// OwnWindow are the protocols with one of the clinic's own, in which the window
// of a step ends so many days after its date.
func OwnWindow(t testing.TB, protocol record.Code, step string, after int) []*followup.Protocol {
	t.Helper()
	var tree map[string]any
	require.NoError(t, json.Unmarshal(followup.Lookup(protocol).JSON, &tree))
	tree["publisher"], tree["approvalDate"] = "North Clinic", "2026-02-01"
	tree["endorser"] = []any{map[string]any{"name": "A. Quill"}}
	for _, a := range list(tree["action"]) {
		if a["id"] == step {
			window := list(list(a["extension"])[0]["extension"])
			window[1]["valueDuration"].(map[string]any)["value"] = after
		}
	}
	b, err := json.Marshal(tree)
	require.NoError(t, err)
	own, err := followup.Own(b)
	require.NoError(t, err)
	all, err := followup.Stand([]*followup.Protocol{own})
	require.NoError(t, err)
	return all
}

func list(v any) (out []map[string]any) {
	for _, x := range v.([]any) {
		out = append(out, x.(map[string]any))
	}
	return out
}
