// Package learn works out how one drum of a system differs from its sheet, from what a gloved finger found on the coats that were made from
// it: its speed, its activation energy, how a builder's marks lie against the sheet's, and how far the computed surface of this shed is off.
//
// A finding is an interval statement: the coat was past a mark, or not yet. Each coat's marks are tabulated once against speed, energy and
// film temperature (Respond); after that nothing is solved again, so that a fit of many coats costs little. Fit finds the maximum a
// posteriori and then the spread around it. Nothing here is random: the same findings give the same answer.
package learn
