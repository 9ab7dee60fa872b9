package cure

// CoverageUsed gives the system's coverage, or the default where the file has none: 130 g/m2 for a first coat on bare timber, 180 for one
// that fills the weave, as much mixed resin as fabric by weight, a tenth on top for what stays in pots and tools. Common practice, no source.
func (s System) CoverageUsed() Coverage {
	if s.Coverage != nil {
		return *s.Coverage
	}
	return Coverage{SealGM2: 130, FillGM2: 180, FabricRatio: 1.0, Waste: 0.10}
}

// PumpUsed gives the system's pumps, or the default where the file has none: 18 ml of resin and 7.2 ml of hardener a stroke. Assumed.
func (s System) PumpUsed() Pump {
	if s.Pump != nil {
		return *s.Pump
	}
	return Pump{ResinML: 18, HardenerML: 7.2}
}
