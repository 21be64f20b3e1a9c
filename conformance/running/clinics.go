package running

import (
	"context"
	"fmt"
	"os/exec"
	"path/filepath"
	"strings"

	"nailbridge/testdata"
)

// The test clinics of a place that Clinics prepares, those of testdata.TrialSettings.
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
	if err := writeSettings(dir, testdata.TrialSettings(), ports[0]); err != nil {
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
