package daemon

import (
	"crypto/x509"
	"encoding/pem"
	"errors"
	"fmt"
	"net/http"
	"net/http/cookiejar"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"tackline/daemon/access"
)

// TestTLS: by a given certificate the page speaks TLS, its cookie is for that alone, and the board's own commands go on without it.
func TestTLS(t *testing.T) {
	model := httptest.NewTLSServer(http.NotFoundHandler()) // the library's own certificate for tests, of 127.0.0.1
	client := model.Client()
	model.Close()
	folder := t.TempDir()
	pair := model.TLS.Certificates[0]
	key, err := x509.MarshalPKCS8PrivateKey(pair.PrivateKey)
	require.NoError(t, err)
	cert, keyFile := filepath.Join(folder, "shed.crt"), filepath.Join(folder, "shed.key")
	require.NoError(t, os.WriteFile(cert, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: pair.Certificate[0]}), 0o600))
	require.NoError(t, os.WriteFile(keyFile, pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: key}), 0o600))
	d := still(t, fmt.Sprintf("[page]\ntls_cert = %q\ntls_key = %q\n", cert, keyFile))
	ended := make(chan error, 1)
	go func() { ended <- d.server.Serve(d.listen) }()
	t.Cleanup(func() {
		require.NoError(t, d.server.Close())
		if err := <-ended; !errors.Is(err, http.ErrServerClosed) {
			require.NoError(t, err)
		}
	})

	note := `{"payload":{"text":"by the command line"}}`
	res, err := http.Post("http://"+d.Addr()+"/api/v1/commands/note", "application/json", strings.NewReader(note))
	require.NoError(t, err)
	res.Body.Close()
	require.Equal(t, http.StatusCreated, res.StatusCode, "plain, from the board itself")

	phone := &stranger{t: t, d: d, addr: "198.51.100.7"} // plain, from the network
	w := phone.ask("GET", "/coats?x=1", nil)
	require.Equal(t, http.StatusTemporaryRedirect, w.Code)
	require.Equal(t, "https://192.0.2.2:8417/coats?x=1", w.Header().Get("Location"))
	require.Equal(t, http.StatusUpgradeRequired, phone.ask("POST", "/pair", url.Values{"code": {"x"}}).Code)

	jar, err := cookiejar.New(nil)
	require.NoError(t, err)
	client.Jar = jar
	var set []*http.Cookie
	client.CheckRedirect = func(r *http.Request, _ []*http.Request) error { set = r.Response.Cookies(); return nil }
	code, err := d.door.phones.Offer(access.Offer{})
	require.NoError(t, err)
	res, err = client.PostForm("https://"+d.Addr()+"/pair", url.Values{"code": {code}, "phone": {"a phone"}, "name": {"Wren"}})
	require.NoError(t, err)
	res.Body.Close()
	require.Equal(t, http.StatusOK, res.StatusCode)
	require.Len(t, set, 1)
	require.Equal(t, secureCookie, set[0].Name)
	require.True(t, set[0].Secure)
	require.Len(t, d.door.phones.List(), 1)
}

// TestBehindAProxy: with a proxy on the board its word is taken for who comes and how, the cookie is a secure one where the proxy speaks TLS, and
// nothing that comes from loopback is the board's own any more, but for the key.
func TestBehindAProxy(t *testing.T) {
	d := still(t, "[page]\nproxies = [\"127.0.0.1\"]\nnames = [\"shed.example\"]\n")
	by := func(method, path string, body any, head ...string) *httptest.ResponseRecorder {
		return (&stranger{t: t, d: d, addr: "127.0.0.1"}).ask(method, path, body, append([]string{"Host", "shed.example"}, head...)...)
	}
	note := object{"payload": object{"text": "x"}}
	require.Equal(t, http.StatusUnauthorized, by("POST", "/api/v1/commands/note", note, "X-Forwarded-For", "198.51.100.7").Code)
	require.Equal(t, http.StatusUnauthorized, by("POST", "/api/v1/commands/note", note, "X-Forwarded-For", "127.0.0.1").Code)
	require.Equal(t, http.StatusUnauthorized, by("POST", "/api/v1/commands/note", note).Code, "a proxy that forgets to say whom it speaks for")
	require.Equal(t, http.StatusUnauthorized, by("POST", "/api/v1/commands/note", note, "Host", "127.0.0.1").Code)
	key, err := os.ReadFile(filepath.Join(d.o.Config.Shed.Data, access.KeyFile))
	require.NoError(t, err)
	require.Equal(t, http.StatusCreated, by("POST", "/api/v1/commands/note", note, "Authorization", "Bearer "+strings.TrimSpace(string(key))).Code)
	code, err := d.door.phones.Offer(access.Offer{})
	require.NoError(t, err)
	w := by("POST", "/pair", url.Values{"code": {code}, "phone": {"a phone"}, "name": {"Wren"}}, "X-Forwarded-For", "198.51.100.7", "X-Forwarded-Proto", "https", "Origin", "https://shed.example", "Sec-Fetch-Site", "same-origin")
	require.Equal(t, http.StatusSeeOther, w.Code, w.Body.String())
	require.Equal(t, secureCookie, w.Result().Cookies()[0].Name)
}
