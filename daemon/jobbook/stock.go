package jobbook

import "fmt"

// StockData describes a drum, a roll or a tin.
type StockData struct {
	What   string  `json:"what"`             // resin, hardener, fabric, peel ply, filler, other
	Name   string  `json:"name"`             // what stands on it
	System string  `json:"system,omitempty"` // of resin and hardener: the system's name
	Lot    string  `json:"lot,omitempty"`
	Unit   string  `json:"unit"`                // g, ml, m (fabric and peel ply by the metre), each
	Opened int64   `json:"opened_ms,omitempty"` // 0 not opened
	Expiry int64   `json:"expiry_ms,omitempty"` // end of its shelf life; 0 not known
	WidthM float64 `json:"width_m,omitempty"`   // of a roll, m
	GM2    float64 `json:"g_m2,omitempty"`      // of a fabric
	LapMM  float64 `json:"lap_mm,omitempty"`    // overlap of neighbouring widths, mm
	Waste  float64 `json:"waste,omitempty"`     // share that is cut off, 0..1
	Note   string  `json:"note,omitempty"`
}

func (d StockData) check(c *checker) {
	c.oneOf("what", d.What, "resin", "hardener", "fabric", "peel ply", "filler", "other")
	c.oneOf("unit", d.Unit, "g", "ml", "m", "each")
	if (d.What == "fabric" || d.What == "peel ply") && d.Unit != "m" {
		c.fail("unit", "%q: %s is kept by the metre, m", d.Unit, d.What)
	}
	c.name("name", d.Name)
	c.optionalName("system", d.System)
	c.optionalName("lot", d.Lot)
	c.when("opened_ms", d.Opened)
	c.date("expiry_ms", d.Expiry)
	c.number("width_m", d.WidthM, 0, 20, "m")
	c.number("g_m2", d.GM2, 0, 5000, "g/m2")
	c.number("lap_mm", d.LapMM, 0, 1000, "mm")
	c.number("waste", d.Waste, 0, 1, "of the whole")
	c.text("note", d.Note)
}

// AddStock adds a drum, a roll or a tin with the amount in it.
type AddStock struct {
	StockData
	Amount float64 `json:"amount"` // in Unit
}

// Kind is "add-stock".
func (AddStock) Kind() string { return "add-stock" }

func (p AddStock) check(c *checker) {
	p.StockData.check(c)
	c.number("amount", p.Amount, 0, 1e7, p.Unit)
}

func (p AddStock) apply(a *applier) error {
	return a.l.set(classStock, &Stock{Head: a.newHead(), StockData: p.StockData, Counted: p.Amount, CountedSeq: a.e.Seq})
}

// EditStock replaces what describes a drum, a roll or a tin. Left, where given, is a new count: what was used before it no longer matters.
type EditStock struct {
	Stock int64 `json:"stock"`
	Saw   int64 `json:"saw_rev"`
	StockData
	Left *float64 `json:"left,omitempty"` // in Unit
}

// Kind is "edit-stock".
func (EditStock) Kind() string { return "edit-stock" }

func (p EditStock) target() (ref, int64) { return ref{classStock, p.Stock}, p.Saw }

func (p EditStock) check(c *checker) {
	c.saw(p.Saw)
	c.exists("stock", classStock, p.Stock, nil)
	p.StockData.check(c)
	if p.Left != nil {
		c.number("left", *p.Left, 0, 1e7, p.Unit)
	}
}

func (p EditStock) apply(a *applier) error {
	return change(a, classStock, p.Stock, &Stock{}, func(e *Stock) {
		e.StockData = p.StockData
		if p.Left != nil {
			e.Counted, e.CountedSeq = *p.Left, a.e.Seq
		}
	})
}

// UseStock takes an amount from stock. More than there is is recorded too: the count was wrong then, and the Result says so.
type UseStock struct {
	Stock  int64   `json:"stock"`
	Amount float64 `json:"amount"` // in the stock's unit
	Coat   int64   `json:"coat,omitempty"`
	When   int64   `json:"when_ms,omitempty"` // 0 is now
	Note   string  `json:"note,omitempty"`
}

// Kind is "use-stock".
func (UseStock) Kind() string { return "use-stock" }

func (p UseStock) check(c *checker) {
	c.exists("stock", classStock, p.Stock, nil)
	c.positive("amount", p.Amount, 1e7, "of its unit")
	c.optional("coat", classCoat, p.Coat, nil)
	c.when("when_ms", p.When)
	c.text("note", p.Note)
}

func (p UseStock) apply(a *applier) error {
	return a.l.set(classUse, &StockUse{Head: a.newHead(), Stock: p.Stock, Amount: p.Amount, Coat: p.Coat, When: a.when(p.When), Note: p.Note})
}

func stockNotes(s *State, id int64) []string {
	st, ok := s.StockItem(id)
	if !ok || st.Left >= 0 {
		return nil
	}
	return []string{fmt.Sprintf("%s: %g %s more was used than the last count says there was: count it again", st.Name, -st.Left, st.Unit)}
}
