package access

import (
	"net"
	"net/http"
	"net/netip"
	"net/url"
	"slices"
	"strings"
)

// Caller is where a request comes from.
type Caller struct {
	Addr   netip.Addr // of the phone, or of the last one that is known on the way to it; zero where that can't be told
	Local  bool       // from this board itself, straight
	Secure bool       // the way to the phone is encrypted
}

// passed are the heads that tell of a proxy.
var passed = []string{"Forwarded", "X-Forwarded-For", "X-Forwarded-Host", "X-Forwarded-Proto", "X-Forwarded-Server", "X-Real-Ip", "Via"}

// CallerOf tells where a request comes from. proxies are those whose word on it is taken, by X-Forwarded-For and X-Forwarded-Proto.
//
// Local is what comes from a loopback address to a loopback address, under a loopback name, and bears no mark of a proxy. Where one of the
// proxies is on loopback nothing is: what it forgets to mark would all be the board's own.
func CallerOf(r *http.Request, proxies []netip.Prefix) Caller {
	peer := addrOf(r.RemoteAddr)
	c := Caller{Addr: peer, Secure: r.TLS != nil}
	if within(peer, proxies) {
		c.Addr, c.Secure = beyond(r.Header.Values("X-Forwarded-For"), proxies), lastOf(r.Header.Values("X-Forwarded-Proto")) == "https"
		return c
	}
	here := peer
	if a, ok := r.Context().Value(http.LocalAddrContextKey).(net.Addr); ok {
		here = addrOf(a.String())
	}
	c.Local = peer.IsLoopback() && here.IsLoopback() && loopbackName(r.Host) &&
		!slices.ContainsFunc(passed, func(h string) bool { return len(r.Header.Values(h)) > 0 }) &&
		!slices.ContainsFunc(proxies, func(p netip.Prefix) bool {
			return p.Addr().Unmap().IsLoopback() || p.Contains(netip.AddrFrom4([4]byte{127, 0, 0, 1}))
		})
	if o := r.Header.Get("Origin"); o != "" && c.Local {
		u, err := url.Parse(o)
		c.Local = err == nil && loopbackName(u.Host)
	}
	return c
}

func addrOf(hostport string) netip.Addr {
	host, _, err := net.SplitHostPort(hostport)
	if err != nil {
		host = hostport
	}
	a, err := netip.ParseAddr(strings.Trim(host, "[]"))
	if err != nil {
		return netip.Addr{}
	}
	return a.WithZone("").Unmap()
}

func within(a netip.Addr, prefixes []netip.Prefix) bool {
	return a.IsValid() && slices.ContainsFunc(prefixes, func(p netip.Prefix) bool { return p.Contains(a) })
}

// beyond gives the last address before the proxies: what stands further left anyone could have written.
func beyond(forwarded []string, proxies []netip.Prefix) netip.Addr {
	hops := strings.Split(strings.Join(forwarded, ","), ",")
	for _, hop := range slices.Backward(hops) {
		a := addrOf(strings.TrimSpace(hop))
		if !a.IsValid() {
			return netip.Addr{}
		}
		if !within(a, proxies) {
			return a
		}
	}
	return netip.Addr{}
}

func lastOf(values []string) string {
	all := strings.Split(strings.Join(values, ","), ",")
	return strings.ToLower(strings.TrimSpace(all[len(all)-1]))
}

// loopbackName tells whether a host, with or without a port, is this machine by a name that no name server gives.
func loopbackName(host string) bool {
	if name, _, err := net.SplitHostPort(host); err == nil {
		host = name
	}
	return strings.EqualFold(strings.TrimSuffix(host, "."), "localhost") || addrOf(host).IsLoopback()
}
