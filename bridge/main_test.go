package main

import (
	"os"
	"testing"

	"github.com/stretchr/testify/require"
)

func write(t testing.TB, file string, b []byte) {
	t.Helper()
	require.NoError(t, os.WriteFile(file, b, 0o600))
}
