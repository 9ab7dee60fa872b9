package access

import (
	"bufio"
	"crypto/tls"
	"errors"
	"fmt"
	"net"
	"net/netip"
	"os"
	"sync"
	"time"
)

const (
	mostOfOne = 48  // connections of one address at once
	mostOfAll = 400 // connections at once, those of the board itself aside
	firstByte = 10 * time.Second
	lookEvery = time.Minute // how often the certificate's files are looked at
)

// Listener gives connections to a server, a few for each address. With a certificate it takes TLS and plain connections at one port, told apart by
// their first byte: the board's own commands stay plain, and whoever types the address without https can be sent on.
type Listener struct {
	inner  net.Listener
	config *tls.Config // nil: plain alone
	ready  chan net.Conn
	done   chan struct{}
	once   sync.Once
	failed error

	mu    sync.Mutex
	count map[netip.Addr]int64
	all   int64
}

// Listen starts to take connections of a listener. config may be nil.
func Listen(inner net.Listener, config *tls.Config) *Listener {
	l := &Listener{inner: inner, config: config, ready: make(chan net.Conn), done: make(chan struct{}), count: map[netip.Addr]int64{}}
	go l.take()
	return l
}

func (l *Listener) take() {
	for {
		c, err := l.inner.Accept()
		var passing net.Error
		if errors.As(err, &passing) && passing.Timeout() || err != nil && l.open() && !errors.Is(err, net.ErrClosed) {
			time.Sleep(20 * time.Millisecond) // out of file handles, for one: it passes
			continue
		}
		if err != nil {
			l.close(err)
			return
		}
		a := addrOf(c.RemoteAddr().String())
		if !l.enter(a) {
			_ = c.Close()
			continue
		}
		go l.sort(&counted{Conn: c, leave: sync.OnceFunc(func() { l.left(a) })})
	}
}

func (l *Listener) open() bool {
	select {
	case <-l.done:
		return false
	default:
		return true
	}
}

// close ends taking; err is why, nil where somebody asked for it. The first word holds.
func (l *Listener) close(err error) {
	l.once.Do(func() {
		l.failed = err
		close(l.done)
	})
}

// enter counts a connection of an address; false where it has too many.
func (l *Listener) enter(a netip.Addr) bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	if !a.IsLoopback() && (l.count[a] >= mostOfOne || l.all >= mostOfAll) {
		return false
	}
	l.count[a]++
	if !a.IsLoopback() {
		l.all++
	}
	return true
}

func (l *Listener) left(a netip.Addr) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.count[a]--; l.count[a] <= 0 {
		delete(l.count, a)
	}
	if !a.IsLoopback() {
		l.all--
	}
}

// sort waits for the first byte where it matters, and hands the connection over.
func (l *Listener) sort(c *counted) {
	var out net.Conn = c
	if l.config != nil {
		b := bufio.NewReaderSize(c.Conn, 16)
		_ = c.SetReadDeadline(time.Now().Add(firstByte))
		first, err := b.Peek(1)
		if err != nil {
			_ = c.Close()
			return
		}
		_ = c.SetReadDeadline(time.Time{})
		c.first = b
		if first[0] == 0x16 { // a TLS handshake, RFC 8446 section 5.1
			out = tls.Server(c, l.config)
		}
	}
	select {
	case l.ready <- out:
	case <-l.done:
		_ = c.Close()
	}
}

// Accept gives the next connection: a *tls.Conn where it began with TLS.
func (l *Listener) Accept() (net.Conn, error) {
	select {
	case c := <-l.ready:
		return c, nil
	case <-l.done:
		if l.failed != nil {
			return nil, l.failed
		}
		return nil, net.ErrClosed
	}
}

// Close ends the listener; connections that were handed over go on.
func (l *Listener) Close() error {
	l.close(nil)
	return l.inner.Close()
}

// Addr is where it listens.
func (l *Listener) Addr() net.Addr { return l.inner.Addr() }

// counted is a connection that is counted until it is closed, with what was read of it already.
type counted struct {
	net.Conn
	first *bufio.Reader
	leave func()
}

func (c *counted) Read(b []byte) (int, error) {
	if c.first != nil && c.first.Buffered() > 0 {
		return c.first.Read(b)
	}
	return c.Conn.Read(b)
}

func (c *counted) Close() error {
	c.leave()
	return c.Conn.Close()
}

// Certificate reads a certificate with its key, both in PEM, and gives a configuration that takes over renewed files within a minute. Files that
// can't be read then change nothing; failed hears of it.
func Certificate(cert, key string, failed func(error)) (*tls.Config, error) {
	first, err := tls.LoadX509KeyPair(cert, key)
	if err != nil {
		return nil, fmt.Errorf("access: certificate: %w", err)
	}
	var mu sync.Mutex
	held, stamp, looked := &first, stampOf(cert, key), time.Now()
	return &tls.Config{MinVersion: tls.VersionTLS12, NextProtos: []string{"h2", "http/1.1"}, GetCertificate: func(*tls.ClientHelloInfo) (*tls.Certificate, error) {
		mu.Lock()
		defer mu.Unlock()
		if time.Since(looked) < lookEvery {
			return held, nil
		}
		looked = time.Now()
		if now := stampOf(cert, key); now != stamp {
			renewed, err := tls.LoadX509KeyPair(cert, key)
			if err != nil {
				failed(fmt.Errorf("access: renewed certificate: %w", err))
				return held, nil
			}
			held, stamp = &renewed, now
		}
		return held, nil
	}}, nil
}

// stampOf tells one state of the files from another.
func stampOf(paths ...string) string {
	out := ""
	for _, p := range paths {
		if st, err := os.Stat(p); err == nil {
			out += fmt.Sprint(st.ModTime().UnixNano(), " ", st.Size(), " ")
		}
	}
	return out
}
