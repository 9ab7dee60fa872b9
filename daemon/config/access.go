package config

import (
	"fmt"
	"net/netip"
	"slices"
	"strings"
	"time"
)

// Access says who may use the page. Writing from the network always needs a paired phone.
type Access struct {
	ReadingPaired bool          // reading needs a paired phone too
	LocalKey      bool          // requests from this board's loopback need the key in the data folder
	ForgetAfter   time.Duration // a phone that was not used for so long has to be paired anew
}

// Page says how the page is reached, beside where it listens.
type Page struct {
	Names   []string       // that the page answers to, beside the board's own name and addresses
	Proxies []netip.Prefix // whose word is taken on where a request comes from
	Cert    string         // path of the certificate chain in PEM; "" where the page speaks plain HTTP
	Key     string         // path of its private key in PEM
}

// TLS tells whether the page itself speaks TLS.
func (p Page) TLS() bool { return p.Cert != "" }

func parseAccess(top *section, a Access) Access {
	t, ok := top.table("access")
	if !ok {
		return a
	}
	a.ReadingPaired = t.choice("reading", "open", []string{"open", "paired"}) == "paired"
	a.LocalKey = t.choice("local", "open", []string{"open", "key"}) == "key"
	a.ForgetAfter = t.length("forget_after", a.ForgetAfter, 24*time.Hour, 3660*24*time.Hour)
	t.done()
	return a
}

func parsePage(top *section) Page {
	var p Page
	t, ok := top.table("page")
	if !ok {
		return p
	}
	const nameWant = `host names such as "shed.example", without http:// and without a port`
	p.Names = t.words("names", nil, nameWant)
	for i, n := range p.Names {
		if !hostName(n) {
			t.d.fail(fmt.Sprintf("page.names[%d]", i), n, fmt.Sprintf("%q is no host name", n), "want "+nameWant)
		}
	}
	for i, text := range t.words("proxies", nil, `addresses or networks such as "127.0.0.1" or "10.1.2.0/24"`) {
		prefix, err := netip.ParsePrefix(text)
		if a, errA := netip.ParseAddr(text); errA == nil {
			prefix, err = netip.PrefixFrom(a.Unmap(), a.Unmap().BitLen()), nil
		}
		if err != nil {
			t.d.fail(fmt.Sprintf("page.proxies[%d]", i), text, fmt.Sprintf("%q is no address", text), `want one such as "127.0.0.1", or a network such as "10.1.2.0/24"`)
			continue
		}
		if prefix.Bits() == 0 {
			t.d.fail(fmt.Sprintf("page.proxies[%d]", i), text, fmt.Sprintf("%q is everybody: then anyone could say that he is someone else", text), "want the addresses of your proxy alone")
		}
		p.Proxies = append(p.Proxies, prefix.Masked())
	}
	p.Cert = t.text("tls_cert", "", "the path of a certificate in PEM, such as \"/etc/tackline/shed.crt\"")
	p.Key = t.text("tls_key", "", "the path of its key in PEM, such as \"/etc/tackline/shed.key\"")
	if (p.Cert == "") != (p.Key == "") {
		at := "tls_cert"
		if p.Key != "" {
			at = "tls_key"
		}
		t.fail(at, "stands alone", "want tls_cert and tls_key, or neither")
	}
	t.done()
	return p
}

// hostName tells whether a text may be a name of a host.
func hostName(n string) bool {
	return len(n) <= 253 && !slices.ContainsFunc(strings.Split(n, "."), func(label string) bool {
		return label == "" || len(label) > 63 || label[0] == '-' || label[len(label)-1] == '-' ||
			strings.Trim(strings.ToLower(label), "abcdefghijklmnopqrstuvwxyz0123456789-_") != ""
	})
}
