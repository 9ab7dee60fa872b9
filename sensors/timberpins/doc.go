// Package timberpins reads the moisture of timber from the electrical resistance between two pins driven into it, by an analogue-to-digital
// converter of the ADS1115 class on I2C.
//
// Circuit: the supply goes through a known resistor to one pin, the other pin is ground; the converter reads the pin pair and the supply, and only their
// ratio counts. Timber at 12 % has some hundred megohms, at 20 % some two: so the resistor wants 10 to 100 megohms, and a buffer with an input
// current of picoamperes must stand before the converter's input, whose own few megohms would short the timber. Direct current slowly drives the
// ions apart and makes timber seem drier: the supply should be low, and an interval of ten minutes or more with the supply switched by the board is best.
//
// Accuracy: a resistance meter tells moisture to 1 to 2 % of oven-dry mass in 7..25 %, by the curve of the species (ASTM D4444; FPL-GTR-6, James
// 1988); glue lines of plywood, preservatives and salt make it read too damp, and above fibre saturation, near 28 %, it tells little. The
// converter: 16 bits, a gain error of 0.15 % at most (data sheet, section "electrical characteristics", from memory). Response: that of
// the timber itself, hours to days. Address 0x48 to 0x4b.
//
// The resistance falls as the timber warms, so that cold timber seems drier than it is, which is the dangerous side. The reading is carried from the curve's
// temperature to that of the timber, which comes from a thermistor beside the pins, or else is one that the config assumes.
//
// Periph's driver for the converter waits by the clock and does not ask whether the conversion is done; its clock may be a tenth off, and then the
// value of the input asked before is taken for this one's. So the talk is our own.
package timberpins
