package daemon

import (
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"
	"periph.io/x/conn/v3/gpio/gpiotest"

	"tackline/daemon/config"
	"tackline/sensors/drivers"
)

// TestEveryKindOfAlertHasAWay holds the kinds that a config may name against the ways that the daemon can make, each with the fewest keys.
func TestEveryKindOfAlertHasAWay(t *testing.T) {
	secret := filepath.Join(t.TempDir(), "secret")
	require.NoError(t, os.WriteFile(secret, []byte("canary-7f31\n"), 0o600))
	d := &Daemon{log: slog.New(slog.NewTextHandler(io.Discard, nil))}
	d.o.Config = config.Default()
	d.o.OpenPin = func(string) (drivers.Pin, error) { return &gpiotest.Pin{N: "GPIO17"}, nil }
	for _, kind := range config.AlertKinds() {
		c := config.Alert{Name: "x", Kind: kind, Min: "notice", URL: "https://push.example.org", Topic: "creek", TokenFile: secret, UserFile: secret, Chat: "7",
			Room: "!a:example.org", Broker: "mqtt://127.0.0.1:1883", Pin: config.Pin{Name: "GPIO17", Device: "buzzer"}, Program: "/usr/bin/true", Mail: config.Mail{Host: "mail.example.org", Security: "starttls", User: "shed",
				From: "shed@example.org", To: "wren@example.org"}}
		_, err := d.way(c)
		require.NoError(t, err, kind)
		d.o.Config.Alerts = []config.Alert{c}
		routes, err := d.routes()
		require.NoError(t, err, kind)
		require.Len(t, routes, 1)
		c.TokenFile = filepath.Join(t.TempDir(), "missing")
		_, err = d.way(c)
		require.Error(t, err, kind)
	}
	d.o.Config.Alerts = []config.Alert{{Name: "x", Kind: "pigeon", Min: "notice"}}
	_, err := d.routes()
	require.ErrorContains(t, err, `alert "x": kind "pigeon"`)
}
