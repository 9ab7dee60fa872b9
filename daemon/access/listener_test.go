package access

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"io"
	"math/big"
	"net"
	"net/http"
	"net/netip"
	"os"
	"path/filepath"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"
)

// certify writes a self-signed certificate of a name and gives who trusts it.
func certify(t *testing.T, folder, name string) (cert, key string, trust *x509.CertPool) {
	t.Helper()
	k, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	require.NoError(t, err)
	of := &x509.Certificate{SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: name}, DNSNames: []string{name}, NotBefore: time.Unix(0, 0), NotAfter: time.Unix(1<<33, 0),
		IsCA: true, BasicConstraintsValid: true}
	der, err := x509.CreateCertificate(rand.Reader, of, of, &k.PublicKey, k)
	require.NoError(t, err)
	b, err := x509.MarshalPKCS8PrivateKey(k)
	require.NoError(t, err)
	cert, key = filepath.Join(folder, "shed.crt"), filepath.Join(folder, "shed.key")
	require.NoError(t, os.WriteFile(cert, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}), 0o600))
	require.NoError(t, os.WriteFile(key, pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: b}), 0o600))
	trust = x509.NewCertPool()
	parsed, err := x509.ParseCertificate(der)
	require.NoError(t, err)
	trust.AddCert(parsed)
	return cert, key, trust
}

func TestTLSAndPlainAtOnePort(t *testing.T) {
	cert, key, trust := certify(t, t.TempDir(), "shed.example")
	config, err := Certificate(cert, key, func(err error) { require.NoError(t, err) })
	require.NoError(t, err)
	inner, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	l := Listen(inner, config)
	s := &http.Server{TLSConfig: config, Handler: http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		_, _ = io.WriteString(w, r.Proto+map[bool]string{true: " secure", false: " plain"}[r.TLS != nil])
	})}
	ended := make(chan error, 1)
	go func() { ended <- s.Serve(l) }()
	defer func() { require.NoError(t, s.Close()); require.ErrorIs(t, <-ended, http.ErrServerClosed) }()
	get := func(tr *http.Transport, scheme string) string {
		t.Helper()
		defer tr.CloseIdleConnections()
		res, err := (&http.Client{Transport: tr}).Get(scheme + inner.Addr().String())
		require.NoError(t, err)
		defer res.Body.Close()
		b, err := io.ReadAll(res.Body)
		require.NoError(t, err)
		return string(b)
	}
	require.Equal(t, "HTTP/1.1 plain", get(&http.Transport{}, "http://"))
	require.Equal(t, "HTTP/2.0 secure", get(&http.Transport{ForceAttemptHTTP2: true, TLSClientConfig: &tls.Config{RootCAs: trust, ServerName: "shed.example"}}, "https://"))
	_, err = tls.Dial("tcp", inner.Addr().String(), &tls.Config{RootCAs: trust, ServerName: "shed.example", MaxVersion: tls.VersionTLS11, MinVersion: tls.VersionTLS10})
	require.Error(t, err, "old TLS")
}

func TestARenewedCertificateIsTakenOver(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		folder := t.TempDir()
		cert, key, _ := certify(t, folder, "first.example")
		var wrong error
		config, err := Certificate(cert, key, func(err error) { wrong = err })
		require.NoError(t, err)
		name := func() string {
			c, err := config.GetCertificate(nil)
			require.NoError(t, err)
			return c.Leaf.Subject.CommonName
		}
		require.Equal(t, "first.example", name())
		certify(t, folder, "second.example")
		require.NoError(t, os.Chtimes(cert, time.Time{}, time.Unix(2e9, 0)))
		require.Equal(t, "first.example", name())
		time.Sleep(lookEvery)
		require.Equal(t, "second.example", name())
		require.NoError(t, os.WriteFile(key, []byte("half of a k"), 0o600))
		time.Sleep(lookEvery)
		require.Equal(t, "second.example", name(), "what can't be read changes nothing")
		require.Error(t, wrong)
		_, err = Certificate(cert, key, nil)
		require.Error(t, err)
	})
}

func TestFewConnectionsOfOneAddress(t *testing.T) {
	l := &Listener{count: map[netip.Addr]int64{}}
	a, board := netip.MustParseAddr("192.168.1.66"), netip.MustParseAddr("127.0.0.1")
	for range mostOfOne {
		require.True(t, l.enter(a))
	}
	require.False(t, l.enter(a))
	require.True(t, l.enter(netip.MustParseAddr("192.168.1.67")), "others still come in")
	l.left(a)
	require.True(t, l.enter(a))
	for i := range 2 * mostOfAll {
		l.enter(netip.AddrFrom4([4]byte{10, 0, byte(i >> 8), byte(i)}))
	}
	require.Equal(t, int64(mostOfAll), l.all)
	require.True(t, l.enter(board), "the board itself always does")
}
