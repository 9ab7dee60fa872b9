// Package post makes one HTTP request for a way out, and says of any outcome whether another try is worth it. Redirects are never followed, since
// the secret would go along; no connection is kept open, since messages are rare and an old connection fails when it is needed.
package post

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/netip"
	"net/url"
	"strconv"
	"strings"
	"time"

	"tackline/daemon/alert"
)

const (
	readMost = 64 << 10 // bytes of an answer that are looked at
	showMost = 300      // bytes of an answer that go into an error
)

// Client makes the requests of one way.
type Client struct {
	way     string
	secrets []string
	http    *http.Client
	// Accept, where set, looks at the body of a 2xx answer: a page of a network that wants a log-in first answers 200, too.
	Accept func(body []byte) error
	// After, where set, finds in the body of a refusal how long to wait; 0 is not said.
	After func(body []byte) time.Duration
}

// New takes the name of the way, and what must never stand in a text of its errors.
func New(way string, secrets ...string) *Client {
	transport := &http.Transport{
		Proxy:                  proxy,
		DialContext:            (&net.Dialer{Timeout: 10 * time.Second}).DialContext,
		TLSHandshakeTimeout:    10 * time.Second,
		DisableKeepAlives:      true,
		ForceAttemptHTTP2:      true,
		MaxResponseHeaderBytes: readMost,
	}
	return &Client{way: way, secrets: secrets, http: &http.Client{
		Transport:     transport,
		Timeout:       alert.DefaultTimeout,
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
	}}
}

// proxy is the environment's, and none for this machine itself.
func proxy(r *http.Request) (*url.URL, error) {
	host := r.URL.Hostname()
	if addr, err := netip.ParseAddr(host); host == "localhost" || err == nil && addr.Unmap().IsLoopback() {
		return nil, nil
	}
	return http.ProxyFromEnvironment(r)
}

// Base checks the address of a server. Its error shows no more of it than the host.
func Base(way, address string) (*url.URL, error) {
	u, err := url.Parse(address)
	switch {
	case err != nil:
		return nil, fmt.Errorf("%s: the server's address cannot be read: want http:// or https:// and a host", way)
	case u.Scheme != "http" && u.Scheme != "https" || u.Host == "":
		return nil, fmt.Errorf("%s: the server's address is %q on host %q: want http:// or https:// and a host", way, u.Scheme, u.Host)
	case u.User != nil:
		return nil, fmt.Errorf("%s: the address of %s has a user or password in it: put the secret into its file", way, u.Host)
	case u.Fragment != "":
		return nil, fmt.Errorf("%s: the address of %s has a # in it", way, u.Host)
	}
	return u, nil
}

// Do makes the request. The answer is the status and the start of the body, without secrets; the error is an *alert.SendError.
func (c *Client) Do(ctx context.Context, method string, to *url.URL, header http.Header, body string) (answer string, err error) {
	request, err := http.NewRequestWithContext(ctx, method, to.String(), strings.NewReader(body))
	if err != nil {
		return "", c.fail(0, 0, false, errors.New("the request cannot be made: check the address"))
	}
	for k, v := range header {
		request.Header[k] = v
	}
	request.Header.Set("User-Agent", "tackline")
	response, err := c.http.Do(request)
	if err != nil {
		return "", c.fail(0, 0, true, inner(err))
	}
	defer response.Body.Close()
	got, err := io.ReadAll(io.LimitReader(response.Body, readMost))
	status := int64(response.StatusCode)
	said := c.clean(string(got))
	switch {
	case status >= 300 && status < 400:
		temporary := status != http.StatusMovedPermanently && status != http.StatusPermanentRedirect
		return "", c.fail(status, 0, temporary, fmt.Errorf("the server sends us elsewhere (%s), where the secret must not go: "+
			"if that is right, put the new address into the config", c.clean(elsewhere(response))))
	case status < 200 || status > 299:
		return "", c.fail(status, c.after(response, got), temporary(status), errors.New(orStatus(said, response)))
	case err != nil:
		return "", c.fail(status, 0, true, fmt.Errorf("the answer broke off: %w", inner(err)))
	}
	if c.Accept != nil {
		if err := c.Accept(got); err != nil {
			return "", c.fail(status, 0, true, fmt.Errorf("%w; it answered: %s", err, orStatus(said, response)))
		}
	}
	return strings.TrimSpace(fmt.Sprintf("%d %s", status, said)), nil
}

func (c *Client) clean(text string) string {
	return alert.OneLine(alert.Redact(text, c.secrets...), showMost)
}

func (c *Client) fail(status int64, after time.Duration, temporary bool, err error) error {
	if text := err.Error(); alert.Redact(text, c.secrets...) != text {
		err = errors.New(alert.Redact(text, c.secrets...))
	}
	return &alert.SendError{Way: c.way, Status: status, RetryAfter: after, Temporary: temporary, Err: err}
}

// inner leaves out the URL, which may hold a secret.
func inner(err error) error {
	var u *url.Error
	if errors.As(err, &u) {
		return u.Err
	}
	return err
}

// temporary is RFC 9110 section 15 with the further codes of the IANA registry: of the client errors only those of time and of too much are
// worth another try; of the server errors all but "cannot ever".
func temporary(status int64) bool {
	switch status {
	case http.StatusRequestTimeout, http.StatusTooEarly, http.StatusTooManyRequests:
		return true
	case http.StatusNotImplemented, http.StatusHTTPVersionNotSupported:
		return false
	}
	return status >= 500
}

// after reads Retry-After (RFC 9110, 10.2.3: seconds, or a date, which is taken against the server's own clock).
func (c *Client) after(r *http.Response, body []byte) time.Duration {
	value := strings.TrimSpace(r.Header.Get("Retry-After"))
	var wait time.Duration
	if s, err := strconv.ParseInt(value, 10, 64); err == nil {
		wait = time.Duration(min(max(s, 0), 30*24*3600)) * time.Second
	} else if at, err := http.ParseTime(value); err == nil {
		if theirs, err := http.ParseTime(r.Header.Get("Date")); err == nil {
			wait = at.Sub(theirs)
		} else {
			wait = time.Until(at)
		}
	}
	if c.After != nil {
		wait = max(wait, c.After(body))
	}
	return max(0, wait)
}

func orStatus(said string, r *http.Response) string {
	if said == "" {
		return "nothing more (" + alert.OneLine(http.StatusText(r.StatusCode), showMost) + ")"
	}
	return said
}

func elsewhere(r *http.Response) string {
	if u, err := r.Location(); err == nil {
		return u.Scheme + "://" + u.Host
	}
	return "no address"
}
