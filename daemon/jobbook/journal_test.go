package jobbook

import (
	"bytes"
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/binary"
	"fmt"
	"image"
	"image/jpeg"
	"image/png"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tackline/advisor"
)

func TestTwoPhones(t *testing.T) {
	d := newDesk(t)
	piece := d.piece(d.job())
	data := pieceData(d.state().Jobs[0].ID)
	data.AreaM2 = 7.5
	_, err := d.try("Bo", EditPiece{Piece: piece, Saw: 1, PieceData: data})
	require.NoError(t, err)
	data.AreaM2, data.Note = 6, "transom not counted"
	_, err = d.try("Ann", EditPiece{Piece: piece, Saw: 1, PieceData: data})
	var c *Conflict
	require.ErrorAs(t, err, &c)
	require.Equal(t, int64(1), c.Saw)
	require.Equal(t, int64(2), c.Now)
	require.Len(t, c.Changes, 1)
	require.Equal(t, "Bo", c.Changes[0].Who)
	require.Len(t, c.Changes[0].Fields, 1)
	require.Equal(t, "area_m2", c.Changes[0].Fields[0].Field)
	require.Contains(t, err.Error(), "Bo at 2026-01-12T08:03:00Z (edit-piece): area_m2 6 -> 7.5")
	d.do(EditPiece{Piece: piece, Saw: 2, PieceData: data})
	p, _ := d.state().Piece(piece)
	require.Equal(t, 6.0, p.AreaM2)

	all, err := d.b.History(context.Background(), "piece", piece)
	require.NoError(t, err)
	require.Len(t, all, 3)
	require.True(t, all[0].Made)

	coat := d.coat(piece)
	d.do(EndCoat{Coat: coat, Saw: 1})
	_, err = d.try("Bo", EndCoat{Coat: coat, Saw: 1})
	require.ErrorAs(t, err, &c, "the second phone ends it too, and is told")
}

func TestKeyIsDoneOnce(t *testing.T) {
	d := newDesk(t)
	coat := d.coat(d.piece(d.job()))
	cmd := Command{Who: "Ann", At: d.stamp(), Key: "phone-1/17", Payload: Touch{Coat: coat, State: advisor.StateTacky}}
	ctx := context.Background()
	first, err := d.b.Do(ctx, cmd)
	require.NoError(t, err)
	cmd.At.Wall += hour // the phone sends it again, later
	again, err := d.b.Do(ctx, cmd)
	require.NoError(t, err)
	require.True(t, again.Repeat)
	again.Repeat = false
	require.Equal(t, first, again)
	require.Len(t, d.state().Touches, 1)

	cmd.Payload = Touch{Coat: coat, State: advisor.StateGreen}
	_, err = d.b.Do(ctx, cmd)
	require.Contains(t, problem(t, err, "key"), "used by entry")

	end := Command{Who: "Ann", At: d.stamp(), Key: "phone-1/18", Payload: EndCoat{Coat: coat, Saw: 1}}
	one, err := d.b.Do(ctx, end)
	require.NoError(t, err)
	two, err := d.b.Do(ctx, end)
	require.NoError(t, err, "the repeat is no conflict with itself")
	require.Equal(t, one.Seq, two.Seq)
	require.Equal(t, int64(2), two.Rev)
}

func TestUndo(t *testing.T) {
	d := newDesk(t)
	job := d.job()
	piece := d.piece(job)
	batch := batchData()
	start := d.do(StartCoat{CoatData: coatData(piece), Inline: &batch})
	touch := d.do(Touch{Coat: start.ID, State: advisor.StateTacky})

	_, err := d.try("Ann", Undo{Seq: start.Seq})
	require.Contains(t, problem(t, err, "seq"), fmt.Sprintf("touch %d (on coat %d) still stands", touch.ID, start.ID))
	d.do(Undo{Seq: touch.Seq})
	_, err = d.try("Ann", Undo{Seq: touch.Seq})
	require.Contains(t, problem(t, err, "seq"), "undone already")
	undone := d.do(Undo{Seq: start.Seq, Note: "wrong piece"})
	require.Empty(t, d.state().Coats)
	require.Empty(t, d.state().Batches, "the batch given inline goes with it")
	require.True(t, d.state().Pieces[0].BareNow)
	_, err = d.try("Ann", Touch{Coat: start.ID, State: advisor.StateTacky})
	require.Contains(t, problem(t, err, "coat"), "was undone")

	redo := d.do(Undo{Seq: undone.Seq})
	require.Len(t, d.state().Coats, 1)
	require.Len(t, d.state().Batches, 1)
	d.do(Undo{Seq: redo.Seq})
	require.Empty(t, d.state().Coats)
	all, err := d.b.History(context.Background(), "coat", start.ID)
	require.NoError(t, err)
	require.Len(t, all, 4)
	require.Equal(t, undone.Seq, all[0].Undone, "undone again after two more undos")

	data := pieceData(job)
	data.AreaM2 = 8
	edit := d.do(EditPiece{Piece: piece, Saw: 1, PieceData: data})
	data.Name = "starboard topside"
	rename := d.do(EditPiece{Piece: piece, Saw: 2, PieceData: data})
	d.do(Undo{Seq: edit.Seq})
	p, _ := d.state().Piece(piece)
	require.Equal(t, 6.0, p.AreaM2)
	require.Equal(t, "starboard topside", p.Name, "a later change of another field stays")
	data.Name = "transom"
	d.do(EditPiece{Piece: piece, Saw: p.Rev, PieceData: data})
	_, err = d.try("Ann", Undo{Seq: rename.Seq})
	require.Contains(t, problem(t, err, "seq"), "changed again since")
	d.checkWhole()
}

func TestUndoBringsNothingBackInMidAir(t *testing.T) {
	d := newDesk(t)
	piece := d.do(AddPiece{pieceData(d.job())})
	coat := d.do(StartCoat{CoatData: coatData(piece.ID)})
	noCoat := d.do(Undo{Seq: coat.Seq})
	noPiece := d.do(Undo{Seq: piece.Seq})
	_, err := d.try("Ann", Undo{Seq: noCoat.Seq})
	require.Contains(t, problem(t, err, "seq"), "bring that back first")
	d.do(Undo{Seq: noPiece.Seq})
	d.do(Undo{Seq: noCoat.Seq})
	require.Len(t, d.state().Coats, 1)
	d.checkWhole()
}

// A field that goes back to something that was undone meanwhile would dangle.
func TestUndoOfAnEditDoesNotDangle(t *testing.T) {
	d := newDesk(t)
	piece := d.piece(d.job())
	batch := d.do(StartBatch{BatchData: batchData()})
	data := coatData(piece)
	data.Batch = batch.ID
	coat := d.do(StartCoat{CoatData: data})
	data.Batch = 0
	edit := d.do(EditCoat{Coat: coat.ID, Saw: 1, CoatData: data})
	d.do(Undo{Seq: batch.Seq})
	_, err := d.try("Ann", Undo{Seq: edit.Seq})
	require.Contains(t, problem(t, err, "seq"), fmt.Sprintf("batch %d, which coat %d would speak of again, was undone", batch.ID, coat.ID))
	d.checkWhole()
}

func picture(w, h int) image.Image {
	m := image.NewRGBA(image.Rect(0, 0, w, h))
	for i := range m.Pix {
		m.Pix[i] = byte(i * 7)
	}
	return m
}

func TestPhotos(t *testing.T) {
	d := newDesk(t)
	piece := d.piece(d.job())
	var p, j bytes.Buffer
	require.NoError(t, png.Encode(&p, picture(40, 30)))
	require.NoError(t, jpeg.Encode(&j, picture(64, 48), nil))
	res := d.do(AddPhoto{About: About{Piece: piece}, Caption: "first coat", Data: p.Bytes(), Media: "text/html"})
	d.do(AddPhoto{Data: j.Bytes()})
	photo := d.state().Photos[0]
	require.Equal(t, "image/png", photo.Media, "by content, not by what the client says")
	require.Equal(t, [2]int64{40, 30}, [2]int64{photo.Width, photo.Height})
	data, media, err := d.b.Photo(context.Background(), res.ID)
	require.NoError(t, err)
	require.Equal(t, p.Bytes(), data)
	require.Equal(t, "image/png", media)
	_, _, err = d.b.Photo(context.Background(), 999)
	require.ErrorIs(t, err, ErrNotFound)

	huge := append([]byte(nil), p.Bytes()...)
	binary.BigEndian.PutUint32(huge[16:], 1<<15)
	binary.BigEndian.PutUint32(huge[20:], 1<<15)
	flipped := append([]byte(nil), p.Bytes()...)
	flipped[len(flipped)/2] ^= 1
	for name, c := range map[string]struct {
		data []byte
		says string
	}{
		"empty":       {nil, "is empty"},
		"too large":   {append(p.Bytes(), make([]byte, MostPhotoBytes)...), "at most 8 MB"},
		"not a photo": {[]byte("<svg xmlns='http://www.w3.org/2000/svg'/>"), "neither PNG nor JPEG"},
		"cut PNG":     {p.Bytes()[:p.Len()-20], "cut off"},
		"flipped PNG": {flipped, "damaged PNG"},
		"bomb":        {huge, "PNG"},
		"cut JPEG":    {j.Bytes()[:j.Len()-2], "cut off"},
	} {
		_, err := d.try("Ann", AddPhoto{Data: c.data})
		require.Contains(t, problem(t, err, "data"), c.says, name)
	}
	d.checkWhole()
}

// An unset clock: times of that boot move when the clock is found, and only those.
func TestClockFound(t *testing.T) {
	d := newDesk(t)
	job := d.job()
	piece := d.piece(job)
	ctx := context.Background()
	const off = 40 * 24 * hour // the board woke 40 days in the past
	wrong := Stamp{Wall: morning - off, Mono: 5000, Boot: "boot-2", Clock: ClockUnsynced}
	started, err := d.b.Do(ctx, Command{Who: "Ann", At: wrong, Payload: StartCoat{CoatData: coatData(piece)}})
	require.NoError(t, err, "before the job by a clock that nobody trusts")
	c, _ := d.state().Coat(started.ID)
	require.False(t, c.Started.Sure())
	_, err = d.b.Do(ctx, Command{Who: "Ann", At: wrong, Payload: Touch{Coat: c.ID, State: advisor.StateWet, When: morning}})
	require.NoError(t, err, "what is the future is not known")

	found := d.do(ClockFound{Boot: "boot-2", OffsetMS: off, How: "time server"})
	c, _ = d.state().Coat(started.ID)
	require.True(t, c.Started.Sure())
	require.Equal(t, morning, c.Started.MS)
	require.Equal(t, morning-off, c.Started.Said, "the time as said is kept")
	require.Equal(t, int64(off), d.state().Clocks["boot-2"])
	require.Equal(t, morning+minute, d.state().Jobs[0].Begins.MS, "a set clock is left alone")
	d.checkWhole()
	d.do(Undo{Seq: found.Seq})
	c, _ = d.state().Coat(started.ID)
	require.Equal(t, When{MS: morning - off, Boot: "boot-2"}, c.Started)
	d.checkWhole()
}

// A clock that seemed set is set again: what was said in that boot keeps its distance from the present; what was said in another stays.
func TestClockFoundAll(t *testing.T) {
	d := newDesk(t)
	job := d.job()
	piece := d.piece(job)
	ctx := context.Background()
	at := Stamp{Wall: morning + 3*hour, Mono: 5000, Boot: "boot-2", Clock: ClockRTC}
	started, err := d.b.Do(ctx, Command{Who: "Ann", At: at, Payload: StartCoat{CoatData: coatData(piece)}})
	require.NoError(t, err)
	d.do(ClockFound{Boot: "boot-2", OffsetMS: -hour, How: "time server", LeadMS: 17})
	c, _ := d.state().Coat(started.ID)
	require.Equal(t, morning+3*hour, c.Started.MS, "the clock was set, and is only said to be unset in that boot")
	for _, by := range []int64{-2 * hour, 365 * 24 * hour} {
		before, _ := d.state().Coat(started.ID)
		d.do(ClockFound{Boot: "boot-2", OffsetMS: by, How: "time server", LeadMS: 18, All: true})
		c, _ = d.state().Coat(started.ID)
		require.Equal(t, before.Started.MS+by, c.Started.MS)
		require.Equal(t, before.Entered+by, c.Entered)
		require.Equal(t, morning+3*hour, c.Started.Said)
	}
	require.Equal(t, morning+minute, d.state().Jobs[0].Begins.MS)
	require.Len(t, d.state().Found, 3)
	require.Equal(t, int64(18), d.state().Found[2].LeadMS)
	d.checkWhole()
}

// sumByHand builds the hash of a row from the documented form alone.
func sumByHand(e Entry) []byte {
	b := []byte("tackline journal row 1\n")
	for _, n := range []int64{e.Seq, e.At.Wall, e.At.Mono} {
		b = binary.BigEndian.AppendUint64(b, uint64(n))
	}
	for _, s := range []string{e.At.Boot, e.At.Clock, e.Who, e.Kind, e.Key, string(e.Payload), string(e.Prev)} {
		b = append(binary.BigEndian.AppendUint64(b, uint64(len(s))), s...)
	}
	sum := sha256.Sum256(b)
	return sum[:]
}

// filled is a book with a row of many kinds.
func filled(t *testing.T) *desk {
	d := newDesk(t)
	piece := d.piece(d.job())
	coat := d.coat(piece)
	d.do(Touch{Coat: coat, State: advisor.StateTacky})
	var p bytes.Buffer
	require.NoError(t, png.Encode(&p, picture(4, 4)))
	d.do(AddPhoto{Data: p.Bytes()})
	_, err := d.b.FreezeCoat(context.Background(), d.stamp(), coat, sampleFrozen(t, 30))
	require.NoError(t, err)
	_, err = d.b.Do(context.Background(), Command{Who: "Bo", At: d.stamp(), Key: "k-1", Payload: Undo{Seq: coat + 1}})
	require.NoError(t, err)
	return d
}

func TestChainIsAsDocumented(t *testing.T) {
	d := filled(t)
	all, err := d.b.Journal(context.Background(), 0, 1000)
	require.NoError(t, err)
	require.Len(t, all, 8)
	prev := make([]byte, 32)
	for i, e := range all {
		require.Equal(t, int64(i)+1, e.Seq)
		require.Equal(t, prev, e.Prev)
		require.Equal(t, sumByHand(e), e.Hash)
		prev = e.Hash
		at, err := d.b.HashAt(context.Background(), e.Seq)
		require.NoError(t, err)
		require.Equal(t, e.Hash, at)
	}
	part, err := d.b.Journal(context.Background(), 3, 2)
	require.NoError(t, err)
	require.Equal(t, all[3:5], part)
	_, err = d.b.HashAt(context.Background(), 99)
	require.ErrorIs(t, err, ErrNotFound)
}

func tamper(t *testing.T, path string, statements ...string) {
	t.Helper()
	db, err := sql.Open("sqlite", path)
	require.NoError(t, err)
	for _, s := range append([]string{"DROP TRIGGER journal_no_update", "DROP TRIGGER journal_no_delete"}, statements...) {
		_, err := db.Exec(s)
		require.NoError(t, err, s)
	}
	require.NoError(t, db.Close())
}

// Every byte of every column of every row, flipped one at a time, is found, at its row or the one after it.
func TestVerifyFindsAnyFlippedByte(t *testing.T) {
	d := filled(t)
	ctx := context.Background()
	all, err := d.b.Journal(ctx, 0, 1000)
	require.NoError(t, err)
	tamper(t, d.path)
	db, err := sql.Open("sqlite", d.path)
	require.NoError(t, err)
	db.SetMaxOpenConns(1)
	defer db.Close()
	flips := 0
	try := func(seq int64, column string, was, is any) {
		_, err := db.Exec("UPDATE journal SET "+column+" = ? WHERE seq = ?", is, seq)
		require.NoError(t, err)
		v, err := d.b.Verify(ctx)
		require.NoError(t, err)
		require.Equal(t, seq, v.BadRow, "%s: %v", column, is)
		_, err = db.Exec("UPDATE journal SET "+column+" = ? WHERE seq = ?", was, seq)
		require.NoError(t, err)
		flips++
	}
	for _, e := range all {
		for bit := 0; bit < 64; bit += 7 {
			try(e.Seq, "wall_ms", e.At.Wall, e.At.Wall^(1<<bit))
			try(e.Seq, "mono_ms", e.At.Mono, e.At.Mono^(1<<bit))
		}
		for column, text := range map[string]string{"boot": e.At.Boot, "clock": e.At.Clock, "who": e.Who, "kind": e.Kind, "key": e.Key, "payload": string(e.Payload)} {
			for i := range []byte(text) {
				b := []byte(text)
				b[i] ^= 0x10
				try(e.Seq, column, text, string(b))
			}
		}
		for column, sum := range map[string][]byte{"prev": e.Prev, "hash": e.Hash} {
			for i := range sum {
				b := append([]byte(nil), sum...)
				b[i] ^= 1
				try(e.Seq, column, sum, b)
			}
		}
	}
	t.Logf("%d flips, all found", flips)
	d.checkWhole()
}

func TestVerifyFindsOtherTampering(t *testing.T) {
	for name, c := range map[string]struct {
		statement string
		bad       int64
	}{
		"row removed":       {"DELETE FROM journal WHERE seq = 4", 5},
		"first row removed": {"DELETE FROM journal WHERE seq = 1", 2},
		"row put in":        {"INSERT INTO journal SELECT 9, wall_ms, mono_ms, boot, clock, who, kind, 'other', payload, prev, hash FROM journal WHERE seq = 8", 9},
		"rows swapped":      {"UPDATE journal SET seq = CASE seq WHEN 3 THEN -4 ELSE -3 END WHERE seq IN (3, 4); UPDATE journal SET seq = -seq WHERE seq < 0", 3},
		"photo altered":     {"UPDATE content SET bytes = zeroblob(length(bytes)) WHERE media = 'image/png'", 6},
		"trace altered":     {"UPDATE content SET bytes = zeroblob(length(bytes)) WHERE media = 'application/x-minute-trace'", 7},
		"advice altered":    {"UPDATE content SET bytes = CAST(x'00' || substr(bytes, 2) AS BLOB) WHERE media = 'application/json'", 7},
		"photo removed":     {"DELETE FROM content WHERE media = 'image/png'", 6},
	} {
		t.Run(name, func(t *testing.T) {
			d := filled(t)
			tamper(t, d.path, c.statement)
			v, err := d.b.Verify(context.Background())
			require.NoError(t, err)
			require.Equal(t, c.bad, v.BadRow, v.Why)
			require.NotEmpty(t, v.Why)
		})
	}
	t.Run("tail removed", func(t *testing.T) {
		d := filled(t)
		seq, sum, err := d.b.Head(context.Background())
		require.NoError(t, err)
		tamper(t, d.path, "DELETE FROM journal WHERE seq = 8")
		v, err := d.b.Verify(context.Background())
		require.NoError(t, err)
		require.Zero(t, v.BadRow, "the chain alone cannot show it")
		require.NotEqual(t, sum, v.Head)
		_, err = d.b.HashAt(context.Background(), seq)
		require.ErrorIs(t, err, ErrNotFound, "a head known outside can")
	})
	t.Run("entity altered", func(t *testing.T) {
		d := filled(t)
		tamper(t, d.path, "UPDATE entity SET body = replace(body, 'port topside', 'foredeck') WHERE class = 'piece'")
		require.ErrorContains(t, d.b.CheckState(context.Background()), "the journal makes it")
		require.NoError(t, d.b.Rebuild(context.Background()))
		d.checkWhole()
	})
}

func TestJournalIsAppendOnly(t *testing.T) {
	d := filled(t)
	for _, s := range []string{"UPDATE journal SET who = 'x' WHERE seq = 2", "DELETE FROM journal WHERE seq = 2"} {
		_, err := d.b.write.Exec(s)
		require.ErrorContains(t, err, "append-only")
	}
	_, err := d.b.read.Exec("INSERT INTO meta VALUES ('a', x'00')")
	require.Error(t, err, "readers cannot write")
}

func TestSameCommandsGiveSameHashes(t *testing.T) {
	a, b := filled(t), filled(t)
	_, x, err := a.b.Head(context.Background())
	require.NoError(t, err)
	_, y, err := b.b.Head(context.Background())
	require.NoError(t, err)
	require.Equal(t, x, y)
	other, err := Open(context.Background(), filepath.Join(t.TempDir(), "j.db"), Options{Now: func() time.Time { return time.UnixMilli(morning) }})
	require.NoError(t, err)
	defer other.Close()
	_, z, err := other.Head(context.Background())
	require.NoError(t, err)
	first, err := a.b.HashAt(context.Background(), 1)
	require.NoError(t, err)
	require.NotEqual(t, first, z, "books differ from their first row")
}
