package running

import (
	"context"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
)

// The test clinics of a place that Clinics prepares.
const (
	TrialClinic  = "trial"
	SecondClinic = "second"
)

// Keys are bearer keys of a place with test clinics: of their practice systems, of
// a hub that sees the first of them alone, and of one that sees both.
type Keys struct{ Trial, Second, Hub, Both string }

// Clinics prepares a place with two test clinics and both doors, and keys for them.
func Clinics(ctx context.Context, binary, dir string) (b *Bridge, k Keys, err error) {
	ports, err := FreePorts(2)
	if err != nil {
		return nil, k, err
	}
	address, second := "127.0.0.1:"+ports[0], "127.0.0.1:"+ports[1]
	clinic := func(id, name string) map[string]any {
		return map[string]any{
			"clinic": map[string]any{"id": id, "name": name, "identifierBase": "https://" + id + ".example/id"},
			"zone":   "Europe/London", "formulary": "ie-smpc", "test": true,
		}
	}
	text, err := json.Marshal(map[string]any{
		"publicBaseUrl": "http://" + address + "/fhir", "hcpcs": true,
		"clinics": []any{clinic(TrialClinic, "Trial Clinic"), clinic(SecondClinic, "Second Trial Clinic")},
	})
	if err != nil {
		return nil, k, err
	}
	if err := os.WriteFile(SettingsIn(dir), text, 0o600); err != nil {
		return nil, k, err
	}
	keys := filepath.Join(dir, "keys.json")
	for _, m := range []struct {
		key  *string
		args []string
	}{
		{&k.Trial, []string{"clinic", TrialClinic}}, {&k.Second, []string{"clinic", SecondClinic}},
		{&k.Hub, []string{"hub", "one", "--clinic", TrialClinic}}, {&k.Both, []string{"hub", "both", "--clinic", TrialClinic, "--clinic", SecondClinic}},
	} {
		out, err := exec.CommandContext(ctx, binary, append([]string{"key", "--keys", keys}, m.args...)...).Output()
		if err != nil {
			return nil, k, fmt.Errorf("making a key: %w", err)
		}
		*m.key = strings.TrimSpace(string(out))
	}
	return &Bridge{
		Base: "http://" + address, NATS: "nats://" + second, dir: dir, ports: ports, open: []string{"/ready", "/health/nats"},
		args: []string{binary, "serve", "--config", SettingsIn(dir), "--data", DataIn(dir), "--listen", address, "--nats-listen", second, "--keys", keys},
	}, k, nil
}
