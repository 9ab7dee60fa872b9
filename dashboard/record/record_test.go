package record

import (
	"bytes"
	"encoding/csv"
	"flag"
	"image"
	"image/jpeg"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"tackline/advisor"
)

var update = flag.Bool("update", false, "write the golden files anew")

func golden(t *testing.T, name string, got []byte) {
	t.Helper()
	path := filepath.Join("testdata", name)
	if *update {
		require.NoError(t, os.MkdirAll("testdata", 0o755))
		require.NoError(t, os.WriteFile(path, got, 0o644))
	}
	want, err := os.ReadFile(path)
	require.NoError(t, err, "run the test with -update to make it")
	require.Equal(t, string(want), string(got))
}

func ptr(v float64) *float64 { return &v }

// lapwing is the record of an invented skiff: one coat that ended, with a hole in its readings, and one that runs.
func lapwing(step int64) Job {
	zone := time.FixedZone("CET", 3600)
	start := time.Date(2026, 1, 14, 13, 12, 0, 0, zone)
	end := start.Add(26 * time.Hour)
	channel := func(q, probe string, mean, swing float64, u ...float64) Channel {
		c := Channel{Quantity: q, Probe: probe, HoldS: step, U: u}
		for t := start.Unix(); t < end.Unix(); t += step {
			h := float64(t-start.Unix()) / 3600
			if h > 9 && h < 11.5 {
				continue // the board had no power
			}
			c.At = append(c.At, t)
			c.V = append(c.V, math.Round((mean+swing*math.Cos(h/24*2*math.Pi))*100)/100)
		}
		return c
	}
	at := func(min float64) time.Time { return start.Add(time.Duration(min * float64(time.Minute))) }
	bedding := Coat{
		ID: 7, Piece: 2, PieceName: "port topside", Kind: advisor.Bedding, System: "medium", SystemSource: "invented for the examples", Who: "Ida",
		Batches: []Batch{{At: start, AmountG: ptr(620), ResinC: ptr(18.5), Vessel: "tray", Lot: "R12 / H9"}}, Started: start, Ended: end, Frozen: true,
		Channels: []Channel{channel(AirC, "bench", 12, 2.5), channel(SurfaceC, "topside tape", 11.5, 2), channel(RHPct, "bench", 74, -6),
			channel(DewPointC, "", 7.6, 1), channel(MarginK, "", 3.9, 1, 0.7)},
		Limits: []Limit{{Quantity: MarginK, Above: true, Value: 3, LessU: true, Until: "recoat_closes", Source: "ISO 8502-4 practice"},
			{Quantity: SurfaceC, Above: true, Value: 10, Source: "the system"}, {Quantity: SurfaceRH, Value: 85, Source: "the system"}},
		Marks: []Mark{{"tack_opens", at(63), at(75), at(86), true}, {"tack_closes", at(180), at(205), at(236), true},
			{"recoat_closes", at(268), at(303), at(350), true}, {"firm", at(390), at(445), at(520), true}, {Mark: "sandable"}},
		Touches: []Touch{{at(34), advisor.StateWet, false, "Ida"}, {at(80), advisor.StateTacky, true, ""}},
		State:   advisor.StateFirm, Conversion: ptr(0.81), TgC: ptr(24), Stalled: true, Blush: "some", BlushWhy: "Margin less its uncertainty below 3 K for 4:10.",
		NextCoat: "The wet-out coat followed 1 h 22 min after tack had opened, within the tack window.", ExcludedCount: 12,
		AreaM2: 4.2, AmountG: 620, CoverageGM2: ptr(147.6), FilmMM: ptr(0.133), Over: "bare timber", MoisturePct: ptr(11.6), MoistureFrom: "meter, 12 Jan 2026", Prepared: "abraded Tue 13 Jan 2026 16:00",
		Fabric: "200 g/m² twill", PeelPly: true, GasRatio: ptr(1.0012), GasText: "until gel at Wed 14 Jan 2026 16:20 the gas in the pores grew by at most 0.12 % of its volume", Model: "1",
		Means: []string{"Laid before the sealing coat."}, Note: "Cold start.",
		Before: []Channel{{Quantity: AirC, HoldS: 3600, At: dayBefore(start), V: make([]float64, 24)}},
	}
	running := Coat{ID: 9, Piece: 1, PieceName: "=foredeck", Kind: advisor.Seal, System: "slow", Started: end.Add(-time.Hour),
		Channels: []Channel{{Quantity: AirC, Probe: "bench", HoldS: step}}, Remarks: []string{"The clock was not set when this coat was started."}}
	return Job{
		ID: 1, Name: "Lapwing", Customer: "an invented customer", Shed: "Long shed, Hollin Creek", Zone: zone, AsOf: end, Software: "tackline test",
		Model: "1", Notice: "Shed, boat, people and numbers are invented.", Remarks: []string{"Readings of 2:30 h are missing: the board had no power."},
		Pieces: []Piece{{ID: 2, Name: "port topside", Lie: advisor.LieUpright, ThicknessMM: 9, AreaM2: 4.2, MoisturePct: ptr(11.6), MoistureFrom: "meter",
			MoistureAt: start.Add(-48 * time.Hour), SubstrateNote: "plywood", DensityKgM3: 520, BackSealed: true,
			Layers: []Layer{{Stuff: StuffTimber, Text: "plywood, 9 mm"}, {Stuff: StuffCoat, Text: "coat 1, bedding, medium, 148 g/m²", Coat: 7, At: start}, {Stuff: StuffFabric, Text: "fabric, 200 g/m²", At: at(80)},
				{Stuff: StuffPeelPly, Text: "peel ply, comes off", At: at(81)}, {Stuff: StuffCoat, Text: "fill", Planned: true}},
			Deeds: []Deed{{At: at(80), What: "fabric laid", Who: "Ida", Note: "from the stem aft"}}}, {ID: 1, Name: "foredeck"}},
		Coats: []Coat{bedding, running},
		Alerts: []Alert{{At: at(65), Coat: 7, Text: "Tack is about to open.", Acknowledged: at(66), By: "Ida"}, {At: at(200), Coat: 7, Text: "Tack closes at the earliest at 16:12."},
			{At: at(560), Text: "The board was without power for 2 h 30 min."}},
		Probes: []Probe{{Name: "bench", Place: "air", Quantities: "temperature, humidity", Calibrated: start.Add(-900 * time.Hour), Calibration: "offset +0.2 C in ice water"},
			{Name: "topside tape", Place: "surface", Quantities: "temperature", Problem: "reseated on 14 January"}},
		Limits: []Limit{{Quantity: MarginK, Above: true, Value: 3, LessU: true, Source: "ISO 8502-4 practice"}},
		Boat:   "a 14 ft skiff", Note: "Topsides first.",
		Notes: []Note{{At: at(30), About: "coat 1, bedding on port topside", Coat: 7, Text: "Door opened for the delivery.", Who: "Ida"}, {At: at(900), About: "port topside", Text: "Stem is a little resin-rich."}},
		Photos: []Photo{{ID: 31, At: at(75), About: "coat 1, bedding on port topside", Coat: 7, Caption: "gloss at the stem", Who: "Ida", Media: "image/png", SHA256: strings.Repeat("ab", 32), Bytes: 900,
			Width: 40, Height: 30, Shown: picture(40, 30)}, {ID: 32, At: at(76), SHA256: strings.Repeat("cd", 32), Width: 9000, Height: 9000, NotShown: "it is too large"}},
		Corrections: []Correction{{At: at(100), Who: "Ida", Text: "touch 41: state from \"green\" to \"tacky\""}},
		Workshop: &Workshop{Name: "invented shop", Source: "invented for the tests", Note: "For no real work.", Limits: []WorkshopLimit{
			{Limit{Quantity: AirC, Above: true, Value: 11, Source: "row 1"}, 24}, {Limit{Quantity: AirRange24h, Value: 6}, 0}, {Limit{Quantity: RHPct, Value: 80}, 0}}},
	}
}

// picture is a small JPEG.
func picture(w, h int) []byte {
	m := image.NewRGBA(image.Rect(0, 0, w, h))
	for i := range m.Pix {
		m.Pix[i] = uint8(i)
	}
	var b bytes.Buffer
	_ = jpeg.Encode(&b, m, nil)
	return b.Bytes()
}

func dayBefore(start time.Time) []int64 {
	var at []int64
	for h := int64(24); h > 0; h-- {
		at = append(at, start.Unix()-h*3600)
	}
	return at
}

func TestGoldens(t *testing.T) {
	var a, b, c bytes.Buffer
	require.NoError(t, WriteHTML(&a, lapwing(60)))
	require.NoError(t, WriteHTML(&b, lapwing(60)))
	require.Equal(t, a.Bytes(), b.Bytes(), "same facts, same bytes")
	golden(t, "record.html", a.Bytes())
	require.NoError(t, WriteCSV(&c, lapwing(3600), CSVOptions{}))
	golden(t, "record.csv", c.Bytes())
	c.Reset()
	require.NoError(t, WriteCSV(&c, lapwing(7200), CSVOptions{DecimalComma: true, BOM: true}))
	golden(t, "record-comma.csv", c.Bytes())
	c.Reset()
	require.NoError(t, WriteHTML(&c, Job{ID: 2, Name: "tender", Shed: "Long shed, Hollin Creek"}))
	golden(t, "record-empty.html", c.Bytes())
}

func TestHTMLIsOneHonestFile(t *testing.T) {
	var b bytes.Buffer
	require.NoError(t, WriteHTML(&b, lapwing(60)))
	s := b.String()
	for _, no := range []string{"<script", " style=", "<link", "@import", "url(", "NaN", "ZgotmplZ", "%!"} {
		require.NotContains(t, s, no)
	}
	own := regexp.MustCompile(`src="data:image/jpeg;base64,[A-Za-z0-9+/=&#;]+"`)
	require.Len(t, own.FindAllString(s, -1), 1, "a photo stands in the file itself")
	require.NotRegexp(t, regexp.MustCompile(`(?:src|href)=`), own.ReplaceAllString(s, ""), "it needs nothing from anywhere")
	for _, word := range []string{"passed its", "complies", "compliant", "failed"} {
		require.NotContains(t, strings.ToLower(s), word)
	}
	require.Equal(t, 1, strings.Count(strings.ToLower(s), "approv"), "only to say that it is no approval")
	for _, yes := range []string{"within for", "outside for", "unknown for", "2:30", "12 flagged readings left out", "not calibrated", "stalled", "sensitise", "boil",
		"Solvents", "Dust", "without a flue", "has not reached its strength", "licensed"} {
		require.Contains(t, s, yes)
	}
	require.Contains(t, s, "=foredeck")
}

func TestStatsByHand(t *testing.T) {
	at := func(s int64) time.Time { return time.Unix(s, 0) }
	// Three values over ten minutes: 10 for 2 min, 20 for 1 min, then nothing for 4 min, then 13 for the last 3 min.
	c := Channel{Quantity: AirC, HoldS: 180, At: []int64{0, 120, 420}, V: []float64{10, 20, 13}}
	c.At[1], c.V[1] = 120, 20
	got := Stats(c, at(0), at(600))
	// 10 stands for 120 s, 20 for its hold of 180 s, 13 for 180 s: 480 of 600 s.
	require.InDelta(t, 80, got.CoveragePct, 1e-12)
	require.InDelta(t, 2, got.GapMinutes, 1e-12)
	require.InDelta(t, 2, got.LongestGapMin, 1e-12)
	require.InDelta(t, (10*120+20*180+13*180)/480.0, got.Mean, 1e-12)
	require.Equal(t, [2]float64{10, 20}, [2]float64{got.Min, got.Max})
	require.EqualValues(t, 120, got.MaxAt)

	l := Limit{Quantity: AirC, Above: true, Value: 13}
	k := Keep(c, l, at(0), at(600))
	require.InDelta(t, 6, k.Within, 1e-12, "at the limit is within")
	require.InDelta(t, 2, k.Outside, 1e-12)
	require.InDelta(t, 2, k.Unknown, 1e-12)
	c.U = []float64{0.5}
	l.LessU = true
	require.InDelta(t, 3, Keep(c, l, at(0), at(600)).Within, 1e-12, "13 less 0.5 is outside")
	require.InDelta(t, 12.5, Keep(c, l, at(400), at(600)).Worst, 1e-12)

	none := Stats(Channel{Quantity: AirC}, at(0), at(600))
	require.False(t, none.Known)
	require.InDelta(t, 10, none.LongestGapMin, 1e-12)
	require.Zero(t, Keep(Channel{}, l, at(0), at(600)).Within, "unknown is never within")
}

func TestStatsAddUp(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		c := Channel{Quantity: AirC, HoldS: rapid.Int64Range(1, 4000).Draw(rt, "hold")}
		at := int64(-2000)
		for range rapid.IntRange(0, 40).Draw(rt, "n") {
			at += rapid.Int64Range(1, 3000).Draw(rt, "step")
			c.At, c.V = append(c.At, at), append(c.V, rapid.Float64Range(-20, 40).Draw(rt, "v"))
		}
		require.NoError(rt, c.Check())
		from, to := time.Unix(0, 0), time.Unix(rapid.Int64Range(1, 50000).Draw(rt, "to"), 0)
		s := Stats(c, from, to)
		total := to.Sub(from).Minutes()
		require.InDelta(rt, total, s.CoveragePct/100*total+s.GapMinutes, 1e-6)
		require.LessOrEqual(rt, s.LongestGapMin, s.GapMinutes+1e-9)
		if s.Known {
			require.LessOrEqual(rt, s.Min, s.Mean+1e-9)
			require.LessOrEqual(rt, s.Mean, s.Max+1e-9)
		}
		k := Keep(c, Limit{Above: true, Value: 10}, from, to)
		require.InDelta(rt, total, k.Within+k.Outside+k.Unknown, 1e-6)
		require.InDelta(rt, s.GapMinutes, k.Unknown, 1e-6)
	})
}

func TestCSVReadsBack(t *testing.T) {
	var b bytes.Buffer
	require.NoError(t, WriteCSV(&b, lapwing(60), CSVOptions{}))
	require.Contains(t, b.String(), "\r\n", "RFC 4180 ends lines so")
	r := csv.NewReader(&b)
	r.FieldsPerRecord = -1
	rows, err := r.ReadAll()
	require.NoError(t, err)
	var head []string
	last := map[string]string{}
	readings := 0
	for _, row := range rows {
		switch {
		case row[0] == "#":
		case head == nil:
			head = row
			require.Equal(t, []string{"time_utc", "time_local", "utc_offset", "coat"}, head[:4])
		default:
			require.Len(t, row, len(head))
			utc, err := time.Parse(time.RFC3339, row[0])
			require.NoError(t, err)
			local, err := time.Parse("2006-01-02 15:04:05-07:00", row[1]+row[2])
			require.NoError(t, err)
			require.True(t, utc.Equal(local))
			require.LessOrEqual(t, last[row[3]], row[0], "oldest first within a coat")
			last[row[3]] = row[0]
			if row[6] == "reading" {
				readings++
			}
			for _, cell := range row[3:8] {
				require.False(t, strings.HasPrefix(cell, "="), "a spreadsheet would run %q", cell)
			}
		}
	}
	require.Equal(t, 26*60-149, readings, "every minute that was measured, and none that was not")
	for _, s := range []string{"=1+1", "+1", "-1", "@A1", "\tx"} {
		require.Equal(t, "'"+s, guard(s))
	}
	require.Equal(t, "plain", guard("plain"))
	require.ErrorContains(t, WriteCSV(&b, lapwing(60), CSVOptions{Sep: "::"}), "one character")
}

func TestBadJobsAreRefused(t *testing.T) {
	var b bytes.Buffer
	j := lapwing(3600)
	j.Coats[0].Channels[0].V[3] = math.NaN()
	require.ErrorContains(t, WriteHTML(&b, j), "coat 7: record: channel air_c: sample 3 is not finite")
	j = lapwing(3600)
	j.Coats[0].Channels[0].At[3] = j.Coats[0].Channels[0].At[2]
	require.ErrorContains(t, WriteCSV(&b, j, CSVOptions{}), "sample 3 is not after")
	j = lapwing(3600)
	j.Coats[1].Started = time.Time{}
	require.ErrorContains(t, WriteHTML(&b, j), "coat 9: no start")
	j = lapwing(3600)
	j.Coats[0].Ended = j.Coats[0].Started.Add(-time.Second)
	require.ErrorContains(t, WriteHTML(&b, j), "ends before")
	require.Empty(t, b.Bytes(), "nothing half written")
}

// A job of sixty coats has to stay a file that can be mailed.
func TestSixtyCoatsStaySmall(t *testing.T) {
	j := lapwing(60)
	for len(j.Coats) < 60 {
		j.Coats = append(j.Coats, j.Coats[0])
	}
	var b bytes.Buffer
	require.NoError(t, WriteHTML(&b, j))
	t.Logf("60 coats: %d bytes", b.Len())
	require.Less(t, b.Len(), 5_000_000)
}

func BenchmarkHTML(b *testing.B) {
	j := lapwing(60)
	for b.Loop() {
		_ = WriteHTML(&bytes.Buffer{}, j)
	}
}
