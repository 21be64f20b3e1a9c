package slip

import (
	"testing"

	"github.com/stretchr/testify/assert"
)

func TestOne(t *testing.T) {
	for pair, want := range map[[2]string]bool{
		{"status", "statuss"}: true, {"status", "statu"}: true, {"status", "statas"}: true, {"status", "sattus"}: true,
		{"status", "status"}: false, {"status", "statusss"}: false, {"status", "tsatsu"}: false, {"", "a"}: true,
	} {
		assert.Equal(t, want, One(pair[0], pair[1]), pair)
		assert.Equal(t, want, One(pair[1], pair[0]), pair)
	}
}
