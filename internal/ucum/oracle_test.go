package ucum

import (
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/conformance/oracles/npm"
)

// lhcUnit is one unit of that package's table.
type lhcUnit struct {
	code      string
	magnitude float64
	dims      []int
	special   bool
	arbitrary bool
}

func readLHC(t *testing.T) []lhcUnit {
	t.Helper()
	raw, err := os.ReadFile(filepath.Join(npm.Folder(t), "node_modules", "@lhncbc", "ucum-lhc", "data", "ucumDefs.min.json"))
	require.NoError(t, err)
	var file struct {
		Units struct {
			Data [][]any `json:"data"`
		} `json:"units"`
	}
	require.NoError(t, json.Unmarshal(raw, &file))
	var out []lhcUnit
	for _, row := range file.Units.Data {
		u := lhcUnit{code: strings.TrimSpace(row[2].(string)), magnitude: row[5].(float64)}
		if dims, ok := row[6].([]any); ok {
			for _, d := range dims {
				u.dims = append(u.dims, int(d.(float64)))
			}
		}
		u.special, _ = row[13].(bool)
		u.arbitrary, _ = row[14].(bool)
		out = append(out, u)
	}
	return out
}

// lhcDiffers are atoms whose definition in that package differs from UCUM's own
// tables, which ours follow.
var lhcDiffers = map[string]string{
	"%[slope]": "UCUM table 2: 100 tan(1 rad); there in degrees",
	"[diop]":   "UCUM table 25: /m; there m",
	"[mesh_i]": "UCUM table 25: /[in_i]; there [in_i]",
	"Bd":       "UCUM table 27: /s; there s",
	"[LPF]":    "UCUM table 24: 100 times 1; there 1",
}

func differs(code string) bool {
	for atom := range lhcDiffers {
		if strings.Contains(code, atom) {
			return true
		}
	}
	return false
}

// TestOracleLHC compares size and dimension of every unit that
// @lhncbc/ucum-lhc lists, atoms and common combinations, with ours.
func TestOracleLHC(t *testing.T) {
	compared := 0
	for _, want := range readLHC(t) {
		got, err := Parse(want.code)
		if !assert.NoError(t, err, want.code) {
			continue
		}
		if differs(want.code) || want.special || got.scale != nil {
			continue
		}
		compared++
		size, _ := got.size.Float64()
		if math.Abs(size-want.magnitude) > 1e-9*math.Abs(want.magnitude) {
			t.Errorf("%s is %g base units, there %g", want.code, size, want.magnitude)
		}
		for i, d := range want.dims {
			if got.dims[i] != d {
				t.Errorf("%s has dimension %v, there %v", want.code, got.dims, want.dims)
				break
			}
		}
		assert.Equal(t, want.arbitrary, len(got.own) > 0, "%s is arbitrary", want.code)
	}
	t.Logf("%d units compared with @lhncbc/ucum-lhc %s", compared, npm.Version("@lhncbc/ucum-lhc"))
}
