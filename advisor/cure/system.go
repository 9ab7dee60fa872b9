package cure

// System is one resin with one hardener and what is known of it, as its file states it. Exactly one of Times and Marks is given. The
// numbers are those of the maker's sheet, typed in by the builder, or invented and marked so in Source. Check tells whether it is possible.
type System struct {
	Name                string     `toml:"name" json:"name"`
	Source              string     `toml:"source" json:"source"`                                 // where the numbers come from; the shipped ones say that they are invented
	MixByWeight         [2]float64 `toml:"mix_by_weight" json:"mix_by_weight"`                   // resin, hardener: parts by weight
	MixByVolume         [2]float64 `toml:"mix_by_volume" json:"mix_by_volume"`                   // resin, hardener: parts by volume
	DensityKgM3         float64    `toml:"density_kg_m3" json:"density_kg_m3"`                   // of the mixed resin
	LowestC             float64    `toml:"lowest_c" json:"lowest_c"`                             // lowest surface temperature, C
	HighestSurfaceRHPct float64    `toml:"highest_surface_rh_pct" json:"highest_surface_rh_pct"` // highest relative humidity at the surface, %
	Times               *Times     `toml:"times" json:"times,omitempty"`
	Pot                 *Pot       `toml:"pot" json:"pot,omitempty"`
	Kinetics            *Kinetics  `toml:"kinetics" json:"kinetics,omitempty"`
	Marks               *Marks     `toml:"marks" json:"marks,omitempty"`
	Coverage            *Coverage  `toml:"coverage" json:"coverage,omitempty"`
	Pump                *Pump      `toml:"pump" json:"pump,omitempty"`
}

// Times are the sheet's minutes to each mark for a thin film at one temperature.
type Times struct {
	AtC          float64 `toml:"at_c" json:"at_c"`                   // C
	TackOpens    float64 `toml:"tack_opens" json:"tack_opens"`       // min
	TackCloses   float64 `toml:"tack_closes" json:"tack_closes"`     // min
	RecoatCloses float64 `toml:"recoat_closes" json:"recoat_closes"` // min
	Firm         float64 `toml:"firm" json:"firm"`                   // min
	Sandable     float64 `toml:"sandable" json:"sandable"`           // min
}

// Pot is the sheet's pot life: how long a mass lasts in a round pot that starts at AtC in a room of AtC.
type Pot struct {
	MassG             float64 `toml:"mass_g" json:"mass_g"`                         // g mixed
	Minutes           float64 `toml:"minutes" json:"minutes"`                       // min to the working limit
	AtC               float64 `toml:"at_c" json:"at_c"`                             // C
	DiameterMM        float64 `toml:"diameter_mm" json:"diameter_mm"`               // mm
	WorkingConversion float64 `toml:"working_conversion" json:"working_conversion"` // apparent conversion at which it no longer works
}

// Kinetics is a Kamal-Sourour rate law with a DiBenedetto Tg and a diffusion factor:
// da/dt = (k1 + k2 a^m) (1 - a)^n, both rates at 25 C and carried by one activation energy.
type Kinetics struct {
	K1PerS          float64 `toml:"k1_per_s" json:"k1_per_s"`                   // 1/s at 25 C
	K2PerS          float64 `toml:"k2_per_s" json:"k2_per_s"`                   // 1/s at 25 C
	M               float64 `toml:"m" json:"m"`                                 // exponent of a
	N               float64 `toml:"n" json:"n"`                                 // exponent of 1 - a
	ActivationKJMol float64 `toml:"activation_kj_mol" json:"activation_kj_mol"` // kJ/mol
	GelConversion   float64 `toml:"gel_conversion" json:"gel_conversion"`       // 0..1
	HeatJG          float64 `toml:"heat_j_g" json:"heat_j_g"`                   // J per g mixed, whole reaction
	CpJGK           float64 `toml:"cp_j_gk" json:"cp_j_gk"`                     // J/(g K) of the mixed resin
	Tg0C            float64 `toml:"tg0_c" json:"tg0_c"`                         // Tg at conversion 0, C
	TgInfC          float64 `toml:"tg_inf_c" json:"tg_inf_c"`                   // Tg at conversion 1, C
	Lambda          float64 `toml:"lambda" json:"lambda"`                       // DiBenedetto lambda, 0..1
	Diffusion       bool    `toml:"diffusion" json:"diffusion"`                 // whether vitrification slows the reaction
	VitrifyC        float64 `toml:"vitrify_c" json:"vitrify_c"`                 // steepness of the diffusion factor
	VitrifyOffsetK  float64 `toml:"vitrify_offset_k" json:"vitrify_offset_k"`   // a_c is the conversion at which Tg is this much above the film's temperature, K
}

// Marks are the conversions at 25 C at which the marks lie. By "tg" the later three are carried to other temperatures as Tg minus film
// temperature, by "conversion" all five stay as given.
type Marks struct {
	By           string  `toml:"by" json:"by"` // "tg" or "conversion"
	TackOpens    float64 `toml:"tack_opens" json:"tack_opens"`
	TackCloses   float64 `toml:"tack_closes" json:"tack_closes"`
	RecoatCloses float64 `toml:"recoat_closes" json:"recoat_closes"`
	Firm         float64 `toml:"firm" json:"firm"`
	Sandable     float64 `toml:"sandable" json:"sandable"`
}

// Coverage says how much mixed resin a coat takes.
type Coverage struct {
	SealGM2     float64 `toml:"seal_g_m2" json:"seal_g_m2"`       // g/m2 of a first coat on bare timber
	FillGM2     float64 `toml:"fill_g_m2" json:"fill_g_m2"`       // g/m2 of a coat that fills the weave
	FabricRatio float64 `toml:"fabric_ratio" json:"fabric_ratio"` // g mixed resin per g of fabric
	Waste       float64 `toml:"waste" json:"waste"`               // share left in pots, tools and tray, 0..1
}

// Pump is what one stroke of each pump gives.
type Pump struct {
	ResinML    float64 `toml:"resin_ml" json:"resin_ml"`       // ml
	HardenerML float64 `toml:"hardener_ml" json:"hardener_ml"` // ml
}
