package access_test

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"encoding/pem"
	"math/big"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/access"
)

// selfSigned writes a certificate of a serial number and its key.
func selfSigned(t testing.TB, cert, key string, serial int64) {
	t.Helper()
	private, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	require.NoError(t, err)
	template := &x509.Certificate{
		SerialNumber: big.NewInt(serial), DNSNames: []string{"bridge.example"},
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour),
	}
	der, err := x509.CreateCertificate(rand.Reader, template, template, &private.PublicKey, private)
	require.NoError(t, err)
	keyDER, err := x509.MarshalPKCS8PrivateKey(private)
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(key, pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: keyDER}), 0o600))
	require.NoError(t, os.WriteFile(cert, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}), 0o600))
}

func serialOf(t testing.TB, c *tls.Config) int64 {
	t.Helper()
	pair, err := c.GetCertificate(nil)
	require.NoError(t, err)
	leaf, err := x509.ParseCertificate(pair.Certificate[0])
	require.NoError(t, err)
	return leaf.SerialNumber.Int64()
}

func TestCertificatesAreReadAgainWhenRenewed(t *testing.T) {
	dir := t.TempDir()
	cert, key := filepath.Join(dir, "cert.pem"), filepath.Join(dir, "key.pem")
	_, err := access.OpenCertificate(cert, key, nil)
	require.ErrorIs(t, err, os.ErrNotExist)

	selfSigned(t, cert, key, 1)
	var said []error
	c, err := access.OpenCertificate(cert, key, func(err error) { said = append(said, err) })
	require.NoError(t, err)
	config := c.Config()
	assert.GreaterOrEqual(t, config.MinVersion, uint16(tls.VersionTLS12))
	assert.EqualValues(t, 1, serialOf(t, config))
	selfSigned(t, cert, key, 22)
	assert.EqualValues(t, 22, serialOf(t, config), "renewed")
	assert.Empty(t, said)

	require.NoError(t, os.WriteFile(cert, []byte("half"), 0o600))
	assert.EqualValues(t, 22, serialOf(t, config), "the one before goes on being used")
	assert.EqualValues(t, 22, serialOf(t, config))
	assert.Len(t, said, 1, "said once per change")
	require.NoError(t, os.Remove(cert))
	assert.EqualValues(t, 22, serialOf(t, config))
	assert.EqualValues(t, 22, serialOf(t, config))
	assert.Len(t, said, 2)
	selfSigned(t, cert, key, 333)
	assert.EqualValues(t, 333, serialOf(t, config))

	for n := range 2 { // each time that it can not be read for a while is said, once
		require.NoError(t, os.Rename(cert, cert+".aside"))
		require.NoError(t, os.Mkdir(cert, 0o700)) // a folder in its place: it is there, and no read of it succeeds
		assert.EqualValues(t, 333, serialOf(t, config))
		assert.EqualValues(t, 333, serialOf(t, config))
		assert.Len(t, said, 3+n)
		require.NoError(t, os.Remove(cert))
		require.NoError(t, os.Rename(cert+".aside", cert))
		assert.EqualValues(t, 333, serialOf(t, config))
	}
}
