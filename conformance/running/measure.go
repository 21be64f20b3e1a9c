package running

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"
)

// CaseOf is the randomness of one invented case.
func CaseOf(seed uint64, number int) *rand.Rand { return rand.New(rand.NewPCG(seed, uint64(number))) }

// Quantile of a sorted list by nearest rank; 0 of none.
func Quantile(sorted []time.Duration, q float64) time.Duration {
	if len(sorted) == 0 {
		return 0
	}
	return sorted[max(0, int(math.Ceil(q*float64(len(sorted))))-1)]
}

// Starts starts a bridge so often, and stops it. It gives the times from exec until
// both doors were open, sorted.
func Starts(ctx context.Context, b *Bridge, n int) (took []time.Duration, err error) {
	for range n {
		began := time.Now()
		if err := b.Start(ctx); err != nil {
			return nil, err
		}
		took = append(took, time.Since(began))
		if err := b.Stop(); err != nil {
			return nil, err
		}
	}
	slices.Sort(took)
	return took, nil
}

// portsFile stands in a folder that is kept, with the ports that its settings name:
// a changed address would have everything folded again.
const portsFile = "ports"

// Keep lets Kept find the place again in its folder.
func (b *Bridge) Keep() error {
	return os.WriteFile(filepath.Join(b.dir, portsFile), []byte(strings.Join(b.ports, " ")), 0o600)
}

// Kept is New in a folder that may have been kept before, then at its ports.
func Kept(binary, dir string) (b *Bridge, before bool, err error) {
	text, err := os.ReadFile(filepath.Join(dir, portsFile))
	switch port, natsPort, _ := strings.Cut(strings.TrimSpace(string(text)), " "); {
	case errors.Is(err, fs.ErrNotExist):
		b, err = New(binary, dir)
		return b, false, err
	case err != nil:
		return nil, false, err
	default:
		b, err = At(binary, dir, port, natsPort)
		return b, true, err
	}
}

// Peak is the most memory that a process had resident so far, in bytes (VmHWM, proc(5)).
func Peak(pid int) (int64, error) {
	status, err := os.ReadFile(filepath.Join("/proc", strconv.Itoa(pid), "status"))
	if err != nil {
		return 0, err
	}
	var kB int64
	_, rest, ok := strings.Cut(string(status), "VmHWM:")
	if _, err := fmt.Sscanf(rest, "%d kB", &kB); !ok || err != nil {
		return 0, fmt.Errorf("no VmHWM in the status of process %d", pid)
	}
	return kB << 10, nil
}
