package jobbook

import (
	"context"
	"encoding/json"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tackline/advisor"
)

// The boat, the people and the resin of these tests are invented.

var morning = time.Date(2026, 1, 12, 8, 0, 0, 0, time.UTC).UnixMilli()

const (
	minute = int64(60 * 1000)
	hour   = 60 * minute
)

var systemJSON = json.RawMessage(`{"name":"Invented slow","source":"invented for a test","mix_by_weight":[100,34],"density_kg_m3":1110,"lowest_c":10}`)

// desk is a book and whoever writes into it.
type desk struct {
	t    *testing.T
	b    *Book
	now  int64
	path string
}

func newDesk(t *testing.T) *desk {
	t.Helper()
	path := filepath.Join(t.TempDir(), "jobbook.db")
	return &desk{t: t, b: openAt(t, path), now: morning, path: path}
}

func openAt(t *testing.T, path string) *Book {
	t.Helper()
	b, err := Open(context.Background(), path, Options{BookID: "book of the test", Now: func() time.Time { return time.UnixMilli(morning - hour) }, Clock: ClockSynced})
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, b.Close()) })
	return b
}

func (d *desk) stamp() Stamp {
	return Stamp{Wall: d.now, Mono: d.now - morning + hour, Boot: "boot-1", Clock: ClockSynced}
}

func (d *desk) try(who string, p Payload) (Result, error) {
	d.now += minute
	return d.b.Do(context.Background(), Command{Who: who, At: d.stamp(), Payload: p})
}

func (d *desk) do(p Payload) Result {
	d.t.Helper()
	res, err := d.try("Ann", p)
	require.NoError(d.t, err)
	return res
}

func (d *desk) state() *State {
	d.t.Helper()
	s, err := d.b.State(context.Background())
	require.NoError(d.t, err)
	return s
}

func (d *desk) job() int64 {
	return d.do(AddJob{JobData: JobData{Name: "Tern", Boat: "invented dinghy"}}).ID
}

func pieceData(job int64) PieceData {
	return PieceData{Job: job, Name: "port topside", Timber: "plywood", ThicknessMM: 9, DensityKgM3: 500, AreaM2: 6, Faces: 1,
		Lie: advisor.LieUpright, Bare: true, SealedFace: "back"}
}

func (d *desk) piece(job int64) int64 { return d.do(AddPiece{pieceData(job)}).ID }

func coatData(piece int64) CoatData {
	c := 18.0
	return CoatData{Piece: piece, Kind: advisor.Bedding, SystemName: "Invented slow", System: systemJSON, AreaM2: 6, ResinC: &c}
}

func batchData() BatchData {
	return BatchData{SystemName: "Invented slow", System: systemJSON, MassG: 250, Vessel: VesselPot, DiameterMM: 80}
}

func (d *desk) coat(piece int64) int64 { return d.do(StartCoat{CoatData: coatData(piece)}).ID }

// checkWhole wants the chain whole, the tables equal to what the journal makes, and the file sound.
func (d *desk) checkWhole() {
	d.t.Helper()
	ctx := context.Background()
	v, err := d.b.Verify(ctx)
	require.NoError(d.t, err)
	require.Zero(d.t, v.BadRow, v.Why)
	seq, sum, err := d.b.Head(ctx)
	require.NoError(d.t, err)
	require.Equal(d.t, seq, v.Rows)
	require.Equal(d.t, sum, v.Head)
	require.NoError(d.t, d.b.CheckState(ctx))
	require.NoError(d.t, d.b.Integrity(ctx))
}

func problem(t *testing.T, err error, field string) string {
	t.Helper()
	var bad *Invalid
	require.ErrorAs(t, err, &bad)
	for _, f := range bad.Fields {
		if f.Field == field {
			return f.Problem
		}
	}
	require.Failf(t, "field not named", "%s in %v", field, err)
	return ""
}
