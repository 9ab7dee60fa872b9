package daemon

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/http"
	netmail "net/mail"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	paho3 "github.com/eclipse/paho.mqtt.golang"
	"github.com/emersion/go-smtp"
	"github.com/stretchr/testify/require"

	"tackline/daemon/alert"
	"tackline/daemon/config"
	"tackline/sensors/mqtt/mqtttest"
)

// letters is a mailbox behind a real SMTP server (another project's), which is there or not.
type letters struct {
	mu  sync.Mutex
	got []string
}

// NewSession does as smtp.Backend says.
func (l *letters) NewSession(*smtp.Conn) (smtp.Session, error) { return &letter{l}, nil }

// letter is one mail on its way in.
type letter struct{ box *letters }

// Mail, Rcpt, Data, Reset and Logout do as smtp.Session says.
func (letter) Mail(string, *smtp.MailOptions) error { return nil }
func (letter) Rcpt(string, *smtp.RcptOptions) error { return nil }
func (letter) Reset()                               {}
func (letter) Logout() error                        { return nil }
func (l letter) Data(r io.Reader) error {
	m, err := netmail.ReadMessage(r)
	if err != nil {
		return err
	}
	body, err := io.ReadAll(m.Body)
	l.box.mu.Lock()
	defer l.box.mu.Unlock()
	l.box.got = append(l.box.got, strings.ReplaceAll(string(body), "=\r\n", ""))
	return err
}

// hook is a web server that works, dies in the middle, refuses for now, asks for silence, or is not there, as it is told.
type hook struct {
	address string
	mu      sync.Mutex
	mode    string
	calls   int64
	got     []alert.Message
	server  *http.Server
}

func (h *hook) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.calls++
	switch h.mode {
	case "503":
		w.WriteHeader(http.StatusServiceUnavailable)
		return
	case "429":
		w.Header().Set("Retry-After", "1800")
		w.WriteHeader(http.StatusTooManyRequests)
		return
	case "dies":
		panic(http.ErrAbortHandler)
	}
	var m alert.Message
	if json.NewDecoder(r.Body).Decode(&m) == nil {
		h.got = append(h.got, m)
	}
}

func (h *hook) up(t *testing.T) {
	t.Helper()
	l, err := net.Listen("tcp", h.address)
	require.NoError(t, err)
	h.address = l.Addr().String()
	h.server = &http.Server{Handler: h}
	go func() { _ = h.server.Serve(l) }()
}

func (h *hook) set(mode string) int64 {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.mode = mode
	calls := h.calls
	h.calls = 0
	return calls
}

// TestTwelveHoursWithoutNetworkAndAReboot: an SMTP server, an MQTT broker and a web server on loopback are gone for twelve hours, with a reboot of the board in the
// middle; the web server fails in every way before it comes back. Afterwards each thing has arrived once by each way, with its true time; what came and went is one message.
func TestTwelveHoursWithoutNetworkAndAReboot(t *testing.T) {
	broker := mqtttest.Start(t, "allow_anonymous true\npersistence false")
	h := &hook{address: "127.0.0.1:0"}
	h.up(t)
	box := &letters{}
	mail := func(address string) (*smtp.Server, string) {
		l, err := net.Listen("tcp", address)
		require.NoError(t, err)
		s := smtp.NewServer(box)
		s.Domain, s.AllowInsecureAuth = "localhost", true
		go func() { _ = s.Serve(l) }()
		return s, l.Addr().String()
	}
	post, postAt := mail("127.0.0.1:0")
	var heardMu sync.Mutex
	var heard []alert.Message
	listen := func() paho3.Client {
		c := paho3.NewClient(paho3.NewClientOptions().AddBroker(broker.URL()).SetClientID("board").SetAutoReconnect(false))
		token := c.Connect()
		require.True(t, token.WaitTimeout(10*time.Second))
		require.NoError(t, token.Error())
		token = c.Subscribe("shed/alert", 1, func(_ paho3.Client, m paho3.Message) {
			var got alert.Message
			if json.Unmarshal(m.Payload(), &got) == nil {
				heardMu.Lock()
				heard = append(heard, got)
				heardMu.Unlock()
			}
		})
		require.True(t, token.WaitTimeout(10*time.Second))
		return c
	}
	ear := listen()
	defer func() { ear.Disconnect(0) }()
	_, port, err := net.SplitHostPort(postAt)
	require.NoError(t, err)
	folder := filepath.Join(t.TempDir(), "data")
	open := func() *Daemon {
		t.Helper()
		c, err := config.Parse([]byte(fmt.Sprintf("format = 1\n[shed]\nname = \"Osier Slip (invented)\"\nzone = \"UTC\"\ndata = %q\nlisten = \"127.0.0.1:0\"\n"+
			"[clock]\nspeed = \"free\"\nstart = 2026-01-14T07:00:00Z\n[[probe]]\nname = \"a\"\nkind = \"shed\"\nplace = \"air\"\n"+
			"[[alert]]\nname = \"web\"\nkind = \"webhook\"\nurl = \"http://%s/x\"\n[[alert]]\nname = \"broker\"\nkind = \"mqtt\"\nbroker = %q\ntopic = \"shed/alert\"\n"+
			"[[alert]]\nname = \"mail\"\nkind = \"mail\"\nhost = \"127.0.0.1\"\nport = %s\ntls = \"none\"\nfrom = \"shed@example.org\"\nto = \"wren@example.org\"\n",
			folder, h.address, broker.URL(), port)), "outage")
		require.NoError(t, err)
		d, err := New(Options{Config: c})
		require.NoError(t, err)
		return d
	}
	d := open()
	defer func() { require.NoError(t, d.Stop()) }()
	stamp := d.clock.Now()
	midnight := time.Date(2026, 1, 14, 0, 0, 0, 0, time.UTC)
	asked := map[string]int64{}
	for minute := 7 * 60; minute <= 21*60; minute++ {
		switch minute {
		case 8 * 60: // the network goes, once what the broker has taken has come through it
			require.Eventually(t, func() bool { heardMu.Lock(); defer heardMu.Unlock(); return len(heard) == 1 }, time.Minute, 10*time.Millisecond)
			require.NoError(t, h.server.Close())
			require.NoError(t, post.Close())
			ear.Disconnect(0)
			broker.Kill()
		case 13 * 60: // power off and on
			require.NoError(t, d.Stop())
			d = open()
			stamp.Boot, stamp.Mono = "another", 1000
		case 16 * 60:
			h.set("503")
			h.up(t)
		case 17 * 60:
			asked["503"] = h.set("dies")
		case 18 * 60:
			asked["dies"] = h.set("429")
		case 20 * 60: // all is back
			asked["429"] = h.set("")
			post, _ = mail(postAt)
			broker.Restart()
			ear = listen()
		}
		stamp.Wall, stamp.Mono = midnight.Add(time.Duration(minute)*time.Minute).UnixMilli(), stamp.Mono+60_000
		var holds []alert.Condition
		add := func(title string, event bool, from, to float64) {
			if at := float64(minute) / 60; at >= from && at < to {
				holds = append(holds, alert.Condition{Key: "coat/1/" + title, Severity: alert.Warning, Title: title, Body: "Body of " + title + ".", Active: true, Event: event})
			}
		}
		add("told before", false, 7.25, 9)  // its raise arrives, its clear waits
		add("came and went", false, 10, 11) // unseen
		add("over the reboot", false, 12.5, 14)
		add("window", true, 14.1, 15)
		add("still on", false, 18.5, 24)
		_, err := d.alerts.decide(t.Context(), holds, stamp)
		require.NoError(t, err)
		_, err = d.alerts.outbox.Deliver(t.Context(), time.UnixMilli(stamp.Wall).UTC())
		require.NoError(t, err)
	}
	_ = post.Close()
	want := []string{"told before", "Over: told before | At 09:00", "Came and went: came and went | At 10:00", "Came and went: over the reboot | At 12:30", "window | At 14:06",
		"still on | At 18:30"}
	said := func(all []alert.Message) (out []string) {
		for _, m := range all {
			if strings.HasPrefix(m.Title, "Still: ") { // repeats, before and after
				continue
			}
			text := m.Title
			if strings.HasPrefix(m.Body, "At ") {
				text += " | " + m.Body[:len("At 09:00")]
			}
			out = append(out, text)
		}
		return out
	}
	require.Equal(t, want, said(h.got))
	require.Eventually(t, func() bool { heardMu.Lock(); defer heardMu.Unlock(); return len(heard) >= len(h.got) }, time.Minute, 10*time.Millisecond)
	require.Equal(t, want, said(heard))
	box.mu.Lock()
	defer box.mu.Unlock()
	all := strings.Join(box.got, "\n")
	require.GreaterOrEqual(t, len(box.got), len(want))
	for _, title := range []string{"told before", "came and went", "over the reboot", "window", "still on"} {
		n := strings.Count(all, "Body of "+title+".")
		require.LessOrEqual(t, n, 2, title) // a repeat says it again
		require.Positive(t, n+strings.Count(all, "It held from"), title)
	}
	require.Positive(t, asked["503"])
	require.LessOrEqual(t, asked["503"], int64(10), "a quarter of an hour apart, two messages at most each time: one that a server chokes on stops no other")
	require.LessOrEqual(t, asked["dies"], int64(10))
	require.LessOrEqual(t, asked["429"], int64(5), "half an hour apart, as it asked")
	waiting, err := d.book.WaitingOn(context.Background(), "web", 10)
	require.NoError(t, err)
	require.Empty(t, waiting)
}
