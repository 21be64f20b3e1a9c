package receive_test

import (
	"encoding/json"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	rt "nailbridge/internal/receive/receivetest"
	"nailbridge/mapping"
	"nailbridge/mapping/followup"
	"nailbridge/mapping/record"
)

// canonicals are those that every version of every plan names.
func canonicals(t *testing.T, w *rt.World) map[string]bool {
	out := map[string]bool{}
	for _, v := range w.History(w.One("CarePlan").Ref) {
		var plan struct {
			InstantiatesCanonical []string
			Activity              []struct {
				Detail struct{ InstantiatesCanonical []string }
			}
		}
		require.NoError(t, json.Unmarshal(v.Body, &plan))
		require.NotEmpty(t, plan.InstantiatesCanonical)
		for _, c := range plan.InstantiatesCanonical {
			out[c] = true
		}
		for _, a := range plan.Activity {
			for _, c := range a.Detail.InstantiatesCanonical {
				assert.Contains(t, plan.InstantiatesCanonical, c)
			}
		}
	}
	return out
}

// D4.1, D8.3: through two changes of a window each version of the plan names the
// protocol that it was made with, and each of them is still published: that of
// the program, that in force, and the one between them as retired.
func TestD8_3_EveryVersionOfAPlanFindsItsProtocol(t *testing.T) {
	w := rt.New(t)
	_, err := w.KeepProtocols(t.Context()) // as a start does
	require.NoError(t, err)
	require.False(t, outdated(t, w))
	w.Send(rt.Surgery())
	for _, after := range []int{8, 9} {
		set(w, func(s *mapping.Settings) {
			s.Protocols = rt.OwnWindow(t, "partial-avulsion-chemical-ablation", "week-4", after)
		})
		_, err := w.Remap(t.Context(), nil)
		require.NoError(t, err)
	}
	named := canonicals(t, w)
	require.Len(t, named, 3)
	kept, err := w.KeepProtocols(t.Context())
	require.NoError(t, err)
	published, err := followup.Published(w.Settings.Protocols, kept)
	require.NoError(t, err)
	status := map[string]string{}
	for _, a := range published {
		var r struct{ Status string }
		require.NoError(t, json.Unmarshal(a.JSON, &r))
		if named[a.URL+"|"+a.Version] {
			status[a.URL+"|"+a.Version] = r.Status
		}
	}
	require.Len(t, status, 3)
	inForce := ownOf(w).Canonical()
	for c, s := range status {
		want := map[bool]string{true: "active", false: "retired"}[c == inForce || c == followup.Lookup("partial-avulsion-chemical-ablation").Canonical()]
		assert.Equal(t, want, s, c)
	}

	again, err := w.KeepProtocols(t.Context())
	require.NoError(t, err)
	assert.Equal(t, kept, again, "a start by itself changes nothing")
}

// ownOf is the clinic's own among the protocols.
func ownOf(w *rt.World) *followup.Protocol {
	for _, p := range w.Settings.Protocols {
		if p.Canonical() != followup.Lookup(record.Code(p.ID)).Canonical() {
			return p
		}
	}
	return nil
}
