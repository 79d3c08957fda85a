package mosquittotest

import (
	"crypto/tls"
	"testing"
)

// Certificates makes an authority and a certificate for localhost, writes both
// and the key into dir as PEM, and gives their paths and a configuration that
// trusts the authority.
func Certificates(t testing.TB, dir string) (cert, key, ca string, conf *tls.Config) {
	t.Helper()
	return certificates(t, dir)
}
