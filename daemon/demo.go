package daemon

import (
	"context"
	"encoding/json"
	"fmt"
	"log/slog"
	"math"
	"path/filepath"
	"time"

	"tackline/advisor"
	"tackline/advisor/cure"
	"tackline/advisor/sequence"
	"tackline/advisor/trace"
	"tackline/daemon/clock"
	"tackline/daemon/config"
	"tackline/daemon/jobbook"
	"tackline/daemon/store"
	"tackline/sensors"
	"tackline/sensors/shed"
)

// DemoOptions are the settings of a demonstration.
type DemoOptions struct {
	Seed    uint64  // of weather and noise: another seed gives other times
	Speed   float64 // shed seconds per second; 0 is as fast as it goes
	Folder  string  // for the two databases; the caller makes and removes it
	Listen  string  // where the page listens
	Version string
	Log     *slog.Logger
	Observe func(Moment)
}

// DemoNotice stands on every page and record of a demonstration.
const DemoNotice = "A demonstration: shed, weather, boat, people and resin are invented. Nothing here was measured."

const (
	demoDays     = 10
	demoInterval = time.Minute
)

// demoConfig is the config of the invented shed. Its probes are those of a small board.
const demoConfig = `format = 1
[shed]
name = "Osier Slip boatshed (invented)"
zone = "Europe/Lisbon"
stale_after = "10m"
data = %q
listen = %q
[systems]
shipped = ["medium", "fast", "slow"]
[clock]
speed = %s
start = %s
[[probe]]
name = "bench"
kind = "shed"
place = "air"
interval = "60s"
seed = %d
[[probe]]
name = "foredeck skin"
kind = "shed"
place = "surface"
piece = "foredeck"
interval = "60s"
seed = %d
[[probe]]
name = "yard"
kind = "shed"
place = "outdoors"
interval = "60s"
seed = %d
[[alert]]
name = "log"
kind = "log"
`

// NewDemo gives a daemon over an invented winter shed: ten days of history, two finished coats, and one that runs and is about to grab. What is
// shown is computed from the simulated readings, as in a real shed.
func NewDemo(ctx context.Context, o DemoOptions) (*Daemon, error) {
	now := time.Date(2026, 1, 21, 13, 0, 0, 0, time.UTC).UnixMilli()
	begin := now - demoDays*86_400_000
	opt := shed.Defaults(o.Seed, begin)
	opt.Heater.EveryDay = true
	sim, err := shed.New(opt)
	if err != nil {
		return nil, err
	}
	speed := `"free"`
	var tick clock.Clock = clock.NewFree(now)
	if o.Speed > 0 {
		speed = fmt.Sprintf("%g", o.Speed)
		if tick, err = clock.NewScaled(now, o.Speed); err != nil {
			return nil, err
		}
	}
	text := fmt.Sprintf(demoConfig, o.Folder, o.Listen, speed, time.UnixMilli(now).UTC().Format(time.RFC3339), o.Seed, o.Seed, o.Seed)
	c, err := config.Parse([]byte(text), "demo")
	if err != nil {
		return nil, err
	}
	if err := demoHistory(ctx, sim, c, begin, now); err != nil {
		return nil, err
	}
	if err := demoBook(ctx, sim, o.Folder, begin, now); err != nil {
		return nil, err
	}
	return New(Options{Config: c, Version: o.Version, Log: o.Log, Clock: tick, Shed: sim, Notice: DemoNotice, Observe: o.Observe})
}

// demoHistory lets the probes of the invented shed write the ten days before now.
func demoHistory(ctx context.Context, sim *shed.Shed, c config.Config, begin, now int64) error {
	s, err := store.Open(ctx, filepath.Join(c.Shed.Data, "readings.db"), store.Options{})
	if err != nil {
		return err
	}
	at := begin
	type source struct {
		p     *shed.Probe
		probe config.Probe
	}
	var all []source
	for _, p := range c.Probes {
		probe, err := sim.Probe(p.Place, p.Name, func() int64 { return at }, nil)
		if err != nil {
			return err
		}
		all = append(all, source{probe, p})
	}
	rows := func(yield func(store.Row, error) bool) {
		for ; at < now; at += demoInterval.Milliseconds() {
			for _, src := range all {
				readings, err := src.p.Read(ctx)
				for _, r := range readings {
					if !yield(store.Row{Probe: src.probe.Name, Place: string(src.probe.Place), Quantity: r.Quantity, At: at, Raw: r.Value, Value: r.Value, Status: sensors.OK}, err) {
						return
					}
				}
			}
		}
	}
	if _, err := s.Import(ctx, rows); err != nil {
		return err
	}
	return s.Close()
}

// demoBook writes the invented boat: what was done on which day, as it would have been entered then.
func demoBook(ctx context.Context, sim *shed.Shed, folder string, begin, now int64) error {
	book, err := jobbook.Open(ctx, filepath.Join(folder, "jobbook.db"), jobbook.Options{})
	if err != nil {
		return err
	}
	system, err := config.LoadSystem("medium")
	if err != nil {
		return err
	}
	raw, err := json.Marshal(system)
	if err != nil {
		return fmt.Errorf("daemon: demo: %w", err)
	}
	do := func(at int64, p jobbook.Payload) int64 {
		r, e := book.Do(ctx, jobbook.Command{Who: "Wren", At: jobbook.Stamp{Wall: at, Mono: at - begin, Boot: "simulated", Clock: jobbook.ClockSynced}, Payload: p})
		if err == nil && e != nil {
			err = e
		}
		return r.ID
	}
	job := do(begin, jobbook.AddJob{JobData: jobbook.JobData{Name: "Sandpiper", Boat: "a plywood dinghy (invented)"}})
	piece := func(name string, lie advisor.Lie, area float64) int64 {
		return do(begin, jobbook.AddPiece{PieceData: jobbook.PieceData{Job: job, Name: name, Timber: "plywood", ThicknessMM: 9, DensityKgM3: 500, AreaM2: area, Lie: lie, Bare: true}})
	}
	deck, side, bare := piece("foredeck", advisor.LieFlat, 2.1), piece("port topside", advisor.LieUpright, 4.4), piece("starboard topside", advisor.LieUpright, 4.4)
	do(now-2*86_400_000, jobbook.MeterReading{Piece: bare, MoisturePct: 10.5, Instrument: "pin meter"})
	coat := func(at, piece int64, kind advisor.Kind) int64 {
		return do(at, jobbook.StartCoat{CoatData: jobbook.CoatData{Piece: piece, Kind: kind, SystemName: system.Name, System: raw, AmountG: 500}})
	}
	day := int64(86_400_000)
	first := coat(now-4*day-2*3_600_000, side, advisor.Seal)
	do(now-4*day-3_600_000, jobbook.Touch{Coat: first, State: advisor.StateTacky})
	do(now-3*day, jobbook.EndCoat{Coat: first, Saw: 1})
	second := coat(now-2*day-3*3_600_000, side, advisor.Bedding)
	do(now-2*day-2*3_600_000, jobbook.Touch{Coat: second, State: advisor.StateTacky})
	do(now-day, jobbook.EndCoat{Coat: second, Saw: 1})
	start, e := demoStart(sim, system, now)
	if e != nil {
		return e
	}
	coat(start, deck, advisor.Bedding)
	if plan, ok := sequence.TemplateOf("wet method"); ok { // the deck was sealed before this book begins
		do(start, jobbook.SetSteps{Piece: deck, Saw: 1, Steps: jobbook.Planned(plan.Fit("", 200, 2)[1:])})
		do(start, jobbook.SetSteps{Piece: side, Saw: 1, Steps: jobbook.Planned(plan.Fit("", 200, 2))})
	}
	if err != nil {
		return fmt.Errorf("daemon: demo: %w", err)
	}
	return book.Close()
}

// demoStart gives the time at which a coat must have gone on to be tacky some minutes from now, along the temperature that the shed had.
func demoStart(sim *shed.Shed, system cure.System, now int64) (int64, error) {
	const soon = 12 * minuteMs
	model, err := cure.New(system)
	if err != nil {
		return 0, err
	}
	film := trace.Trace{}
	for at := now - 6*3_600_000; at <= now+6*3_600_000; at += 5 * minuteMs {
		film.At, film.V = append(film.At, float64(at)/1000), append(film.V, sim.Truth(at).SurfaceC)
	}
	for back := int64(5); back < 300; back++ {
		start := now - back*minuteMs
		course, err := model.Course(film, float64(start)/1000, float64(now)/1000+6*3600)
		if err != nil {
			return 0, err
		}
		if at, ok := course.MarkAt(cure.TackOpens); ok && int64(math.Round(at*1000)) <= now+soon {
			return start, nil
		}
	}
	return now - 30*minuteMs, nil
}
