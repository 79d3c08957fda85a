package mosquittotest

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"math/big"
	"path/filepath"
	"testing"
	"time"
)

// certificates makes an authority and a certificate for localhost, writes
// what the server needs and returns a configuration that trusts it.
func certificates(t testing.TB, dir string) (cert, key, ca string, conf *tls.Config) {
	t.Helper()
	check := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	template := func(serial int64, name string) *x509.Certificate {
		return &x509.Certificate{
			SerialNumber: big.NewInt(serial), Subject: pkix.Name{CommonName: name},
			NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(24 * time.Hour),
		}
	}
	authority := template(1, "authority of a test")
	authority.IsCA, authority.BasicConstraintsValid = true, true
	authority.KeyUsage = x509.KeyUsageCertSign
	authorityKey, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	check(err)
	authorityDER, err := x509.CreateCertificate(rand.Reader, authority, authority, &authorityKey.PublicKey, authorityKey)
	check(err)

	server := template(2, "localhost")
	server.DNSNames = []string{"localhost"}
	server.KeyUsage, server.ExtKeyUsage = x509.KeyUsageDigitalSignature, []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth}
	serverKey, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	check(err)
	serverDER, err := x509.CreateCertificate(rand.Reader, server, authority, &serverKey.PublicKey, authorityKey)
	check(err)
	keyDER, err := x509.MarshalPKCS8PrivateKey(serverKey)
	check(err)

	file := func(name, kind string, der []byte) string {
		path := filepath.Join(dir, name)
		write(t, path, string(pem.EncodeToMemory(&pem.Block{Type: kind, Bytes: der})))
		return path
	}
	pool := x509.NewCertPool()
	parsed, err := x509.ParseCertificate(authorityDER)
	check(err)
	pool.AddCert(parsed)
	return file("server.pem", "CERTIFICATE", serverDER), file("server.key", "PRIVATE KEY", keyDER),
		file("ca.pem", "CERTIFICATE", authorityDER), &tls.Config{RootCAs: pool, MinVersion: tls.VersionTLS12}
}
