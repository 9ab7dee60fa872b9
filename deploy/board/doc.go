// Package board tries the daemon on a board that is not there: a small ARM machine emulated by QEMU, with a real Linux kernel whose own driver
// reads an emulated thermometer on an I2C bus. The tests set the temperature from outside, unbind and bind the driver, look at the lamps, turn the disk
// read-only, and cut the power. TestBoard's disk is a Debian root with systemd, which runs the daemon by the unit of deploy/systemd.
//
// Kernel, modules and root are Debian's; the script fetch beside this file gets them. TACKLINE_BOARD names the folder that it filled, without which the one
// of the check (.check/board) is looked for; where there is none, or no QEMU, the tests skip, and fail under TACKLINE_REQUIRE=1. TACKLINE_CUTS is the
// number of power cuts, 3 without it.
package board
