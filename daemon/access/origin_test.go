package access

import (
	"context"
	"crypto/tls"
	"fmt"
	"net"
	"net/http"
	"net/http/httptest"
	"net/netip"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

func TestCallerOf(t *testing.T) {
	proxy := []netip.Prefix{netip.MustParsePrefix("127.0.0.1/32")}
	yard := []netip.Prefix{netip.MustParsePrefix("10.1.2.0/24")}
	for _, c := range []struct {
		what, peer, here, host string
		head                   []string
		proxies                []netip.Prefix
		want                   string // address, local, secure
	}{
		{"the command line", "127.0.0.1:5000", "127.0.0.1:8417", "127.0.0.1:8417", nil, nil, "127.0.0.1 true false"},
		{"the command line, IPv6", "[::1]:5000", "[::1]:8417", "localhost:8417", nil, nil, "::1 true false"},
		{"as seen by a listener on all addresses", "[::ffff:127.0.0.1]:5000", "[::ffff:127.0.0.1]:8417", "127.0.0.1:8417", nil, nil, "127.0.0.1 true false"},
		{"a phone", "192.168.1.20:5000", "192.168.1.2:8417", "192.168.1.2:8417", nil, nil, "192.168.1.20 false false"},
		{"a phone that says it is local", "192.168.1.20:5000", "192.168.1.2:8417", "localhost", []string{"X-Forwarded-For", "127.0.0.1"}, nil, "192.168.1.20 false false"},
		{"a packet from outside with a forged address", "127.0.0.1:5000", "192.168.1.2:8417", "localhost", nil, nil, "127.0.0.1 false false"},
		{"a name that was pointed at us", "127.0.0.1:5000", "127.0.0.1:8417", "evil.example:8417", nil, nil, "127.0.0.1 false false"},
		{"a page elsewhere, in a browser on the board", "127.0.0.1:5000", "127.0.0.1:8417", "localhost:8417", []string{"Origin", "https://evil.example"}, nil, "127.0.0.1 false false"},
		{"a page of a sandbox", "127.0.0.1:5000", "127.0.0.1:8417", "localhost:8417", []string{"Origin", "null"}, nil, "127.0.0.1 false false"},
		{"our page in a browser on the board", "127.0.0.1:5000", "127.0.0.1:8417", "localhost:8417", []string{"Origin", "http://localhost:8417"}, nil, "127.0.0.1 true false"},
		{"a proxy nobody told of, that marks", "127.0.0.1:5000", "127.0.0.1:8417", "127.0.0.1:8417", []string{"X-Forwarded-For", "192.168.1.20"}, nil, "127.0.0.1 false false"},
		{"one that marks in its own way", "127.0.0.1:5000", "127.0.0.1:8417", "127.0.0.1:8417", []string{"Via", "1.1 box"}, nil, "127.0.0.1 false false"},
		{"a proxy on the board", "127.0.0.1:5000", "127.0.0.1:8417", "shed.example", []string{"X-Forwarded-For", "192.168.1.20", "X-Forwarded-Proto", "https"}, proxy, "192.168.1.20 false true"},
		{"with a lie of the phone before it", "127.0.0.1:5000", "127.0.0.1:8417", "shed.example", []string{"X-Forwarded-For", "127.0.0.1, 192.168.1.20"}, proxy, "192.168.1.20 false false"},
		{"in two lines", "127.0.0.1:5000", "127.0.0.1:8417", "shed.example", []string{"X-Forwarded-For", "127.0.0.1", "X-Forwarded-For", "192.168.1.20"}, proxy, "192.168.1.20 false false"},
		{"through two proxies of ours", "10.1.2.3:5000", "10.1.2.9:8417", "shed.example", []string{"X-Forwarded-For", "192.168.1.20, 10.1.2.4"}, yard, "192.168.1.20 false false"},
		{"a proxy that forgets to mark", "127.0.0.1:5000", "127.0.0.1:8417", "127.0.0.1:8417", nil, proxy, "invalid IP false false"},
		{"nonsense in the mark", "127.0.0.1:5000", "127.0.0.1:8417", "127.0.0.1:8417", []string{"X-Forwarded-For", "the phone"}, proxy, "invalid IP false false"},
		{"beside a proxy on the board", "[::1]:5000", "[::1]:8417", "localhost", nil, proxy, "::1 false false"},
		{"a stranger that plays the proxy", "192.168.1.66:5000", "192.168.1.2:8417", "shed.example", []string{"X-Forwarded-For", "127.0.0.1", "X-Forwarded-Proto", "https"}, yard, "192.168.1.66 false false"},
	} {
		r := httptest.NewRequest("POST", "/", nil)
		r.RemoteAddr, r.Host = c.peer, c.host
		here, err := net.ResolveTCPAddr("tcp", c.here)
		require.NoError(t, err)
		r = r.WithContext(context.WithValue(r.Context(), http.LocalAddrContextKey, net.Addr(here)))
		for i := 0; i+1 < len(c.head); i += 2 {
			r.Header.Add(c.head[i], c.head[i+1])
		}
		got := CallerOf(r, c.proxies)
		require.Equal(t, c.want, fmt.Sprint(got.Addr, " ", got.Local, " ", got.Secure), c.what)
	}
	r := httptest.NewRequest("GET", "/", nil)
	r.RemoteAddr, r.TLS = "192.168.1.20:5000", &tls.ConnectionState{}
	require.True(t, CallerOf(r, nil).Secure)
	r.RemoteAddr = "@"
	require.False(t, CallerOf(r, nil).Local)
}

func TestTheKeyOfTheBoard(t *testing.T) {
	path := filepath.Join(t.TempDir(), KeyFile)
	k, err := OpenKey(path)
	require.NoError(t, err)
	st, err := os.Stat(path)
	require.NoError(t, err)
	require.Equal(t, os.FileMode(0o600), st.Mode().Perm())
	text, err := os.ReadFile(path)
	require.NoError(t, err)
	ask := func(k Key, head string) bool {
		r := httptest.NewRequest("GET", "/", nil)
		if head != "" {
			r.Header.Set("Authorization", head)
		}
		return k.Opens(r)
	}
	good := "Bearer " + strings.TrimSpace(string(text))
	require.True(t, ask(k, good))
	for _, bad := range []string{"", "Bearer ", good[:len(good)-1], good + "0", strings.TrimPrefix(good, "Bearer "), "Basic " + good[7:]} {
		require.False(t, ask(k, bad), bad)
	}
	again, err := OpenKey(path)
	require.NoError(t, err)
	require.True(t, ask(again, good), "it outlives a restart")
	require.NoError(t, os.WriteFile(path, nil, 0o600)) // a power cut in its making
	anew, err := OpenKey(path)
	require.NoError(t, err)
	require.False(t, ask(anew, good))
	require.False(t, ask(anew, "Bearer "))
}

func TestLimiter(t *testing.T) {
	l := NewLimiter(0.001, 3)
	a := netip.MustParseAddr("192.168.1.20")
	for range 3 {
		require.True(t, l.Allow(a))
	}
	require.False(t, l.Allow(a))
	require.True(t, l.Allow(netip.MustParseAddr("192.168.1.21")), "another has its own")
	for i := range 3 {
		require.True(t, l.Allow(netip.MustParseAddr(fmt.Sprintf("2001:db8::%d", i+1))))
	}
	require.False(t, l.Allow(netip.MustParseAddr("2001:db8::ffff:1")), "one network of 64 bits is one caller")
	for i := range 3 * mostCallers {
		l.Allow(netip.AddrFrom4([4]byte{10, byte(i >> 16), byte(i >> 8), byte(i)}))
	}
	require.LessOrEqual(t, len(l.callers), mostCallers, "what a flood of addresses costs is bounded")
}
