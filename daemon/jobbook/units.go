package jobbook

// Shows is how a person wants numbers told on the page. Empty is C, g, m2, mm, hPa and a decimal point. What is kept and sent is in those all the same.
type Shows struct {
	Temperature string `json:"temperature,omitempty"` // C or F
	Mass        string `json:"mass,omitempty"`        // g or oz
	Area        string `json:"area,omitempty"`        // m2 or ft2
	Length      string `json:"length,omitempty"`      // mm or in
	Pressure    string `json:"pressure,omitempty"`    // hPa or inHg
	Decimal     string `json:"decimal,omitempty"`     // point or comma
}

// SetUnits says how a person wants numbers told on the page.
type SetUnits struct {
	Person int64 `json:"person"`
	Saw    int64 `json:"saw_rev"`
	Shows
}

// Kind is "set-units".
func (SetUnits) Kind() string { return "set-units" }

func (p SetUnits) target() (ref, int64) { return ref{classPerson, p.Person}, p.Saw }

func (p SetUnits) check(c *checker) {
	c.saw(p.Saw)
	c.exists("person", classPerson, p.Person, nil)
	c.oneOf("temperature", p.Temperature, "", "C", "F")
	c.oneOf("mass", p.Mass, "", "g", "oz")
	c.oneOf("area", p.Area, "", "m2", "ft2")
	c.oneOf("length", p.Length, "", "mm", "in")
	c.oneOf("pressure", p.Pressure, "", "hPa", "inHg")
	c.oneOf("decimal", p.Decimal, "", "point", "comma")
}

func (p SetUnits) apply(a *applier) error {
	return change(a, classPerson, p.Person, &Person{}, func(e *Person) { e.Shows = p.Shows })
}
