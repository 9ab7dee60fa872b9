// Package sensortest is the conformance suite that every driver runs: what the poller relies on, whatever the chip.
package sensortest

import (
	"context"
	"errors"
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tackline/sensors"
)

// Case makes the probes of one driver in the states that the suite needs. Healthy is required; a nil maker leaves its part out.
type Case struct {
	// Healthy gives a probe whose first Read succeeds.
	Healthy func(t *testing.T) sensors.Probe
	// Absent gives a probe whose chip does not answer.
	Absent func(t *testing.T) sensors.Probe
	// Broken gives probes that answer with something that cannot be believed, by name.
	Broken map[string]func(t *testing.T) sensors.Probe
	// OwnTime says that readings carry times of their own.
	OwnTime bool
}

// Run runs the suite.
func Run(t *testing.T, c Case) {
	t.Helper()
	t.Run("healthy", func(t *testing.T) { healthy(t, c) })
	t.Run("ended context", func(t *testing.T) { ended(t, c) })
	t.Run("closed twice", func(t *testing.T) {
		p := c.Healthy(t)
		require.NoError(t, p.Close())
		require.NoError(t, p.Close())
		readings, err := p.Read(t.Context())
		require.Error(t, err, "a closed probe does not read")
		require.Empty(t, readings)
	})
	if c.Absent != nil {
		t.Run("absent", func(t *testing.T) {
			p := c.Absent(t)
			for range 3 {
				readings, err := p.Read(t.Context())
				require.ErrorIs(t, err, sensors.ErrAbsent)
				require.Empty(t, readings, "a failed read leaves no value")
			}
			require.NoError(t, p.Close())
		})
	}
	for name, open := range c.Broken {
		t.Run("broken: "+name, func(t *testing.T) {
			p := open(t)
			readings, err := p.Read(t.Context())
			var bad *sensors.BadSample
			require.ErrorAs(t, err, &bad)
			require.False(t, bad.Status.Usable(), "a bad sample has a status that says so")
			require.Empty(t, readings, "a failed read leaves no value")
			require.NoError(t, p.Close())
		})
	}
}

// healthy checks what a good Read gives.
func healthy(t *testing.T, c Case) {
	p := c.Healthy(t)
	readings, err := p.Read(t.Context())
	require.NoError(t, err)
	require.NotEmpty(t, readings)
	type key struct {
		q  sensors.Quantity
		at time.Time
	}
	seen := map[key]bool{}
	for _, r := range readings {
		require.Contains(t, sensors.Quantities(), r.Quantity)
		require.False(t, math.IsNaN(r.Value) || math.IsInf(r.Value, 0), "%s is not finite", r.Quantity)
		require.Equal(t, c.OwnTime, !r.At.IsZero(), "a time of its own")
		require.Equal(t, sensors.OK, r.Status)
		k := key{r.Quantity, r.At}
		require.False(t, seen[k], "two readings of %s at once", r.Quantity)
		seen[k] = true
	}
	require.NoError(t, p.Close())
}

// ended checks that a Read with an ended context gives no value, and returns.
func ended(t *testing.T, c Case) {
	p := c.Healthy(t)
	ctx, cancel := context.WithCancelCause(t.Context())
	cause := errors.New("ended by the test")
	cancel(cause)
	readings, err := p.Read(ctx)
	require.Error(t, err)
	require.ErrorIs(t, err, context.Canceled, "the error says that the context ended")
	require.Empty(t, readings)
	require.NoError(t, p.Close())
}
