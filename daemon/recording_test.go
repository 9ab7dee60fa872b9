package daemon

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"image"
	"image/png"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"

	"tackline/daemon/jobbook"
	"tackline/dashboard/record"
)

// TestRecordSurvivesTheReadings: an ended coat's record comes from the job book alone, the same bytes as with the readings there.
func TestRecordSurvivesTheReadings(t *testing.T) {
	dir := t.TempDir()
	d, err := NewDemo(t.Context(), DemoOptions{Seed: 3, Folder: dir, Listen: "127.0.0.1:0"})
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	n := 0
	var before []byte
	ended := func(d *Daemon) (record.Job, []byte) {
		facts, err := d.book.State(t.Context())
		require.NoError(t, err)
		r, err := d.Record(t.Context(), facts.Jobs[0].ID, "moulding-shop")
		require.NoError(t, err)
		all := r
		r.Coats, r.AsOf, r.Alerts, r.Remarks = r.Coats[:2], r.Coats[1].Ended, nil, nil
		r.Coats[1].NextCoat = ""
		var b bytes.Buffer
		require.NoError(t, record.WriteJSON(&b, r))
		return all, b.Bytes()
	}
	d.o.Observe = func(Moment) {
		if n++; n == 3 {
			_, before = ended(d)
			cancel()
		}
	}
	require.NoError(t, d.Run(ctx))
	for _, f := range []string{"readings.db", "readings.db-wal", "readings.db-shm"} {
		_ = os.Remove(filepath.Join(dir, f))
	}
	d, err = New(Options{Config: d.o.Config, Clock: d.clock, Shed: d.o.Shed, Notice: d.o.Notice})
	require.NoError(t, err)
	defer func() { require.NoError(t, d.Stop()) }()
	r, after := ended(d)
	require.NoError(t, sameBytes(before, after))
	require.Len(t, r.Coats, 3)
	for _, k := range r.Coats[:2] {
		require.True(t, k.Frozen)
		require.NotEmpty(t, k.Marks)
		require.NotEmpty(t, k.Channels)
		require.Equal(t, "bench", k.Channels[0].Probe)
		require.Greater(t, len(k.Channels[0].V), 1000, "minutes of %s", k.Channels[0].Quantity)
		require.Len(t, k.Before[0].V, 1440, "the day before the first wetting")
		for _, c := range k.Channels {
			if c.Quantity == record.MarginK {
				require.Len(t, c.U, len(c.V), "the margin has its uncertainty")
			}
		}
	}
}

// TestRecordSaysEverything: what people entered stands in the record, corrections as corrections.
func TestRecordSaysEverything(t *testing.T) {
	d, err := NewDemo(t.Context(), DemoOptions{Seed: 3, Folder: t.TempDir(), Listen: "127.0.0.1:0"})
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	n := 0
	d.o.Observe = func(Moment) {
		if n++; n > 2 {
			return
		} else if n == 2 {
			defer cancel()
		} else {
			return
		}
		say := func(p jobbook.Payload) jobbook.Result {
			r, err := d.Do(t.Context(), "", "Wren", p)
			require.NoError(t, err)
			return r
		}
		facts, err := d.book.State(t.Context())
		require.NoError(t, err)
		job, first, second := facts.Jobs[0].ID, facts.Coats[0], facts.Coats[1]
		piece, _ := facts.Piece(first.Piece)
		var picture bytes.Buffer
		require.NoError(t, png.Encode(&picture, image.NewGray(image.Rect(0, 0, 1200, 600))))
		say(jobbook.AddPhoto{About: jobbook.About{Coat: first.ID}, Caption: "gloss at the stem", Data: picture.Bytes()})
		say(jobbook.Note{About: jobbook.About{Piece: piece.ID}, Text: "Stem is rich."})
		say(jobbook.Note{About: jobbook.About{Job: job}, Text: "Topsides first."})
		slip := say(jobbook.Touch{Coat: first.ID, State: "green", When: first.Started.MS + 90*minuteMs})
		say(jobbook.Undo{Seq: slip.Seq})
		say(jobbook.Did{Piece: piece.ID, What: "abraded", When: second.Started.MS - 60*minuteMs, Note: "80 grit"})
		edit := second.CoatData
		edit.AmountG = 640
		say(jobbook.EditCoat{Coat: second.ID, Saw: second.Rev, CoatData: edit})

		r, err := d.Record(t.Context(), job, "")
		require.NoError(t, err)
		require.Nil(t, r.Workshop)
		require.Len(t, r.Notes, 2)
		require.Equal(t, piece.Name, r.Notes[0].About)
		require.Len(t, r.Photos, 1)
		require.Equal(t, first.ID, r.Photos[0].Coat)
		shown, err := json.Marshal(r.Photos[0].NotShown)
		require.NoError(t, err)
		require.NotEmpty(t, r.Photos[0].Shown, string(shown))
		c := r.Coats[0]
		require.Equal(t, "bare timber", c.Over)
		require.NotNil(t, c.GasRatio)
		require.GreaterOrEqual(t, *c.GasRatio, 1.0)
		require.Contains(t, c.GasText, "the gas in the pores grew by at most")
		require.InDelta(t, c.AmountG/c.AreaM2, *c.CoverageGM2, 1e-9)
		require.Contains(t, c.NextCoat, "after its recoat window had closed")
		require.Contains(t, c.NextCoat, "abraded")
		require.Len(t, c.Limits, 3)
		require.Contains(t, r.Coats[1].Over, "coat 1, seal")
		require.Contains(t, r.Coats[1].Prepared, "abraded")
		require.InDelta(t, 640.0, r.Coats[1].AmountG, 1e-9)
		require.Len(t, r.Corrections, 2)
		require.Contains(t, r.Corrections[0].Text, "taken back")
		require.Contains(t, r.Corrections[1].Text, "amount g from 500 to 640")
		var p record.Piece
		for _, x := range r.Pieces {
			if x.ID == piece.ID {
				p = x
			}
		}
		require.GreaterOrEqual(t, len(p.Layers), 3)
		require.Equal(t, record.StuffTimber, p.Layers[0].Stuff)
		require.Contains(t, p.Layers[1].Text, "coat 1, seal")
		require.Equal(t, "abraded", p.Deeds[0].What)

		w, err := d.Record(t.Context(), job, "moulding-shop")
		require.NoError(t, err)
		require.Len(t, w.Workshop.Limits, 4)
		_, err = d.Record(t.Context(), job, "moulding shop")
		require.ErrorContains(t, err, "did you mean")
		for _, write := range []func() error{func() error { return record.WriteHTML(&bytes.Buffer{}, w) }, func() error { return record.WritePDF(&bytes.Buffer{}, w, record.A4) },
			func() error { return record.WriteCSV(&bytes.Buffer{}, w, record.CSVOptions{}) }} {
			require.NoError(t, write())
		}
	}
	require.NoError(t, d.Run(ctx))
}

// sameBytes tells where two texts part, instead of printing both.
func sameBytes(a, b []byte) error {
	if bytes.Equal(a, b) {
		return nil
	}
	i := 0
	for i < min(len(a), len(b)) && a[i] == b[i] {
		i++
	}
	around := func(s []byte) []byte { return s[max(0, i-80):min(len(s), i+80)] }
	return fmt.Errorf("of %d and %d bytes, from byte %d: %q, %q", len(a), len(b), i, around(a), around(b))
}
