// Package scratchpad reads the nine bytes of memory of a 1-Wire thermometer, whichever way they came.
package scratchpad

import (
	"fmt"

	"tackline/sensors"
)

// Parse reads nine bytes of a thermometer's memory. family is the first byte of its address. milli, where it is not nil, is what a kernel has
// made of them, in thousandths of a degree: families other than 28 refine their value in ways of their own.
//
// A value of exactly 85 C that is not proven to be the one of power-up has status PowerOnValue: a copy of the chip may not mark it. A bad frame
// is a *sensors.BadSample.
func Parse(family byte, pad []byte, milli *int64) (sensors.Reading, error) {
	bad := func(s sensors.Status, format string, args ...any) (sensors.Reading, error) {
		return sensors.Reading{}, &sensors.BadSample{Status: s, Err: fmt.Errorf(format+" [% x]", append(args, pad)...)}
	}
	switch {
	case len(pad) != 9:
		return bad(sensors.BadCRC, "not nine bytes")
	case allAre(pad, 0):
		return bad(sensors.AllZero, "all zero: the wire is held down; the checksum fits by accident")
	case allAre(pad, 0xff):
		return bad(sensors.BadCRC, "all ones: nobody drives the wire")
	case CRC8(pad[:8]) != pad[8]:
		return bad(sensors.BadCRC, "checksum %02x where %02x is right", pad[8], CRC8(pad[:8]))
	}
	raw := int16(uint16(pad[0]) | uint16(pad[1])<<8)
	if family != 0x10 && pad[4]&0x9f != 0x1f {
		return bad(sensors.OutOfRange, "settings byte %02x is none that the chip has", pad[4])
	}
	powerUp := raw == 0x0550
	if family == 0x10 {
		powerUp = raw == 0x00aa
	}
	if powerUp && pad[6] == 0x0c {
		return bad(sensors.PowerOnValue, "85 C is the value at power-up: no conversion took place")
	}
	c := float64(raw) / 16
	switch {
	case family == 0x28:
	case milli != nil:
		c = float64(*milli) / 1000
	case family == 0x10:
		c = float64(raw) / 2
	}
	if c < -55 || c > 125 {
		return bad(sensors.OutOfRange, "%v C is not within -55..125", c)
	}
	r := sensors.Reading{Quantity: sensors.Temperature, Value: c}
	if powerUp {
		r.Status = sensors.PowerOnValue // the caller may know better
	}
	return r, nil
}

func allAre(b []byte, v byte) bool {
	for _, x := range b {
		if x != v {
			return false
		}
	}
	return true
}

// CRC8 is the checksum of 1-Wire: x^8 + x^5 + x^4 + 1, low bit first, from 0 (Maxim application note 27).
func CRC8(b []byte) byte {
	var crc byte
	for _, x := range b {
		crc ^= x
		for range 8 {
			if crc&1 != 0 {
				crc = crc>>1 ^ 0x8c
			} else {
				crc >>= 1
			}
		}
	}
	return crc
}
