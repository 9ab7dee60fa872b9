package jobbook

import (
	"context"
	"encoding/json"
	"math"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

func sampleMinutes(n int) MinuteTrace {
	t := MinuteTrace{From: morning}
	for k, name := range []string{ColAirC, ColRHPct, ColSurfaceC, ColSurfaceU, ColPressureHPa, ColDewPointC} {
		c := Column{Name: name, Values: make([]*float64, n)}
		for i := range c.Values {
			if (i+k)%11 == 3 {
				continue
			}
			v := 10 + float64(k) + 3*math.Sin(float64(i)/200+float64(k))
			c.Values[i] = &v
		}
		t.Columns = append(t.Columns, c)
	}
	return t
}

func sampleFrozen(t *testing.T, minutes int) Frozen {
	trace, err := sampleMinutes(minutes).Encode()
	require.NoError(t, err)
	return Frozen{From: morning, To: morning + int64(minutes)*minute, MinuteTrace: trace, Advice: json.RawMessage(`{"state":"cured","coat_id":4}`),
		Probes: json.RawMessage(`[{"probe":"air1","calibrated":null}]`), Limits: json.RawMessage(`[{"name":"margin_k","value":3}]`),
		Alerts: json.RawMessage(`[{"title":"tack window open"}]`), Model: "1"}
}

func TestFreezeCoat(t *testing.T) {
	d := newDesk(t)
	coat := d.coat(d.piece(d.job()))
	ctx := context.Background()
	_, err := d.b.Frozen(ctx, coat)
	require.ErrorIs(t, err, ErrNotFound)
	end := d.do(EndCoat{Coat: coat, Saw: 1})
	f := sampleFrozen(t, 500)
	one, err := d.b.FreezeCoat(ctx, d.stamp(), coat, f)
	require.NoError(t, err)
	two, err := d.b.FreezeCoat(ctx, d.stamp(), coat, f)
	require.NoError(t, err)
	require.Equal(t, one.Seq, two.Seq, "after a crash the daemon freezes again: once")
	got, err := d.b.Frozen(ctx, coat)
	require.NoError(t, err)
	require.Equal(t, f, got)

	_, err = d.try("Ann", Undo{Seq: one.Seq})
	require.Contains(t, problem(t, err, "seq"), "stays as it is")
	d.do(Undo{Seq: end.Seq})
	d.do(EndCoat{Coat: coat, Saw: 3})
	longer := sampleFrozen(t, 600)
	longer.Alerts = nil
	_, err = d.b.FreezeCoat(ctx, d.stamp(), coat, longer)
	require.NoError(t, err)
	got, err = d.b.Frozen(ctx, coat)
	require.NoError(t, err)
	require.Equal(t, longer, got, "the newest holds")

	for field, spoil := range map[string]func(*Frozen){
		"trace":  func(f *Frozen) { f.MinuteTrace = f.MinuteTrace[:40] },
		"advice": func(f *Frozen) { f.Advice = nil },
		"limits": func(f *Frozen) { f.Limits = json.RawMessage("{") },
		"to_ms":  func(f *Frozen) { f.To = f.From },
		"model":  func(f *Frozen) { f.Model = "" },
	} {
		bad := sampleFrozen(t, 10)
		spoil(&bad)
		_, err := d.b.FreezeCoat(ctx, d.stamp(), coat, bad)
		require.Error(t, err, field)
		problem(t, err, field)
	}
	d.checkWhole()
}

func TestMinutesRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(0, 200).Draw(t, "minutes")
		trace := MinuteTrace{From: rapid.Int64Range(0, 4e12).Draw(t, "from")}
		for k := range rapid.IntRange(0, 6).Draw(t, "columns") {
			c := Column{Name: string(rune('a' + k)), Values: make([]*float64, n)}
			for i := range c.Values {
				if rapid.Bool().Draw(t, "present") {
					v := rapid.Float64Range(-2000, 2000).Draw(t, "value")
					c.Values[i] = &v
				}
			}
			trace.Columns = append(trace.Columns, c)
		}
		b, err := trace.Encode()
		require.NoError(t, err)
		got, err := DecodeMinutes(b)
		require.NoError(t, err)
		if len(trace.Columns) == 0 {
			require.Empty(t, got.Columns)
			return
		}
		require.Equal(t, trace.Round(), got)
		require.Equal(t, got, got.Round(), "what is decoded is round already")
		for k, c := range trace.Columns {
			for i, p := range c.Values {
				if p != nil {
					require.InDelta(t, *p, *got.Columns[k].Values[i], 0.0005+1e-9, "half a thousandth")
				}
			}
		}
	})
}

func TestMinutesAreSmall(t *testing.T) {
	week := sampleMinutes(7 * 1440)
	b, err := week.Encode()
	require.NoError(t, err)
	t.Logf("a week of %d columns: %d bytes", len(week.Columns), len(b))
	require.Less(t, len(b), 60000, "one byte a value")
}

func TestBadMinutes(t *testing.T) {
	v := math.NaN()
	for name, bad := range map[string]MinuteTrace{
		"NaN":        {Columns: []Column{{Name: "a", Values: []*float64{&v}}}},
		"twice":      {Columns: []Column{{Name: "a"}, {Name: "a"}}},
		"no name":    {Columns: []Column{{}}},
		"not square": {Columns: []Column{{Name: "a", Values: make([]*float64, 2)}, {Name: "b", Values: make([]*float64, 3)}}},
	} {
		_, err := bad.Encode()
		require.Error(t, err, name)
	}
	good, err := sampleMinutes(50).Encode()
	require.NoError(t, err)
	for i := range good {
		_, err := DecodeMinutes(good[:i])
		require.Error(t, err, "cut at %d", i)
	}
}

func FuzzDecodeMinutes(f *testing.F) {
	good, err := sampleMinutes(50).Encode()
	require.NoError(f, err)
	f.Add(good)
	f.Add([]byte(minuteMagic))
	f.Fuzz(func(t *testing.T, b []byte) {
		trace, err := DecodeMinutes(b)
		if err != nil {
			return
		}
		_, err = trace.Encode()
		require.NoError(t, err)
	})
}
