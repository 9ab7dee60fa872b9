// Package shed is an invented boat shed in winter, as probes: weather outdoors with cold fronts, a building that follows it, a heater with a
// thermostat and working hours, a panel of plywood and a heavy timber that lag behind the air, drums of resin that lag more, humidity that
// follows from a balance of vapour, and a barometer.
//
// It is for the demonstration and for tests, which may ask it for the truth behind the readings. It shares no formula with the program's
// own advice: saturation is by Sonntag (1990), heat by lumped capacities. So what the program finds out from the readings can be checked
// against something that was not made by the same hand. Everything is a function of the options and the time: the same seed gives the same
// winter to the bit on one architecture.
//
// The numbers of building and weather are assumed, chosen for a plausible small shed on a northern coast; they describe no real one.
package shed
