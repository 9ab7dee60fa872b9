package mqtt_test

import (
	"context"
	"encoding/json"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"sync"
	"testing"
	"time"

	paho3 "github.com/eclipse/paho.mqtt.golang"
	"github.com/stretchr/testify/require"

	"tackline/daemon/alert"
	"tackline/daemon/alert/alerttest"
	"tackline/daemon/alert/mqtt"
	"tackline/sensors/mqtt/mqtttest"
)

// ear listens to topics by another library and another version of the protocol (3.1.1).
type ear struct{ hear chan string }

func listen(t *testing.T, broker, user, password, topic string) *ear {
	t.Helper()
	e := &ear{hear: make(chan string, 1000)}
	c := paho3.NewClient(paho3.NewClientOptions().AddBroker(broker).SetClientID("ear").SetUsername(user).SetPassword(password).SetAutoReconnect(false).
		SetDefaultPublishHandler(func(_ paho3.Client, m paho3.Message) { e.hear <- m.Topic() + " " + string(m.Payload()) }))
	token := c.Connect()
	require.True(t, token.WaitTimeout(10*time.Second))
	require.NoError(t, token.Error())
	token = c.Subscribe(topic, 1, nil)
	require.True(t, token.WaitTimeout(10*time.Second))
	require.NoError(t, token.Error())
	t.Cleanup(func() { c.Disconnect(0) })
	return e
}

func (e *ear) next(t *testing.T) string {
	t.Helper()
	select {
	case s := <-e.hear:
		return s
	case <-time.After(20 * time.Second):
		require.Fail(t, "nothing was heard")
		return ""
	}
}

func way(t *testing.T, c mqtt.Config) *mqtt.Way {
	t.Helper()
	w, err := mqtt.New(c)
	require.NoError(t, err)
	return w
}

// TestARealBroker: against Eclipse Mosquitto, each message arrives once and whole; what nobody hears, a wrong password, a topic that the access list
// forbids and a broker that is gone are told from one another.
func TestARealBroker(t *testing.T) {
	secret := alerttest.Plain
	acl := filepath.Join(t.TempDir(), "acl")
	require.NoError(t, os.WriteFile(acl, []byte("user shed\ntopic readwrite yard/#\n"), 0o600))
	b := mqtttest.Start(t, fmt.Sprintf("allow_anonymous false\npassword_file %s\nacl_file %s", mqtttest.Users(t, "shed", secret), acl))
	good := mqtt.Config{Broker: b.URL(), Topic: "yard/alert", User: "shed", Password: secret, Sender: "Osier Slip (invented)"}
	w := way(t, good)
	typed := alerttest.Fails(t, w.Send(t.Context(), alerttest.Message()), true, secret)
	require.EqualValues(t, 0x10, typed.Status)
	require.ErrorContains(t, typed, "nobody listens to yard/alert")

	e := listen(t, b.URL(), "shed", secret, "yard/alert")
	for name, m := range alerttest.Messages() {
		require.NoError(t, w.Send(t.Context(), m), name)
		topic, payload, _ := strings.Cut(e.next(t), " ")
		require.Equal(t, "yard/alert", topic)
		var got struct {
			Schema, Sender string
			alert.Message
		}
		require.NoError(t, json.Unmarshal([]byte(payload), &got), name)
		require.Equal(t, "alert/1", got.Schema)
		require.Equal(t, m.ID, got.ID)
		require.Equal(t, m.At, got.At)
	}
	answer, err := w.Try(t.Context(), alerttest.Message())
	require.NoError(t, err)
	require.Contains(t, answer, "PUBACK 0x00")
	require.NotContains(t, answer, secret)

	wrong := good
	wrong.Password = "canary-other"
	typed = alerttest.Fails(t, way(t, wrong).Send(t.Context(), alerttest.Message()), false, wrong.Password)
	require.ErrorContains(t, typed, "does not know the user or the password")
	wrong = good
	wrong.Topic = "elsewhere/alert"
	typed = alerttest.Fails(t, way(t, wrong).Send(t.Context(), alerttest.Message()), false, secret)
	require.ErrorContains(t, typed, "access list")

	b.Kill()
	alerttest.Fails(t, w.Send(t.Context(), alerttest.Message()), true, secret)
	b.Restart()
	e = listen(t, b.URL(), "shed", secret, "yard/alert")
	require.NoError(t, w.Send(t.Context(), alerttest.Message()), "the broker is back")
	e.next(t)
}

// TestTheWillTellsADarkBoard: "online" while Run works, "offline" when it ends in order, and "offline" by the broker when the connection is cut. A proxy
// between the two is the cable that is pulled.
func TestTheWillTellsADarkBoard(t *testing.T) {
	b := mqtttest.Start(t, "allow_anonymous true")
	cable := plug(t, strings.TrimPrefix(b.URL(), "mqtt://"))
	w := way(t, mqtt.Config{Broker: "mqtt://" + cable.address, Topic: "yard/alert"})
	e := listen(t, b.URL(), "", "", "yard/alert/status")
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan struct{})
	go func() { defer close(ended); w.Run(ctx) }()
	require.Equal(t, "yard/alert/status online", e.next(t))
	cable.pull()
	require.Equal(t, "yard/alert/status offline", e.next(t), "the will")
	require.Equal(t, "yard/alert/status online", e.next(t), "it comes back by itself")
	cancel()
	<-ended
	require.Equal(t, "yard/alert/status offline", e.next(t), "an orderly end")
	late := listen(t, b.URL(), "", "", "yard/alert/+")
	require.Equal(t, "yard/alert/status offline", late.next(t), "retained for whoever comes later")
}

// cable is a TCP proxy whose connections can be cut.
type cable struct {
	address string
	mu      sync.Mutex
	conns   []net.Conn
}

func plug(t *testing.T, to string) *cable {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	c := &cable{address: l.Addr().String()}
	t.Cleanup(func() { _ = l.Close(); c.pull() })
	go func() {
		for {
			near, err := l.Accept()
			if err != nil {
				return
			}
			far, err := net.Dial("tcp", to)
			if err != nil {
				_ = near.Close()
				continue
			}
			c.mu.Lock()
			c.conns = append(c.conns, near, far)
			c.mu.Unlock()
			for _, p := range [][2]net.Conn{{near, far}, {far, near}} {
				go func() {
					buf := make([]byte, 4096)
					for {
						n, err := p[0].Read(buf)
						if err != nil {
							return
						}
						if _, err := p[1].Write(buf[:n]); err != nil {
							return
						}
					}
				}()
			}
		}
	}()
	return c
}

func (c *cable) pull() {
	c.mu.Lock()
	defer c.mu.Unlock()
	for _, conn := range c.conns {
		_ = conn.(*net.TCPConn).SetLinger(0)
		_ = conn.Close()
	}
	c.conns = nil
}

// TestServersThatAreNone: nothing there, one that says nothing, one that speaks another tongue, one that dies in the middle. All of that is worth
// another try, no goroutine stays.
func TestServersThatAreNone(t *testing.T) {
	for name, f := range map[string]func(net.Conn){
		"silent": func(c net.Conn) { buf := make([]byte, 64); _, _ = c.Read(buf); time.Sleep(time.Second); _ = c.Close() },
		"foreign": func(c net.Conn) {
			fmt.Fprint(c, "220 mail.example ESMTP\r\n")
			time.Sleep(50 * time.Millisecond)
			_ = c.Close()
		},
		"closed": func(c net.Conn) { _ = c.Close() },
		"dies after the hello": func(c net.Conn) {
			buf := make([]byte, 1024)
			_, _ = c.Read(buf)
			_, _ = c.Write([]byte{0x20, 0x03, 0x00, 0x00, 0x00}) // CONNACK, success, no properties
			_, _ = c.Read(buf)
			_ = c.Close()
		},
	} {
		t.Run(name, func(t *testing.T) {
			l, err := net.Listen("tcp", "127.0.0.1:0")
			require.NoError(t, err)
			defer l.Close()
			go func() {
				for {
					c, err := l.Accept()
					if err != nil {
						return
					}
					go f(c)
				}
			}()
			w := way(t, mqtt.Config{Broker: "mqtt://" + l.Addr().String(), Topic: "yard/alert", User: "shed", Password: alerttest.Plain})
			before := runtime.NumGoroutine()
			for range 3 {
				ctx, cancel := context.WithTimeout(t.Context(), 300*time.Millisecond)
				alerttest.Fails(t, w.Send(ctx, alerttest.Message()), true, alerttest.Plain)
				cancel()
			}
			require.Eventually(t, func() bool { return runtime.NumGoroutine() <= before+2 }, 10*time.Second, 10*time.Millisecond, "goroutines stay behind")
		})
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	require.NoError(t, l.Close())
	alerttest.Fails(t, way(t, mqtt.Config{Broker: "mqtt://" + l.Addr().String(), Topic: "a"}).Send(t.Context(), alerttest.Message()), true, alerttest.Canary)
}

func TestMistakes(t *testing.T) {
	for want, c := range map[string]mqtt.Config{
		"want mqtt://": {Broker: "http://x", Topic: "a"}, "without a user": {Broker: "mqtt://u:canary@x", Topic: "a"},
		"without + and #": {Broker: "mqtt://x", Topic: "a/#"}, "certificate authority": {Broker: "mqtts://x", Topic: "a", CAFile: "/nowhere"},
	} {
		_, err := mqtt.New(c)
		require.ErrorContains(t, err, want)
		require.NotContains(t, err.Error(), "canary")
	}
}
