package jobbook

import (
	"time"

	"tackline/advisor"
)

// BeginBook is the first row of every book.
type BeginBook struct {
	Book string `json:"book"` // id of the book
}

// Kind is "begin-book".
func (BeginBook) Kind() string { return "begin-book" }

func (BeginBook) check(c *checker) { c.fail("kind", "a book begins only once") }

func (BeginBook) apply(*applier) error { return nil }

// JobData describes a job.
type JobData struct {
	Name   string `json:"name"`
	Boat   string `json:"boat,omitempty"`
	Owner  string `json:"owner,omitempty"`
	Note   string `json:"note,omitempty"`
	Closed bool   `json:"closed"` // done: no longer among the running ones
}

func (d JobData) check(c *checker) {
	c.name("name", d.Name)
	c.optionalName("boat", d.Boat)
	c.optionalName("owner", d.Owner)
	c.text("note", d.Note)
}

// AddJob begins a job. Begins is in Unix ms; 0 is now.
type AddJob struct {
	JobData
	Begins int64 `json:"begins_ms,omitempty"`
}

// Kind is "add-job".
func (AddJob) Kind() string { return "add-job" }

func (p AddJob) check(c *checker) {
	p.JobData.check(c)
	c.when("begins_ms", p.Begins)
}

func (p AddJob) apply(a *applier) error {
	return a.l.set(classJob, &Job{Head: a.newHead(), JobData: p.JobData, Begins: a.when(p.Begins)})
}

// EditJob replaces what describes a job. Begins 0 leaves the beginning as it is.
type EditJob struct {
	Job int64 `json:"job"`
	Saw int64 `json:"saw_rev"`
	JobData
	Begins int64 `json:"begins_ms,omitempty"`
}

// Kind is "edit-job".
func (EditJob) Kind() string { return "edit-job" }

func (p EditJob) target() (ref, int64) { return ref{classJob, p.Job}, p.Saw }

func (p EditJob) check(c *checker) {
	c.saw(p.Saw)
	c.exists("job", classJob, p.Job, nil)
	p.JobData.check(c)
	c.when("begins_ms", p.Begins)
}

func (p EditJob) apply(a *applier) error {
	return change(a, classJob, p.Job, &Job{}, func(j *Job) {
		j.JobData = p.JobData
		if p.Begins != 0 {
			j.Begins = a.when(p.Begins)
		}
	})
}

// PieceData describes a piece. Zero is "not known" for thickness, density and area.
type PieceData struct {
	Job         int64       `json:"job"`
	Name        string      `json:"name"`
	Timber      string      `json:"timber,omitempty"`        // "okoume plywood", "western red cedar strip"
	ThicknessMM float64     `json:"thickness_mm,omitempty"`  // mm
	DensityKgM3 float64     `json:"density_kg_m3,omitempty"` // at 12 % moisture content
	AreaM2      float64     `json:"area_m2,omitempty"`       // of the face that is coated, m2
	Faces       int64       `json:"faces,omitempty"`         // faces from which air can leave: 1 or 2; 0 not known
	Lie         advisor.Lie `json:"lie"`                     // overhead, upright, flat
	Bare        bool        `json:"bare"`                    // timber, not coated before it came into this book
	SealedFace  string      `json:"sealed_face,omitempty"`   // which face lets no gas out: "", "coated", "back", "both"
	Note        string      `json:"note,omitempty"`
}

func (d PieceData) check(c *checker) {
	c.exists("job", classJob, d.Job, nil)
	c.name("name", d.Name)
	c.optionalName("timber", d.Timber)
	c.number("thickness_mm", d.ThicknessMM, 0, 1000, "mm")
	c.number("density_kg_m3", d.DensityKgM3, 0, 1500, "kg/m3")
	c.number("area_m2", d.AreaM2, 0, 10000, "m2")
	c.number("faces", float64(d.Faces), 0, 2, "faces")
	c.oneOf("lie", string(d.Lie), string(advisor.LieOverhead), string(advisor.LieUpright), string(advisor.LieFlat))
	c.oneOf("sealed_face", d.SealedFace, "", "coated", "back", "both")
	c.text("note", d.Note)
}

// AddPiece adds a piece to a job.
type AddPiece struct{ PieceData }

// Kind is "add-piece".
func (AddPiece) Kind() string { return "add-piece" }

func (p AddPiece) check(c *checker) { p.PieceData.check(c) }

func (p AddPiece) apply(a *applier) error {
	return a.l.set(classPiece, &Piece{Head: a.newHead(), PieceData: p.PieceData})
}

// EditPiece replaces what describes a piece.
type EditPiece struct {
	Piece int64 `json:"piece"`
	Saw   int64 `json:"saw_rev"`
	PieceData
}

// Kind is "edit-piece".
func (EditPiece) Kind() string { return "edit-piece" }

func (p EditPiece) target() (ref, int64) { return ref{classPiece, p.Piece}, p.Saw }

func (p EditPiece) check(c *checker) {
	c.saw(p.Saw)
	c.exists("piece", classPiece, p.Piece, nil)
	p.PieceData.check(c)
}

func (p EditPiece) apply(a *applier) error {
	return change(a, classPiece, p.Piece, &Piece{}, func(e *Piece) { e.PieceData = p.PieceData })
}

// PersonData describes a person who works in the shed.
type PersonData struct {
	Name     string   `json:"name"`
	StartMin int64    `json:"start_min"` // minutes after local midnight: works in [start_min, end_min)
	EndMin   int64    `json:"end_min"`
	Days     [7]bool  `json:"days"`                // Sunday first
	DaysOff  []string `json:"days_off,omitempty"`  // local dates, 2006-01-02
	PaceM2H  float64  `json:"pace_m2_h,omitempty"` // coats this much in an hour, m2/h; 0 not known
}

func (d PersonData) check(c *checker) {
	c.name("name", d.Name)
	c.number("start_min", float64(d.StartMin), 0, 1439, "min")
	c.number("end_min", float64(d.EndMin), 1, 1440, "min")
	if d.EndMin <= d.StartMin {
		c.fail("end_min", "%d is not after start_min, %d", d.EndMin, d.StartMin)
	}
	c.number("pace_m2_h", d.PaceM2H, 0, 1000, "m2/h")
	if len(d.DaysOff) > 1000 {
		c.fail("days_off", "has %d days: at most 1000", len(d.DaysOff))
	}
	for _, day := range d.DaysOff {
		if _, err := time.Parse(time.DateOnly, day); err != nil {
			c.fail("days_off", "%q is no date: write it as 2026-12-24", day)
		}
	}
}

// AddPerson adds a person.
type AddPerson struct{ PersonData }

// Kind is "add-person".
func (AddPerson) Kind() string { return "add-person" }

func (p AddPerson) check(c *checker) { p.PersonData.check(c) }

func (p AddPerson) apply(a *applier) error {
	return a.l.set(classPerson, &Person{Head: a.newHead(), PersonData: p.PersonData})
}

// EditPerson replaces what describes a person.
type EditPerson struct {
	Person int64 `json:"person"`
	Saw    int64 `json:"saw_rev"`
	PersonData
}

// Kind is "edit-person".
func (EditPerson) Kind() string { return "edit-person" }

func (p EditPerson) target() (ref, int64) { return ref{classPerson, p.Person}, p.Saw }

func (p EditPerson) check(c *checker) {
	c.saw(p.Saw)
	c.exists("person", classPerson, p.Person, nil)
	p.PersonData.check(c)
}

func (p EditPerson) apply(a *applier) error {
	return change(a, classPerson, p.Person, &Person{}, func(e *Person) { e.PersonData = p.PersonData })
}
