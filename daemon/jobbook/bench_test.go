package jobbook

import (
	"context"
	"strconv"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tackline/advisor"
)

func benchBook(b *testing.B, rows int) (*Book, int64) {
	b.Helper()
	ctx := context.Background()
	book, err := Open(ctx, b.TempDir()+"/jobbook.db", Options{BookID: "bench", Now: func() time.Time { return time.UnixMilli(morning) }, Clock: ClockSynced})
	require.NoError(b, err)
	b.Cleanup(func() { require.NoError(b, book.Close()) })
	give := func(p Payload) int64 {
		res, err := book.Do(ctx, Command{Who: "Ann", At: Stamp{Wall: morning + hour, Boot: "b", Clock: ClockSynced}, Payload: p})
		require.NoError(b, err)
		return res.ID
	}
	piece := give(AddPiece{pieceData(give(AddJob{JobData: JobData{Name: "Tern"}}))})
	coat := give(StartCoat{CoatData: coatData(piece)})
	for i := range rows {
		if i%50 == 0 {
			coat = give(StartCoat{CoatData: coatData(piece)})
		} else {
			give(Note{About: About{Coat: coat}, Text: "looked at it"})
		}
	}
	return book, coat
}

// BenchmarkDo gives one command after another, each synced to the disk before it is acknowledged.
func BenchmarkDo(b *testing.B) {
	book, coat := benchBook(b, 0)
	b.ResetTimer()
	for range b.N {
		_, err := book.Do(context.Background(), Command{Who: "Ann", At: Stamp{Wall: morning + hour, Boot: "b", Clock: ClockSynced},
			Payload: Note{About: About{Coat: coat}, Text: "looked at it"}})
		require.NoError(b, err)
	}
}

// BenchmarkDoTouchIn3000 gives touches in a book of a season, notes on what they mean included.
func BenchmarkDoTouchIn3000(b *testing.B) {
	book, coat := benchBook(b, 3000)
	b.ResetTimer()
	for range b.N {
		_, err := book.Do(context.Background(), Command{Who: "Ann", At: Stamp{Wall: morning + hour, Boot: "b", Clock: ClockSynced},
			Payload: Touch{Coat: coat, State: advisor.StateTacky}})
		require.NoError(b, err)
	}
}

// BenchmarkState asks for a state that has not changed.
func BenchmarkState(b *testing.B) {
	book, _ := benchBook(b, 3000)
	b.ResetTimer()
	for range b.N {
		_, err := book.State(context.Background())
		require.NoError(b, err)
	}
}

// BenchmarkStateFromNothing works out the state of 3000 entries as after Open.
func BenchmarkStateFromNothing(b *testing.B) {
	book, _ := benchBook(b, 3000)
	b.ResetTimer()
	for range b.N {
		book.cached.Store(nil)
		_, err := book.State(context.Background())
		require.NoError(b, err)
	}
}

// BenchmarkVerify walks a chain of 3000 rows.
func BenchmarkVerify(b *testing.B) {
	book, _ := benchBook(b, 3000)
	b.ResetTimer()
	for range b.N {
		v, err := book.Verify(context.Background())
		require.NoError(b, err)
		require.Zero(b, v.BadRow)
	}
}

// BenchmarkDoBesideFullOutbox gives commands while 10,000 messages wait.
func BenchmarkDoBesideFullOutbox(b *testing.B) {
	book, coat := benchBook(b, 0)
	rows := make([]QueueRow, 10000)
	for i := range rows {
		rows[i] = QueueRow{Way: "hook", ID: strconv.Itoa(i), Body: []byte("a message of some length, complete in itself"), DueMS: int64(i)}
	}
	require.NoError(b, book.KeepAlerts(context.Background(), nil, rows, nil))
	b.ResetTimer()
	for range b.N {
		_, err := book.WaitingOn(context.Background(), "hook", 20)
		require.NoError(b, err)
		_, err = book.Do(context.Background(), Command{Who: "Ann", At: Stamp{Wall: morning + hour, Boot: "b", Clock: ClockSynced},
			Payload: Note{About: About{Coat: coat}, Text: "looked at it"}})
		require.NoError(b, err)
	}
}
