package pack

import (
	"archive/zip"
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"hash/crc32"
	"image"
	"image/png"
	"io"
	"math"
	"math/rand/v2"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tackline/advisor"
	"tackline/daemon/jobbook"
	"tackline/dashboard/record"
)

// medium is an invented system.
const medium = `{"name":"Medium (invented)","source":"invented","mix_by_weight":[100,34],"mix_by_volume":[2.5,1],"density_kg_m3":1110,"lowest_c":10,"highest_surface_rh_pct":85,` +
	`"kinetics":{"k1_per_s":5e-5,"k2_per_s":6e-4,"m":1,"n":2,"activation_kj_mol":55,"gel_conversion":0.577,"heat_j_g":400,"cp_j_gk":1.8,"tg0_c":-30,"tg_inf_c":65,"lambda":0.45,` +
	`"diffusion":true,"vitrify_c":30,"vitrify_offset_k":10},"marks":{"by":"tg","tack_opens":0.057,"tack_closes":0.4,"recoat_closes":0.72,"firm":0.8,"sandable":0.86}}`

// sandpiper is the input of a pack: an invented job with a coat that was frozen, a photo, and another customer's job in the same book.
func sandpiper(t *testing.T) Input {
	t.Helper()
	const minutes = 26 * 60
	ctx := context.Background()
	morning := time.Date(2026, 1, 14, 8, 0, 0, 0, time.UTC)
	b, err := jobbook.Open(ctx, filepath.Join(t.TempDir(), "jobbook.db"), jobbook.Options{BookID: "a book (invented)", Now: func() time.Time { return morning }, Clock: jobbook.ClockSynced})
	require.NoError(t, err)
	defer func() { require.NoError(t, b.Close()) }()
	now := morning
	stamp := func() jobbook.Stamp {
		now = now.Add(time.Minute)
		return jobbook.Stamp{Wall: now.UnixMilli(), Mono: now.Sub(morning).Milliseconds(), Boot: "boot", Clock: jobbook.ClockSynced}
	}
	do := func(p jobbook.Payload) int64 {
		r, err := b.Do(ctx, jobbook.Command{Who: "Wren", At: stamp(), Payload: p})
		require.NoError(t, err)
		return r.ID
	}
	do(jobbook.AddJob{JobData: jobbook.JobData{Name: "Another", Owner: "a customer whom this is no business of"}})
	job := do(jobbook.AddJob{JobData: jobbook.JobData{Name: "Sandpiper"}})
	piece := do(jobbook.AddPiece{PieceData: jobbook.PieceData{Job: job, Name: "port topside", Lie: advisor.LieUpright, Bare: true, AreaM2: 4}})
	coat := do(jobbook.StartCoat{CoatData: jobbook.CoatData{Piece: piece, Kind: advisor.Seal, SystemName: "Medium (invented)", System: json.RawMessage(medium)}})
	var picture bytes.Buffer
	require.NoError(t, png.Encode(&picture, image.NewGray(image.Rect(0, 0, 30, 20))))
	photo := do(jobbook.AddPhoto{About: jobbook.About{Coat: coat}, Data: picture.Bytes()})
	started := now
	now = now.Add(minutes * time.Minute)
	do(jobbook.EndCoat{Coat: coat, Saw: 1})
	trace := jobbook.MinuteTrace{From: started.Truncate(time.Minute).UnixMilli()}
	ch := record.Channel{Quantity: record.SurfaceC, Probe: "skin"}
	var surface []*float64
	for i := range minutes {
		v := math.Round(1000*(12+4*math.Cos(float64(i)/1440*2*math.Pi))) / 1000
		surface = append(surface, &v)
		ch.At, ch.V = append(ch.At, trace.From/1000+int64(i)*60), append(ch.V, v)
	}
	trace.Columns = []jobbook.Column{{Name: jobbook.ColSurfaceC, Values: surface}}
	packed, err := trace.Encode()
	require.NoError(t, err)
	frozen := jobbook.Frozen{From: started.UnixMilli(), To: now.UnixMilli(), MinuteTrace: packed, Advice: []byte(`{"state":"firm"}`), Probes: []byte(`{}`), Limits: []byte(`{"a":1}`), Model: "test"}
	_, err = b.FreezeCoat(ctx, stamp(), coat, frozen)
	require.NoError(t, err)
	rows, err := b.JournalOf(ctx, job)
	require.NoError(t, err)
	data, _, err := b.Photo(ctx, photo)
	require.NoError(t, err)
	j := record.Job{ID: job, Name: "Sandpiper", Shed: "Osier Slip boatshed (invented)", Zone: time.UTC, AsOf: now, Software: "tackline test", Model: "test",
		Coats: []record.Coat{{ID: coat, Piece: piece, PieceName: "port topside", Kind: advisor.Seal, System: "Medium (invented)", Started: started, Ended: now, Frozen: true, Channels: []record.Channel{ch},
			Limits: []record.Limit{{Quantity: record.SurfaceC, Above: true, Value: 10}}}},
		Photos: []record.Photo{{ID: photo, Coat: coat, Media: "image/png"}}}
	return Input{Job: j, Coats: []Coat{{ID: coat, System: []byte(medium), Frozen: &frozen}}, Journal: rows, Book: "a book (invented)",
		Photo:   func(int64) ([]byte, error) { return data, nil },
		Seal:    func([]byte) ([]byte, error) { return []byte("a seal\n"), nil },
		SealPDF: func(b []byte) ([]byte, error) { return append(bytes.Clone(b), "\n%cure-record-seal x\n"...), nil }}
}

func written(t testing.TB, in Input) []byte {
	t.Helper()
	var b bytes.Buffer
	require.NoError(t, Write(&b, in))
	return b.Bytes()
}

func open(b []byte) (*Pack, error) { return Open(bytes.NewReader(b), int64(len(b))) }

// TestAPackComesOutTheSame: the same facts give the same archive, and what is worked out from it again is the same to the byte; another customer's name
// is not in it.
func TestAPackComesOutTheSame(t *testing.T) {
	in := sandpiper(t)
	b := written(t, in)
	require.Equal(t, b, written(t, in))
	p, err := open(b)
	require.NoError(t, err)
	again, err := p.Again(true)
	require.NoError(t, err)
	require.True(t, again.SameBytes)
	require.Empty(t, again.Problems)
	require.Len(t, again.Coats, 1)
	c := again.Coats[0]
	require.Empty(t, c.Why)
	require.NotNil(t, c.GelMin)
	require.Greater(t, *c.Conversion, 0.5)
	require.InDelta(t, in.Job.Coats[0].Ended.Sub(in.Job.Coats[0].Started).Minutes(), c.Limits[0].WithinMin+c.Limits[0].OutsideMin+c.Limits[0].UnknownMin, 1e-9)
	z, err := zip.NewReader(bytes.NewReader(b), int64(len(b)))
	require.NoError(t, err)
	for _, f := range z.File {
		r, err := f.Open()
		require.NoError(t, err)
		data, err := io.ReadAll(r)
		require.NoError(t, err)
		require.NotContains(t, string(data), "no business of", f.Name)
	}
	left := 0
	for _, e := range p.Journal {
		if e.Kind == "" {
			left++
		}
	}
	require.Equal(t, 1, left, "the other job's row is there by its hashes")
	_, err = p.HashAt(p.Manifest.HeadSeq + 1)
	require.Error(t, err)
}

// TestAnAlteredPackIsRefused: a byte changed anywhere in what the archive holds is found, as is a file that is missing, that came later, or that was packed
// otherwise than the journal says.
func TestAnAlteredPackIsRefused(t *testing.T) {
	b := written(t, sandpiper(t))
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	random := rand.New(rand.NewPCG(seed, 1))
	files := unzip(t, b)
	for name := range files {
		if name == manifestSeal {
			continue // attest's to find
		}
		t.Run(name, func(t *testing.T) {
			for range 5 {
				changed := map[string][]byte{}
				for n, d := range files {
					changed[n] = d
				}
				d := bytes.Clone(files[name])
				d[random.IntN(len(d))] ^= byte(1 + random.IntN(255))
				changed[name] = d
				if name == manifestFile { // whitespace and the like leave its meaning: then the seal is what finds it
					if p, err := open(rezip(t, changed)); err == nil {
						m, _ := p.Sealed()
						require.NotEqual(t, files[name], m)
					}
					continue
				}
				_, err := open(rezip(t, changed))
				require.ErrorIs(t, err, ErrNoPack)
				require.ErrorContains(t, err, name)
			}
			less := map[string][]byte{}
			for n, d := range files {
				if n != name {
					less[n] = d
				}
			}
			_, err := open(rezip(t, less))
			require.ErrorIs(t, err, ErrNoPack)
		})
	}
	more := unzip(t, b)
	more["photos/999.jpg"] = []byte("x")
	_, err := open(rezip(t, more))
	require.ErrorContains(t, err, "was put in afterwards")
	for cut := range len(b) / 997 {
		_, err := open(b[:cut*997])
		require.ErrorIs(t, err, ErrNoPack)
	}
}

// TestHostileArchives: names that leave the folder, the same name twice, and archives that unpack to far more than they are.
func TestHostileArchives(t *testing.T) {
	for _, name := range []string{"../etc/passwd", "/etc/passwd", "coats/../facts.json", "photos/1.svg", "coats/1/trace.minutes/x", "FACTS.json", "photos/1.jpg\x00", `photos\1.jpg`, "con"} {
		_, err := open(rezip(t, map[string][]byte{name: []byte("x")}))
		require.ErrorContains(t, err, "is no file of a pack", name)
	}
	var twice bytes.Buffer
	z := zip.NewWriter(&twice)
	for range 2 {
		w, err := z.Create(factsFile)
		require.NoError(t, err)
		_, _ = w.Write([]byte("{}"))
	}
	require.NoError(t, z.Close())
	_, err := open(twice.Bytes())
	require.ErrorContains(t, err, "in it twice")

	bomb := rezip(t, map[string][]byte{"photos/1.jpg": make([]byte, mostPhoto+1)})
	require.Less(t, len(bomb), 20_000)
	_, err = open(bomb)
	require.ErrorContains(t, err, "at most")

	// One that lies about its size: what it unpacks to is cut off at what it may have, whatever its header says.
	var liar bytes.Buffer
	z = zip.NewWriter(&liar)
	var deflated bytes.Buffer
	inner := zip.NewWriter(&deflated)
	w, err := inner.Create("x")
	require.NoError(t, err)
	zeros := make([]byte, mostPhoto+1)
	_, _ = w.Write(zeros)
	require.NoError(t, inner.Close())
	raw, err := zip.NewReader(bytes.NewReader(deflated.Bytes()), int64(deflated.Len()))
	require.NoError(t, err)
	stream, err := raw.File[0].OpenRaw()
	require.NoError(t, err)
	body, err := io.ReadAll(stream)
	require.NoError(t, err)
	out, err := z.CreateRaw(&zip.FileHeader{Name: "photos/1.jpg", Method: zip.Deflate, CompressedSize64: uint64(len(body)), UncompressedSize64: 10, CRC32: crc32.ChecksumIEEE(zeros)})
	require.NoError(t, err)
	_, _ = out.Write(body)
	require.NoError(t, z.Close())
	_, err = open(liar.Bytes())
	require.ErrorIs(t, err, ErrNoPack)

	many := map[string][]byte{}
	for i := range mostFiles + 1 {
		many[fmt.Sprintf("photos/%d.jpg", i+1)] = nil
	}
	_, err = open(rezip(t, many))
	require.ErrorContains(t, err, "at most")
}

// TestNumbersAndWordsApart: another processor may come to numbers within 1e-9, and to no other word.
func TestNumbersAndWordsApart(t *testing.T) {
	apart, what := distance([]byte(`{"a":1.0000000001,"b":"firm"}`), []byte(`{"a":1,"b":"firm"}`))
	require.Empty(t, what)
	require.InDelta(t, 1e-10, apart, 1e-12)
	_, what = distance([]byte(`{"b":"firm"}`), []byte(`{"b":"green"}`))
	require.Contains(t, what, "green")
	apart, what = distance([]byte("at 13:05"), []byte("at 13:06"))
	require.Empty(t, what)
	require.Greater(t, apart, mostApart)
	_, what = distance([]byte("1 2"), []byte("1 2 3"))
	require.NotEmpty(t, what)
	p := &Pack{files: map[string][]byte{}, Job: record.Job{Name: "x"}}
	again, err := p.Again(true)
	require.NoError(t, err)
	require.NotEmpty(t, again.Problems)
}

func unzip(t testing.TB, b []byte) map[string][]byte {
	t.Helper()
	z, err := zip.NewReader(bytes.NewReader(b), int64(len(b)))
	require.NoError(t, err)
	out := map[string][]byte{}
	for _, f := range z.File {
		r, err := f.Open()
		require.NoError(t, err)
		out[f.Name], err = io.ReadAll(r)
		require.NoError(t, err)
	}
	return out
}

func rezip(t testing.TB, files map[string][]byte) []byte {
	t.Helper()
	var b bytes.Buffer
	z := zip.NewWriter(&b)
	for name, data := range files {
		w, err := z.Create(name)
		require.NoError(t, err)
		_, err = w.Write(data)
		require.NoError(t, err)
	}
	require.NoError(t, z.Close())
	return b.Bytes()
}

// tiny is a small input that needs no job book, for the fuzzers.
func tiny(f *testing.F) Input {
	f.Helper()
	start := time.Date(2026, 1, 14, 8, 0, 0, 0, time.UTC)
	trace := jobbook.MinuteTrace{From: start.UnixMilli()}
	var surface []*float64
	for i := range 20 {
		v := 12 + float64(i)/10
		surface = append(surface, &v)
	}
	trace.Columns = []jobbook.Column{{Name: jobbook.ColSurfaceC, Values: surface}}
	packed, err := trace.Encode()
	require.NoError(f, err)
	frozen := jobbook.Frozen{MinuteTrace: packed, Advice: []byte(`{"state":"wet"}`), Probes: []byte(`{}`), Limits: []byte(`{"a":1}`)}
	digest := func(b []byte) string { s := sha256.Sum256(b); return hex.EncodeToString(s[:]) }
	row := jobbook.Entry{Seq: 1, Who: "machine", Kind: "freeze-coat", Prev: make([]byte, 32), Payload: fmt.Appendf(nil, `{"trace_sha256":%q,"advice_sha256":%q,"probes_sha256":%q,"limits_sha256":%q}`,
		digest(packed), digest(frozen.Advice), digest(frozen.Probes), digest(frozen.Limits))}
	row.Hash = row.Sum()
	j := record.Job{ID: 1, Name: "Sandpiper (invented)", Zone: time.UTC, AsOf: start.Add(time.Hour), Coats: []record.Coat{{ID: 5, Started: start, Ended: start.Add(20 * time.Minute),
		Channels: []record.Channel{{Quantity: record.AirC, At: []int64{start.Unix()}, V: []float64{12}}}}}}
	return Input{Job: j, Coats: []Coat{{ID: 5, System: []byte(medium), Frozen: &frozen}}, Journal: []jobbook.Entry{row},
		Seal: func([]byte) ([]byte, error) { return []byte("a seal\n"), nil }, SealPDF: func(b []byte) ([]byte, error) { return b, nil }}
}

// FuzzOpen: nothing that is opened may panic, and what opens can be worked out again.
func FuzzOpen(f *testing.F) {
	files := unzip(f, written(f, tiny(f)))
	delete(files, "record-a4.pdf") // large, and nothing of it is read
	delete(files, "record-letter.pdf")
	b := rezip(f, files)
	f.Add(b)
	f.Add(b[:len(b)/2])
	f.Fuzz(func(t *testing.T, data []byte) {
		if p, err := open(data); err == nil {
			_, _ = p.HashAt(p.Manifest.HeadSeq)
		}
	})
}

// FuzzFacts fuzzes what is inside, behind the manifest's sums.
func FuzzFacts(f *testing.F) {
	text, err := encodeFacts(tiny(f).Job)
	require.NoError(f, err)
	f.Add(text)
	f.Fuzz(func(t *testing.T, data []byte) {
		j, err := decodeFacts(data)
		if err != nil || len(data) > 1<<16 {
			return
		}
		_ = record.WriteJSON(io.Discard, j) // the forms to read are slow to set and have tests of their own
		_ = record.WriteCSV(io.Discard, j, record.CSVOptions{})
	})
}
