package jobbook

import "encoding/json"

// Vessels of a batch.
const (
	VesselPot  = "pot"
	VesselTray = "tray"
)

// BatchData describes a mixed pot. Give MassG or Strokes.
type BatchData struct {
	SystemName string          `json:"system"`
	System     json.RawMessage `json:"system_json"`           // as in CoatData
	MassG      float64         `json:"mass_g,omitempty"`      // mixed, g
	Strokes    float64         `json:"strokes,omitempty"`     // of each pump
	ResinC     *float64        `json:"resin_c"`               // C; null not measured
	Vessel     string          `json:"vessel"`                // pot, tray
	DiameterMM float64         `json:"diameter_mm,omitempty"` // of a pot; 0 not known
	TrayCM2    float64         `json:"tray_cm2,omitempty"`    // of a tray; 0 not known
	Lots       []int64         `json:"lots,omitempty"`        // stock that it was taken from
	Note       string          `json:"note,omitempty"`
}

func (d BatchData) check(c *checker) {
	checkSystem(c, d.SystemName, d.System)
	c.number("mass_g", d.MassG, 0, 100000, "g")
	c.number("strokes", d.Strokes, 0, 10000, "strokes")
	if (d.MassG == 0) == (d.Strokes == 0) {
		c.fail("mass_g", "is %g and strokes is %g: give one of them", d.MassG, d.Strokes)
	}
	c.temperature("resin_c", d.ResinC)
	checkVessel(c, d.Vessel, d.DiameterMM, d.TrayCM2)
	if len(d.Lots) > 20 {
		c.fail("lots", "has %d entries: at most 20", len(d.Lots))
	}
	for _, id := range d.Lots {
		c.exists("lots", classStock, id, nil)
	}
	c.text("note", d.Note)
}

func checkVessel(c *checker, vessel string, diameter, tray float64) {
	c.oneOf("vessel", vessel, VesselPot, VesselTray)
	c.number("diameter_mm", diameter, 0, 1000, "mm")
	c.number("tray_cm2", tray, 0, 100000, "cm2")
}

// StartBatch says that a pot was mixed.
type StartBatch struct {
	BatchData
	When int64 `json:"when_ms,omitempty"` // when the two parts met; 0 is now
}

// Kind is "start-batch".
func (StartBatch) Kind() string { return "start-batch" }

func (p StartBatch) check(c *checker) {
	p.BatchData.check(c)
	c.when("when_ms", p.When)
}

func (p StartBatch) apply(a *applier) error {
	return a.l.set(classBatch, &Batch{Head: a.newHead(), BatchData: p.BatchData, Mixed: a.when(p.When)})
}

// MoveBatch says that a batch was emptied into another vessel, such as from the pot into the tray.
type MoveBatch struct {
	Batch      int64   `json:"batch"`
	Saw        int64   `json:"saw_rev"`
	Vessel     string  `json:"vessel"`
	DiameterMM float64 `json:"diameter_mm,omitempty"`
	TrayCM2    float64 `json:"tray_cm2,omitempty"`
	When       int64   `json:"when_ms,omitempty"` // 0 is now
}

// Kind is "move-batch".
func (MoveBatch) Kind() string { return "move-batch" }

func (p MoveBatch) target() (ref, int64) { return ref{classBatch, p.Batch}, p.Saw }

func (p MoveBatch) check(c *checker) {
	c.saw(p.Saw)
	c.exists("batch", classBatch, p.Batch, nil)
	checkVessel(c, p.Vessel, p.DiameterMM, p.TrayCM2)
	c.when("when_ms", p.When)
}

func (p MoveBatch) apply(a *applier) error {
	return change(a, classBatch, p.Batch, &Batch{}, func(e *Batch) {
		e.Moves = append(e.Moves, Move{When: a.when(p.When), Vessel: p.Vessel, DiameterMM: p.DiameterMM, TrayCM2: p.TrayCM2})
	})
}

// EndBatch says that a batch is used up, or what became of the rest.
type EndBatch struct {
	Batch int64  `json:"batch"`
	Saw   int64  `json:"saw_rev"`
	How   string `json:"how"`               // used, left over, went off
	When  int64  `json:"when_ms,omitempty"` // 0 is now
}

// Kind is "end-batch".
func (EndBatch) Kind() string { return "end-batch" }

func (p EndBatch) target() (ref, int64) { return ref{classBatch, p.Batch}, p.Saw }

func (p EndBatch) check(c *checker) {
	c.saw(p.Saw)
	c.exists("batch", classBatch, p.Batch, nil)
	c.oneOf("how", p.How, "used", "left over", "went off")
	c.when("when_ms", p.When)
}

func (p EndBatch) apply(a *applier) error {
	return change(a, classBatch, p.Batch, &Batch{}, func(e *Batch) { e.Ended, e.How = a.when(p.When), p.How })
}
