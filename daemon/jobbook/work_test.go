package jobbook

import (
	"context"
	"encoding/json"
	"math"
	"testing"

	"github.com/stretchr/testify/require"

	"tackline/advisor"
	"tackline/advisor/sequence"
)

func TestJobFromBareTimberToEnd(t *testing.T) {
	d := newDesk(t)
	job := d.job()
	piece := d.piece(job)
	drum := d.do(AddStock{StockData: StockData{What: "resin", Name: "slow resin", System: "Invented slow", Lot: "L7", Unit: "g",
		Opened: morning - 30*24*hour, Expiry: morning + 300*24*hour}, Amount: 5000}).ID
	cloth := d.do(AddStock{StockData: StockData{What: "fabric", Name: "200 g twill", Unit: "m", WidthM: 1, GM2: 200, LapMM: 50, Waste: 0.1}, Amount: 20}).ID
	d.do(AddPerson{PersonData{Name: "Ann", StartMin: 480, EndMin: 1080, Days: [7]bool{1: true, 2: true}, DaysOff: []string{"2026-02-02"}, PaceM2H: 4}})
	d.do(MeterReading{Piece: piece, MoisturePct: 11.5, When: d.now - 10*minute})
	d.do(HandReading{Quantity: "rh_pct", Value: 62, Place: "air"})
	require.True(t, d.state().Pieces[0].BareNow)

	batch := batchData()
	batch.Lots = []int64{drum}
	coat := d.do(StartCoat{CoatData: coatData(piece), Inline: &batch}).ID
	s := d.state()
	require.False(t, s.Pieces[0].BareNow)
	c, ok := s.Coat(coat)
	require.True(t, ok)
	require.True(t, c.Running())
	require.JSONEq(t, string(systemJSON), string(c.System))
	b, ok := s.Batch(c.Batch)
	require.True(t, ok)
	require.Equal(t, []int64{drum}, b.Lots)
	moved := d.do(MoveBatch{Batch: b.ID, Saw: b.Rev, Vessel: VesselTray, TrayCM2: 600})
	d.do(EndBatch{Batch: b.ID, Saw: moved.Rev, How: "used"})
	d.do(UseStock{Stock: cloth, Amount: 6.5, Coat: coat})
	d.do(UseStock{Stock: drum, Amount: 187, Coat: coat})
	d.do(Touch{Coat: coat, State: advisor.StateWet})
	d.do(Touch{Coat: coat, State: advisor.StateTacky, Witness: true})
	d.do(Note{About: About{Coat: coat}, Text: "first cloth laid\nno bubbles"})
	d.do(EndCoat{Coat: coat, Saw: c.Rev})

	s = d.state()
	require.Empty(t, s.Running())
	require.Len(t, s.TouchesOn(coat), 2)
	require.Len(t, s.CoatsOf(job), 1)
	require.InDelta(t, 13.5, s.Stock[1].Left, 1e-12)
	require.InDelta(t, 4813, s.Stock[0].Left, 1e-12)
	b, _ = s.Batch(b.ID)
	require.Len(t, b.Moves, 1)
	require.Equal(t, "used", b.How)
	m, ok := s.MoistureOf(piece)
	require.True(t, ok)
	require.Equal(t, 11.5, m.MoisturePct)
	again, err := d.b.Coat(context.Background(), coat)
	require.NoError(t, err)
	require.False(t, again.Running())
	_, err = d.b.Coat(context.Background(), 999)
	require.ErrorIs(t, err, ErrNotFound)
	d.checkWhole()
}

func TestMalformedCommandsAreRefusedByField(t *testing.T) {
	d := newDesk(t)
	job := d.job()
	piece := d.piece(job)
	other := d.piece(job)
	coat := d.coat(piece)
	cold, nan := -300.0, math.NaN()
	with := func(f func(*CoatData)) StartCoat {
		c := coatData(piece)
		f(&c)
		return StartCoat{CoatData: c}
	}
	cases := []struct {
		name    string
		payload Payload
		field   string
		says    string
	}{
		{"unknown piece", StartCoat{CoatData: coatData(77)}, "piece", "there is no piece 77"},
		{"no piece", StartCoat{CoatData: coatData(0)}, "piece", "missing"},
		{"kind of coat", with(func(c *CoatData) { c.Kind = "varnish" }), "kind", `"varnish" is not one of seal, bedding`},
		{"negative area", with(func(c *CoatData) { c.AreaM2 = -1 }), "area_m2", "-1 m2 is outside 0 to 10000"},
		{"below absolute zero", with(func(c *CoatData) { c.ResinC = &cold }), "resin_c", "-300 C is outside -40 to 100"},
		{"not a number", with(func(c *CoatData) { c.AmountG = nan }), "payload", "NaN"},
		{"another system", with(func(c *CoatData) { c.SystemName = "Fast" }), "system_json", `describes "Invented slow", not "Fast"`},
		{"no system", with(func(c *CoatData) { c.System = json.RawMessage(`[]`) }), "system_json", "no resin system"},
		{"coat beneath elsewhere", StartCoat{CoatData: func() CoatData { c := coatData(other); c.Over = coat; return c }()}, "over", "is on piece"},
		{"future", StartCoat{CoatData: coatData(piece), When: morning + 48*hour}, "when_ms", "in the future"},
		{"before the job", StartCoat{CoatData: coatData(piece), When: morning - 48*hour}, "when_ms", `a day before the job "Tern" began`},
		{"seconds for milliseconds", Touch{Coat: coat, State: advisor.StateWet, When: morning / 1000}, "when_ms", "before 2000"},
		{"state", Touch{Coat: coat, State: "sticky"}, "state", "not one of wet, tacky"},
		{"set is no finding", Touch{Coat: coat, State: advisor.StateSet}, "state", "not one of"},
		{"unknown coat", Touch{Coat: 99, State: advisor.StateWet}, "coat", "there is no coat 99"},
		{"mass and strokes", StartBatch{BatchData: func() BatchData { b := batchData(); b.Strokes = 3; return b }()}, "mass_g", "give one of them"},
		{"neither", StartBatch{BatchData: func() BatchData { b := batchData(); b.MassG = 0; return b }()}, "mass_g", "give one of them"},
		{"vessel", StartBatch{BatchData: func() BatchData { b := batchData(); b.Vessel = "bucket"; return b }()}, "vessel", "pot, tray"},
		{"no name", AddJob{}, "name", "is empty"},
		{"control character", AddJob{JobData: JobData{Name: "a\x07b"}}, "name", "U+0007"},
		{"not UTF-8", AddJob{JobData: JobData{Name: "a\xff"}}, "name", "UTF-8"},
		{"lie", AddPiece{func() PieceData { p := pieceData(job); p.Lie = "sloping"; return p }()}, "lie", "overhead, upright, flat"},
		{"moisture", MeterReading{Piece: piece, MoisturePct: 0}, "moisture_pct", "missing"},
		{"moisture too high", MeterReading{Piece: piece, MoisturePct: 140}, "moisture_pct", "outside"},
		{"quantity", HandReading{Quantity: "temp", Value: 3, Place: "air"}, "quantity", "temp_c"},
		{"humidity", HandReading{Quantity: "rh_pct", Value: 101, Place: "air"}, "value", "outside 0 to 100"},
		{"place", HandReading{Quantity: "temp_c", Value: 3, Place: "roof"}, "place", "outdoors"},
		{"surface of nothing", HandReading{Quantity: "temp_c", Value: 3, Place: "surface"}, "piece", "missing"},
		{"placement backwards", PlaceProbe{Probe: "s1", Piece: piece, From: morning - hour, To: morning - 2*hour}, "to_ms", "not after"},
		{"fabric by weight", AddStock{StockData: StockData{What: "fabric", Name: "twill", Unit: "g"}}, "unit", "by the metre"},
		{"hours", AddPerson{PersonData{Name: "Bo", StartMin: 600, EndMin: 500}}, "end_min", "not after"},
		{"day off", AddPerson{PersonData{Name: "Bo", EndMin: 500, DaysOff: []string{"2.2."}}}, "days_off", "2026-12-24"},
		{"revision missing", EndCoat{Coat: coat}, "saw_rev", "revision that you saw"},
		{"revision ahead", EndCoat{Coat: coat, Saw: 9}, "saw_rev", "ahead of the present"},
		{"ended before start", EndCoat{Coat: coat, Saw: 1, When: morning}, "when_ms", "before the coat was started"},
		{"snooze without end", Snooze{AlertKey: "tack/1"}, "until_ms", "until when"},
		{"two subjects", Note{About: About{Job: job, Piece: piece}, Text: "x"}, "job", "at most one"},
		{"undo nothing", Undo{Seq: 400}, "seq", "no entry 400"},
		{"undo the book", Undo{Seq: 1}, "seq", "no entry 1"},
		{"steps", SetSteps{Piece: piece, Saw: 1}, "steps", "JSON list"},
		{"a step", SetSteps{Piece: piece, Saw: 1, Steps: Planned([]sequence.Step{{Work: "varnish", Wait: sequence.Nothing}})}, "steps", "step 1: work \"varnish\""},
		{"deed", Did{Piece: piece, What: "varnished"}, "what", "washed, scuffed"},
		{"deed on no piece", Did{Piece: 99, What: "washed"}, "piece", "no piece"},
		{"book begins twice", BeginBook{Book: "x"}, "kind", "only once"},
		{"calibration", Calibrate{CalibrationData: CalibrationData{Probe: "a", Method: "ice water", Quantity: "volts"}}, "quantity", "temp_c"},
	}
	before := d.state().Seq
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			_, err := d.try("Ann", c.payload)
			require.Contains(t, problem(t, err, c.field), c.says)
		})
	}
	require.Equal(t, before, d.state().Seq, "nothing of them was stored")
	d.checkWhole()
}

func TestCommandItself(t *testing.T) {
	d := newDesk(t)
	good := Command{Who: "Ann", At: d.stamp(), Key: "k", Payload: AddJob{JobData: JobData{Name: "Tern"}}}
	cases := []struct {
		field string
		spoil func(*Command)
	}{
		{"who", func(c *Command) { c.Who = " " }},
		{"at.clock", func(c *Command) { c.At.Clock = "fine" }},
		{"at.wall_ms", func(c *Command) { c.At.Wall = 0 }},
		{"at.mono_ms", func(c *Command) { c.At.Mono = -1 }},
		{"at.boot", func(c *Command) { c.At.Clock, c.At.Boot = ClockUnsynced, "" }},
		{"key", func(c *Command) { c.Key = "a\nb" }},
		{"payload", func(c *Command) { c.Payload = nil }},
		{"note", func(c *Command) { c.Payload = AddJob{JobData: JobData{Name: "x", Note: string(make([]byte, 30000))}} }},
	}
	for _, c := range cases {
		cmd := good
		c.spoil(&cmd)
		_, err := d.b.Do(context.Background(), cmd)
		problem(t, err, c.field)
	}
	require.Contains(t, problem(t, Validate(AddJob{}), "name"), "is empty", "without a book")
	require.NoError(t, Validate(StartCoat{CoatData: coatData(5)}))
}

// What she says she did is recorded, and the result says what it means.
func TestNothingSheSaysSheDidIsRefused(t *testing.T) {
	d := newDesk(t)
	piece := d.piece(d.job())
	d.now += 3 * hour
	coat := d.coat(piece)
	require.Empty(t, d.do(Touch{Coat: coat, State: advisor.StateGreen}).Notes)
	green := d.state().Touches[0].ID
	back := d.do(Touch{Coat: coat, State: advisor.StateWet})
	require.Len(t, back.Notes, 1)
	require.Contains(t, back.Notes[0], `contradicts the touch "green"`)
	early := d.do(Touch{Coat: coat, State: advisor.StateWet, When: d.now - 2*hour})
	require.Contains(t, early.Notes[0], "before the coat was started")
	require.Empty(t, d.do(Touch{Coat: coat, State: advisor.StateTacky, Witness: true}).Notes, "a witness is another thing")
	second := d.do(StartCoat{CoatData: coatData(piece)})
	require.Contains(t, second.Notes[0], "still runs")
	d.do(EndCoat{Coat: coat, Saw: 1})
	late := d.do(Touch{Coat: coat, State: advisor.StateFirm})
	require.Contains(t, late.Notes[0], "after the coat was ended")
	d.do(EndCoat{Coat: coat, Saw: 2, When: d.now - minute})
	drum := d.do(AddStock{StockData: StockData{What: "resin", Name: "slow", Unit: "g"}, Amount: 100}).ID
	require.Contains(t, d.do(UseStock{Stock: drum, Amount: 150}).Notes[0], "50 g more was used")

	d.do(Undo{Seq: green})
	for _, touch := range d.state().Touches {
		require.NotContains(t, touch.Means, "contradicts", "the undo settled it")
	}
	d.checkWhole()
}

func TestStockIsCounted(t *testing.T) {
	d := newDesk(t)
	data := StockData{What: "hardener", Name: "slow", Unit: "g"}
	id := d.do(AddStock{StockData: data, Amount: 1000}).ID
	use := d.do(UseStock{Stock: id, Amount: 300}).Seq
	left := func() float64 { st, _ := d.state().StockItem(id); return st.Left }
	require.Equal(t, 700.0, left())
	count := 650.0
	d.do(EditStock{Stock: id, Saw: 1, StockData: data, Left: &count})
	require.Equal(t, 650.0, left(), "a count settles what was used before")
	d.do(UseStock{Stock: id, Amount: 50})
	require.Equal(t, 600.0, left())
	d.do(Undo{Seq: use})
	require.Equal(t, 600.0, left())
	d.checkWhole()
}

func TestProbeMovedTo(t *testing.T) {
	d := newDesk(t)
	job := d.job()
	a, b := d.piece(job), d.piece(job)
	d.do(PlaceProbe{Probe: "s1", Piece: a, From: morning - 5*hour})
	moved := d.do(PlaceProbe{Probe: "s1", Piece: b, From: morning - 2*hour}).Seq
	d.do(PlaceProbe{Probe: "s1", From: morning - hour})
	d.do(PlaceProbe{Probe: "s2", Piece: a, From: morning - 5*hour, To: morning - 4*hour})
	at := func(probe string, ms int64) int64 {
		p, ok := d.state().PlacedOn(probe, ms)
		if !ok {
			return 0
		}
		return p.Piece
	}
	require.Zero(t, at("s1", morning-6*hour))
	require.Equal(t, a, at("s1", morning-5*hour))
	require.Equal(t, a, at("s1", morning-2*hour-1))
	require.Equal(t, b, at("s1", morning-2*hour), "[from, to)")
	require.Zero(t, at("s1", morning-hour), "taken off")
	require.Equal(t, a, at("s2", morning-5*hour))
	require.Zero(t, at("s2", morning-4*hour))
	d.do(Undo{Seq: moved})
	require.Equal(t, a, at("s1", morning-2*hour), "as if it had not been moved")
}

func TestLimitsAndAcknowledgements(t *testing.T) {
	d := newDesk(t)
	first := d.do(SetLimit{Name: "margin_k", Value: 3, Unit: "K", Source: "ISO 8502-4 practice"})
	_, err := d.try("Bo", SetLimit{Name: "margin_k", Value: 2.5, Unit: "K", Source: "Bo"})
	var c *Conflict
	require.ErrorAs(t, err, &c)
	require.Contains(t, err.Error(), "Ann")
	d.do(SetLimit{Name: "margin_k", Value: 4, Unit: "K", Source: "Ann, wet week", Saw: first.ID})
	l, ok := d.state().Limit("margin_k")
	require.True(t, ok)
	require.Equal(t, 4.0, l.Value)
	d.do(Undo{Seq: l.ID})
	l, _ = d.state().Limit("margin_k")
	require.Equal(t, 3.0, l.Value, "back to the one before")

	d.do(Acknowledge{AlertKey: "margin"})
	snooze := d.do(Snooze{AlertKey: "margin", Until: d.now + 2*hour}).Seq
	ack, ok := d.state().Ack("margin")
	require.True(t, ok)
	require.True(t, ack.Snooze)
	d.do(Undo{Seq: snooze})
	ack, _ = d.state().Ack("margin")
	require.False(t, ack.Snooze)
	d.do(Calibrate{CalibrationData: CalibrationData{Probe: "air1", Quantity: "temp_c", Method: "ice water", True: 0, Before: 0.4, After: 0, Offset: -0.4, U: 0.1}})
	require.Len(t, d.state().Calibrations, 1)
	d.checkWhole()
}

func TestDecode(t *testing.T) {
	p, err := Decode("touch", []byte(`{"coat":3,"state":"tacky"}`))
	require.NoError(t, err)
	require.Equal(t, Touch{Coat: 3, State: advisor.StateTacky}, p)
	for _, c := range [][2]string{{"touch", `{"coat":3,"colour":"red"}`}, {"paint", `{}`}, {"touch", `{"coat":"3"}`}, {"touch", `{} {}`}, {"freeze-coat", `{}`}} {
		_, err := Decode(c[0], []byte(c[1]))
		var bad *Invalid
		require.ErrorAs(t, err, &bad, c)
	}
	for _, kind := range Kinds() { // every kind can be decoded
		_, err := Decode(kind, []byte(`{}`))
		require.NoError(t, err, kind)
	}
}
