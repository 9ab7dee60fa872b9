package ds18b20

import (
	"context"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"periph.io/x/conn/v3/onewire"
	"periph.io/x/conn/v3/onewire/onewiretest"

	"tackline/sensors"
	"tackline/sensors/internal/chip"
	"tackline/sensors/internal/scratchpad"
	"tackline/sensors/sensortest"
)

const id = "28-0316a2791234"

// Family, number with its low byte first, checksum: the address 02 1C B8 01 00 00 00 has A2 (Maxim application note 27).
func TestAddress(t *testing.T) {
	a, err := ParseAddress(id)
	require.NoError(t, err)
	b := make([]byte, 8)
	for i := range b {
		b[i] = byte(a >> (8 * i))
	}
	require.Equal(t, []byte{0x28, 0x34, 0x12, 0x79, 0xa2, 0x16, 0x03}, b[:7])
	require.True(t, onewire.CheckCRC(b))
	for _, bad := range []string{"", "10-0316a2791234", "28-0316A2791234", "28-0316a279123", "0x28"} {
		_, err := ParseAddress(bad)
		require.ErrorContains(t, err, "28-0316a2791234", bad)
	}
}

// bridged gives a thermometer whose wire is played back from a record.
func bridged(t *testing.T, ops ...onewiretest.IO) (*Probe, *onewiretest.Playback) {
	t.Helper()
	wire := &onewiretest.Playback{Ops: ops, DontPanic: true}
	b, err := NewBridge(&sensortest.Bus{Answer: func(_, _ []byte) error { return nil }}, DefaultBridge)
	require.NoError(t, err)
	b.wait = time.Millisecond
	b.open = func(*chip.Talk) (onewire.Bus, error) { return wire, nil }
	p, err := b.Probe(id)
	require.NoError(t, err)
	return p, wire
}

func convert() onewiretest.IO {
	return onewiretest.IO{W: []byte{0xcc, 0x44}, Pull: onewire.StrongPullup}
}

func answer(t *testing.T, pad ...byte) onewiretest.IO {
	t.Helper()
	a, err := ParseAddress(id)
	require.NoError(t, err)
	w := []byte{0x55}
	for i := range 8 {
		w = append(w, byte(a>>(8*i)))
	}
	return onewiretest.IO{W: append(w, 0xbe), R: pad}
}

func pad(b ...byte) []byte { return append(b, scratchpad.CRC8(b)) }

// One conversion for all, then the nine bytes: 91 01 4B 46 7F FF 0F 10 with checksum 25 is 25.0625 C (data sheet's table, from memory).
func TestTalk(t *testing.T) {
	p, wire := bridged(t, convert(), answer(t, 0x91, 0x01, 0x4b, 0x46, 0x7f, 0xff, 0x0f, 0x10, 0x25))
	got, err := p.Read(t.Context())
	require.NoError(t, err)
	require.Equal(t, []sensors.Reading{{Quantity: sensors.Temperature, Value: 25.0625}}, got)
	require.NoError(t, wire.Close())
}

// A conversion that never happened reads 85 C: the mark in byte 6 says so. Periph's own guard never trips.
func TestPowerUpValue(t *testing.T) {
	p, _ := bridged(t, convert(), answer(t, 0x50, 0x05, 0x4b, 0x46, 0x7f, 0xff, 0x0c, 0x10, 0x1c))
	_, err := p.Read(t.Context())
	var bad *sensors.BadSample
	require.ErrorAs(t, err, &bad)
	require.Equal(t, sensors.PowerOnValue, bad.Status)
	p, _ = bridged(t, convert(), answer(t, pad(0x50, 0x05, 0x4b, 0x46, 0x7f, 0xff, 0x02, 0x10)...))
	got, err := p.Read(t.Context())
	require.NoError(t, err)
	require.Equal(t, sensors.PowerOnValue, got[0].Status, "not marked, and nothing before it to support it")
}

func TestSilentOnALiveWire(t *testing.T) {
	p, _ := bridged(t, convert(), answer(t, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff))
	_, err := p.Read(t.Context())
	require.ErrorIs(t, err, sensors.ErrAbsent)
	require.ErrorContains(t, err, id)
}

// bridge is a bridge in memory, with one thermometer on its wire.
type bridge struct {
	pad      []byte
	status   byte
	sent     []byte
	data     byte
	at       int
	pointer  byte
	converts int
}

func (b *bridge) answer(w, r []byte) error {
	if len(w) > 0 {
		switch w[0] {
		case 0xf0: // reset of the bridge
			b.pointer, b.status = 0xf0, 0x18
		case 0xd2: // settings: the low half is read back
			b.pointer = 0xc3
			if len(r) > 0 {
				r[0] = w[1] & 0x0f
			}
			return nil
		case 0xe1: // set the read pointer
			if w[1] == 0xb4 || w[1] == 0xd2 {
				return sensortest.ErrNoAnswer // registers of its larger sisters
			}
			b.pointer = w[1]
		case 0xb4: // reset of the wire: somebody is present
			b.status, b.sent, b.at, b.pointer = 0x02, nil, 0, 0xf0
		case 0xa5: // write a byte
			b.sent, b.status, b.pointer = append(b.sent, w[1]), 0, 0xf0
			if len(b.sent) == 2 && b.sent[0] == 0xcc && b.sent[1] == 0x44 {
				b.converts++
			}
		case 0x96: // read a byte
			b.data, b.status, b.pointer = b.pad[b.at%9], 0, 0xf0
			b.at++
		}
	}
	if len(r) > 0 {
		r[0] = b.status
		if b.pointer == 0xe1 {
			r[0] = b.data
		}
	}
	return nil
}

func onBridge(t *testing.T, spad []byte) (*Probe, *bridge, *sensortest.Bus) {
	t.Helper()
	chip := &bridge{pad: spad}
	bus := &sensortest.Bus{Answer: chip.answer}
	b, err := NewBridge(bus, DefaultBridge)
	require.NoError(t, err)
	b.wait = time.Millisecond
	p, err := b.Probe(id)
	require.NoError(t, err)
	return p, chip, bus
}

var good = []byte{0x91, 0x01, 0x4b, 0x46, 0x7f, 0xff, 0x0f, 0x10, 0x25}

func TestConformance(t *testing.T) {
	made := func(spad []byte) func(*testing.T) sensors.Probe {
		return func(t *testing.T) sensors.Probe { p, _, _ := onBridge(t, spad); return p }
	}
	sensortest.Run(t, sensortest.Case{
		Healthy: made(good),
		Absent: func(t *testing.T) sensors.Probe {
			p, _, bus := onBridge(t, good)
			bus.Gone = true
			return p
		},
		Broken: map[string]func(*testing.T) sensors.Probe{
			"checksum": made([]byte{0x91, 0x01, 0x4b, 0x46, 0x7f, 0xff, 0x0f, 0x10, 0x26}),
			"all zero": made(make([]byte, 9)),
		},
	})
}

// Two thermometers of one bridge share a conversion; the next round starts another.
func TestCommonConversion(t *testing.T) {
	a, chip, _ := onBridge(t, good)
	b, err := a.bridge.Probe("28-0316a2795678")
	require.NoError(t, err)
	for _, p := range []*Probe{a, b, a} {
		_, err := p.Read(t.Context())
		require.NoError(t, err)
	}
	require.Equal(t, 2, chip.converts)
}

// A read whose time is up while it waits for the conversion ends.
func TestDeadlineWithinConversion(t *testing.T) {
	p, chip, _ := onBridge(t, good)
	p.bridge.wait = time.Hour
	ctx, cancel := context.WithCancel(t.Context())
	go func() { cancel() }()
	got, err := p.Read(ctx)
	require.ErrorIs(t, err, context.Canceled)
	require.Empty(t, got)
	require.LessOrEqual(t, chip.converts, 1)
}

func TestBridgeAddress(t *testing.T) {
	_, err := NewBridge(nil, 0x20)
	require.ErrorContains(t, err, "0x18 or 0x19")
}
