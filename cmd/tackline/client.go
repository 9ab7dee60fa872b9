package main

import (
	"bytes"
	"context"
	"crypto/rand"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"time"
	"unicode"

	"github.com/spf13/cobra"

	"tackline/daemon/access"
	"tackline/daemon/config"
)

// client speaks to the daemon by its HTTP API.
type client struct {
	base string
	key  string      // path of the key of the board, "" for none
	head http.Header // of the newest answer
}

// serverFlag gives the address of the daemon: the flag, TACKLINE_SERVER, or the default address on this board.
func serverFlag(c *cobra.Command, e env) *client {
	def := "http://127.0.0.1:8417"
	if s := e.getenv("TACKLINE_SERVER"); s != "" {
		def = s
	}
	cl := &client{key: filepath.Join(config.Default().Shed.Data, access.KeyFile)}
	if s := e.getenv("TACKLINE_KEY_FILE"); s != "" {
		cl.key = s
	}
	c.PersistentFlags().StringVar(&cl.base, "server", def, "address of the daemon (default from TACKLINE_SERVER where that is set)")
	return cl
}

// answerLimit is more than the longest record.
const answerLimit = 64 << 20

// call makes a request and gives the body of a good answer. The error of a bad one is what the daemon said.
func (c *client) call(ctx context.Context, method, path string, body any) ([]byte, error) {
	if body == nil {
		return c.do(ctx, method, path, "", nil)
	}
	b, err := json.Marshal(body)
	if err != nil {
		return nil, err
	}
	return c.do(ctx, method, path, "application/json", bytes.NewReader(b))
}

// do makes a request with a body of a kind.
func (c *client) do(ctx context.Context, method, path, kind string, in io.Reader) ([]byte, error) {
	ctx, cancel := context.WithTimeout(ctx, 30*time.Second)
	defer cancel()
	res, err := c.open(ctx, method, path, kind, in)
	if err != nil {
		return nil, err
	}
	defer res.Body.Close()
	b, err := io.ReadAll(io.LimitReader(res.Body, answerLimit))
	if err != nil {
		return nil, fmt.Errorf("the daemon's answer broke off: %w", err)
	}
	return b, nil
}

// download writes a good answer, however long, to a file, and gives its bytes. Nothing is left behind of one that broke off.
func (c *client) download(ctx context.Context, path, file string) (n int64, err error) {
	res, err := c.open(ctx, http.MethodGet, path, "", nil)
	if err != nil {
		return 0, err
	}
	defer res.Body.Close()
	f, err := os.Create(file)
	if err != nil {
		return 0, err
	}
	n, err = io.Copy(f, res.Body)
	if err = errors.Join(err, f.Close()); err != nil {
		_ = os.Remove(file)
		return 0, fmt.Errorf("the daemon's answer broke off: %w", err)
	}
	return n, nil
}

// open makes a request and gives a good answer, whose body the caller closes. The error of a bad one is what the daemon said.
func (c *client) open(ctx context.Context, method, path, kind string, in io.Reader) (*http.Response, error) {
	base := c.base
	if !strings.Contains(base, "://") {
		base = "http://" + base
	}
	r, err := http.NewRequestWithContext(ctx, method, strings.TrimSuffix(base, "/")+path, in)
	if err != nil {
		return nil, usagef("--server %q is no address: want one such as http://127.0.0.1:8417", c.base)
	}
	if kind != "" {
		r.Header.Set("Content-Type", kind)
	}
	c.authorize(r)
	res, err := http.DefaultClient.Do(r)
	if err != nil {
		return nil, fmt.Errorf("no daemon answers at %s: is it running? give its address with --server: %w", c.base, err)
	}
	c.head = res.Header
	if res.StatusCode >= 300 {
		defer res.Body.Close()
		b, err := io.ReadAll(io.LimitReader(res.Body, 1<<20))
		if err != nil {
			return nil, fmt.Errorf("the daemon's answer broke off: %w", err)
		}
		var p struct {
			Detail string
			*refused
		}
		p.refused = &refused{status: res.StatusCode}
		if json.Unmarshal(b, &p) == nil && p.Detail != "" {
			p.refused.detail = p.Detail
			return nil, p.refused
		}
		return nil, fmt.Errorf("the daemon refused: %s", res.Status)
	}
	return res, nil
}

// authorize adds the key of the board where it can be read, and where nobody on the way can: by TLS, or within this board.
func (c *client) authorize(r *http.Request) {
	ip := net.ParseIP(r.URL.Hostname())
	if r.URL.Scheme != "https" && r.URL.Hostname() != "localhost" && (ip == nil || !ip.IsLoopback()) {
		return
	}
	if b, err := os.ReadFile(c.key); err == nil {
		if key := strings.TrimSpace(string(b)); key != "" && !strings.ContainsFunc(key, unicode.IsSpace) {
			r.Header.Set("Authorization", "Bearer "+key)
		}
	}
}

// send makes a request with a body of another kind than JSON.
func (c *client) send(ctx context.Context, method, path, kind string, body []byte) ([]byte, error) {
	return c.do(ctx, method, path, kind, bytes.NewReader(body))
}

// get decodes a JSON answer.
func (c *client) get(ctx context.Context, path string, into any) error {
	b, err := c.call(ctx, http.MethodGet, path, nil)
	if err != nil {
		return err
	}
	if err := json.Unmarshal(b, into); err != nil {
		return fmt.Errorf("the daemon's answer can't be read; are both of one version? %w", err)
	}
	return nil
}

// keep has a command of the job book kept, and gives the number of what was made or changed.
func (c *client) keep(ctx context.Context, kind, who string, payload any) (int64, error) {
	b, err := c.call(ctx, http.MethodPost, "/api/v1/commands/"+kind, map[string]any{"who": who, "key": newKey(), "payload": payload})
	if err != nil {
		return 0, err
	}
	var r struct {
		ID int64 `json:"id"`
	}
	if err := json.Unmarshal(b, &r); err != nil {
		return 0, fmt.Errorf("the daemon's answer can't be read: %w", err)
	}
	return r.ID, nil
}

func newKey() string {
	var b [16]byte
	_, _ = rand.Read(b[:]) // never fails: crypto/rand ends the program instead
	return hex.EncodeToString(b[:])
}
