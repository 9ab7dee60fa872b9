package learn

// Prior says what is taken of a drum before anyone has touched a coat of it: standard deviations around the sheet, all normal.
type Prior struct {
	Speed      float64 // of ln speed of the drum against its sheet
	Activation float64 // of the activation energy, kJ/mol
	Surface    float64 // of the heat model's surface temperature in a shed, K: one error for all pieces without a probe
	Batch      float64 // of ln speed of one batch against its drum: measuring and mixing
	Tack       float64 // of ln reduced time of each tack mark, for each kind of coat: what this builder calls tacky
	Hard       float64 // of ln reduced time of firm and of sandable, for all kinds together
	Touch      float64 // of ln time at which a finger finds a mark, on the coat
	Witness    float64 // the same on a cup or a scrap of the same batch
}

// DefaultPrior gives the prior that is used everywhere.
//
// Speed: as wide as a speed anywhere within 40 % of the sheet, all alike (0.24). Activation: published energies of aliphatic amines lie from
// 45 to 65 kJ/mol (Barral et al., J. Appl. Polym. Sci. 56 (1995) 1029; Rozenberg, Adv. Polym. Sci. 75 (1986) 113, from memory), all alike
// (5.8). The rest is assumed, no source: the heat model is off by 1 to 1.5 K, a batch is within 2 % of its drum, a builder's words are, over many
// coats, within 4 % of the time that the sheet means by them, and a finger tells to 15 % of the time that has passed, on a cup or a scrap, which is
// thicker or lies on other ground, to 30 %.
func DefaultPrior() Prior {
	return Prior{Speed: 0.24, Activation: 5.8, Surface: 1.25, Batch: 0.02, Tack: 0.04, Hard: 0.04, Touch: 0.15, Witness: 0.30}
}
