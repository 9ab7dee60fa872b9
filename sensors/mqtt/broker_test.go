package mqtt

import (
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"encoding/pem"
	"fmt"
	"math/big"
	"net"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	paho3 "github.com/eclipse/paho.mqtt.golang"
	"github.com/stretchr/testify/require"

	"tackline/sensors"
	"tackline/sensors/mqtt/mqtttest"
	"tackline/sensors/nodes"
)

// sender is a node, or its gateway.
func sender(t *testing.T, b *mqtttest.Broker, id string) paho3.Client {
	t.Helper()
	c := paho3.NewClient(paho3.NewClientOptions().AddBroker(b.URL()).SetClientID(id).SetAutoReconnect(false))
	require.NoError(t, done(t.Context(), c.Connect()))
	t.Cleanup(func() { c.Disconnect(0) })
	return c
}

func send(t *testing.T, c paho3.Client, topic, payload string, retained bool) {
	t.Helper()
	require.NoError(t, done(t.Context(), c.Publish(topic, 1, retained, payload)))
}

// station is a client with its hub and one bound probe.
type station struct {
	*Client
	hub   *nodes.Hub
	probe *nodes.Probe
}

func listen(t *testing.T, b *mqtttest.Broker, version string) *station {
	t.Helper()
	hub := nodes.New(nil)
	s := &station{hub: hub, probe: hub.Probe("bow", 0)}
	hub.Bind(map[string]string{"mqtt:a4": "bow"})
	var err error
	s.Client, err = New(Options{Broker: b.URL(), Version: version, Sink: hub, Status: "yard/tackline/status", Wait: 50 * time.Millisecond,
		Topics: []Topic{climate(), {Filter: "yard/+/there", NodeLevel: 2, Online: true}}})
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan struct{})
	go func() { defer close(ended); s.Run(ctx) }()
	t.Cleanup(func() { cancel(); <-ended })
	return s
}

func (s *station) connected(t *testing.T, times int64) {
	t.Helper()
	require.Eventually(t, func() bool { st := s.State(); return st.Connected && st.Connects >= times }, 20*time.Second, 5*time.Millisecond)
}

// hears waits for the next readings of the probe.
func (s *station) hears(t *testing.T) []sensors.Reading {
	t.Helper()
	var got []sensors.Reading
	require.Eventually(t, func() bool {
		more, err := s.probe.Read(t.Context())
		got = append(got, more...)
		return err == nil && len(got) > 0
	}, 10*time.Second, 5*time.Millisecond)
	return got
}

func TestBroker(t *testing.T) {
	for _, version := range []string{V5, V311} {
		t.Run(version, func(t *testing.T) {
			b := mqtttest.Start(t, "allow_anonymous true")
			b.Kill()
			s := listen(t, b, version) // the first connect is tried as long as any other
			require.Eventually(t, func() bool { return s.State().Problem != "" }, 10*time.Second, 5*time.Millisecond)
			b.Restart()
			s.connected(t, 1)

			for i := range int64(3) {
				node := sender(t, b, "node")
				send(t, node, "yard/a4/climate", `{"t":12.5,"rh":71}`, false)
				got := s.hears(t)
				require.Len(t, got, 2)
				require.InDelta(t, 12.5, got[0].Value, 0)
				require.True(t, got[0].At.IsZero())
				send(t, node, "yard/zz/climate", `{"t":3}`, false)
				require.Eventually(t, func() bool { return len(s.hub.Nodes()) == 2 }, 10*time.Second, 5*time.Millisecond, "a stranger is listed")
				b.Kill()
				require.Eventually(t, func() bool { return !s.State().Connected }, 10*time.Second, 5*time.Millisecond)
				b.Restart()
				s.connected(t, i+2) // and has subscribed again, as the next round shows
			}
		})
	}
}

func TestRetainedOverARealBroker(t *testing.T) {
	for _, version := range []string{V5, V311} {
		t.Run(version, func(t *testing.T) {
			b := mqtttest.Start(t, "allow_anonymous true")
			node := sender(t, b, "node")
			send(t, node, "yard/a4/climate", `{"t":12.5}`, true)
			send(t, node, "yard/b7/climate", `{"t":4,"time":"2026-01-14T06:30:00Z"}`, true)
			s := listen(t, b, version)
			other := s.hub.Probe("stern", 0)
			s.hub.Bind(map[string]string{"mqtt:a4": "bow", "mqtt:b7": "stern"})
			require.Eventually(t, func() bool { return s.State().Messages == 2 }, 10*time.Second, 5*time.Millisecond)
			_, err := s.probe.Read(t.Context())
			require.ErrorIs(t, err, sensors.ErrAbsent)
			require.Equal(t, sensors.UnknownAge, s.hub.Nodes()[0].Last[0].Status)
			got, err := other.Read(t.Context())
			require.NoError(t, err)
			require.Equal(t, time.Date(2026, 1, 14, 6, 30, 0, 0, time.UTC), got[0].At)
			send(t, node, "yard/a4/climate", `{"t":13}`, true) // now it is said, and retained for others
			require.InDelta(t, 13, s.hears(t)[0].Value, 0)
		})
	}
}

func TestWillAndAvailability(t *testing.T) {
	for _, version := range []string{V5, V311} {
		t.Run(version, func(t *testing.T) {
			b := mqtttest.Start(t, "allow_anonymous true")
			watch := sender(t, b, "watch")
			words := make(chan string, 8)
			require.NoError(t, done(t.Context(), watch.Subscribe("yard/tackline/status", 1, func(_ paho3.Client, m paho3.Message) { words <- string(m.Payload()) })))
			s := listen(t, b, version)
			require.Equal(t, "online", <-words)

			var wire net.Conn
			gateway := paho3.NewClient(paho3.NewClientOptions().AddBroker(b.URL()).SetClientID("a4").
				SetAutoReconnect(false).SetWill("yard/a4/there", "offline", 1, true).SetKeepAlive(2 * time.Second).
				SetCustomOpenConnectionFn(func(u *url.URL, _ paho3.ClientOptions) (c net.Conn, err error) {
					c, err = net.Dial("tcp", u.Host)
					wire = c
					return c, err
				}))
			require.NoError(t, done(t.Context(), gateway.Connect()))
			send(t, gateway, "yard/a4/climate", `{"t":12.5}`, false)
			s.hears(t)
			require.NoError(t, wire.Close()) // the node vanishes without a word; the broker speaks its will
			require.Eventually(t, func() bool {
				_, err := s.probe.Read(t.Context())
				return err != nil && strings.Contains(err.Error(), "says that it is away")
			}, 10*time.Second, 5*time.Millisecond)
			gateway.Disconnect(0)
		})
	}
}

func TestWrongPasswordAndRefusedTopic(t *testing.T) {
	b := mqtttest.Start(t, "allow_anonymous false\npassword_file "+mqtttest.Users(t, "shed", "canary"))
	for _, version := range []string{V5, V311} {
		open := func(password string) (State, error) {
			c, err := New(Options{Broker: b.URL(), Version: version, User: "shed", Password: password, Sink: nodes.New(nil), Topics: []Topic{climate()}})
			require.NoError(t, err)
			ctx, cancel := context.WithTimeout(t.Context(), 10*time.Second)
			defer cancel()
			if version == V311 {
				l, err := c.open311(ctx)
				if err == nil {
					l.close()
				}
				return c.State(), err
			}
			l, err := c.open5(ctx)
			if err == nil {
				l.close()
			}
			return c.State(), err
		}
		_, err := open("canary")
		require.NoError(t, err, version)
		_, err = open("wrong-canary")
		require.Error(t, err, version)
		require.NotContains(t, err.Error(), "canary")
	}
}

// One node sends as fast as the broker takes it; another says one thing now and then, and none of it is lost.
func TestAFloodOverARealBroker(t *testing.T) {
	b := mqtttest.Start(t, "allow_anonymous true")
	for _, version := range []string{V5, V311} {
		t.Run(version, func(t *testing.T) { flood(t, b, version) })
	}
}

func flood(t *testing.T, b *mqtttest.Broker, version string) {
	s := listen(t, b, version)
	quiet := s.hub.Probe("stern", 0)
	s.hub.Bind(map[string]string{"mqtt:a4": "bow", "mqtt:q1": "stern"})
	s.connected(t, 1)
	loud, other := sender(t, b, "loud"), sender(t, b, "quiet")
	for i := range 30_000 {
		loud.Publish("yard/a4/climate", 0, false, `{"t":12.5}`)
		if i%1000 == 0 {
			send(t, other, "yard/q1/climate", fmt.Sprintf(`{"t":%d}`, i/1000), false)
		}
	}
	var got []sensors.Reading
	require.Eventually(t, func() bool {
		more, err := quiet.Read(t.Context())
		got = append(got, more...)
		return err == nil && len(got) >= 30
	}, 20*time.Second, 5*time.Millisecond)
	require.Len(t, got, 30)
	for i, r := range got {
		require.InDelta(t, float64(i), r.Value, 0)
	}
	require.LessOrEqual(t, s.hub.Waiting("bow"), int64(nodes.MaxQueue))
	require.Positive(t, s.hub.Nodes()[0].Dropped)
	require.EqualValues(t, 1, s.State().Connects, "the flood has not cost the connection")
}

// authority makes a certificate for 127.0.0.1 that signs itself, and gives the files of certificate and key.
func authority(t *testing.T) (cert, key string) {
	t.Helper()
	private, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	require.NoError(t, err)
	about := &x509.Certificate{SerialNumber: big.NewInt(1), NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour), IsCA: true,
		BasicConstraintsValid: true, IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}}
	der, err := x509.CreateCertificate(rand.Reader, about, about, &private.PublicKey, private)
	require.NoError(t, err)
	secret, err := x509.MarshalPKCS8PrivateKey(private)
	require.NoError(t, err)
	dir := t.TempDir()
	cert, key = filepath.Join(dir, "cert.pem"), filepath.Join(dir, "key.pem")
	require.NoError(t, os.WriteFile(cert, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}), 0o600))
	require.NoError(t, os.WriteFile(key, pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: secret}), 0o600))
	return cert, key
}

func TestSecureConnection(t *testing.T) {
	cert, key := authority(t)
	b := mqtttest.Start(t, "allow_anonymous true\ncertfile "+cert+"\nkeyfile "+key)
	for _, version := range []string{V5, V311} {
		for file, good := range map[string]bool{cert: true, "": false} { // without its authority the broker is a stranger
			c, err := New(Options{Broker: strings.Replace(b.URL(), "mqtt:", "mqtts:", 1), CAFile: file, Version: version, Status: "tackline/status",
				Sink: nodes.New(nil), Topics: []Topic{climate()}})
			require.NoError(t, err)
			ctx, cancel := context.WithTimeout(t.Context(), 10*time.Second)
			open := map[string]func(context.Context) (link, error){V5: c.open5, V311: c.open311}[version]
			l, err := open(ctx)
			if good {
				require.NoError(t, err, version)
				require.NoError(t, l.publish(ctx, "tackline/status", "online"))
				l.close()
			} else {
				require.ErrorContains(t, err, "certificate", version)
			}
			cancel()
		}
	}
}

func TestRefusedOptions(t *testing.T) {
	_, err := New(Options{Broker: "tcp://user:canary@x", Version: "4"})
	require.ErrorContains(t, err, "want mqtt://host:1883")
	require.ErrorContains(t, err, `version "4"`)
	require.ErrorContains(t, err, "at least one topic")
	require.NotContains(t, err.Error(), "canary")
}
