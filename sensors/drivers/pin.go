package drivers

import (
	"fmt"
	"strings"

	"periph.io/x/conn/v3/driver/driverreg"
	"periph.io/x/conn/v3/gpio"
	"periph.io/x/host/v3/gpioioctl"
)

// Pin is a pin of the board that can be set high or low.
type Pin = gpio.PinOut

// OpenPin gives a line of the board's GPIO chips by the name that the kernel gives it, such as GPIO17. The error names some that are there.
func OpenPin(name string) (Pin, error) {
	if _, err := driverreg.Init(); err != nil {
		return nil, fmt.Errorf("drivers: pins of this board: %w", err)
	}
	var there []string
	for _, chip := range gpioioctl.Chips {
		for _, line := range chip.Lines() {
			switch {
			case line.Name() == name:
				return line, nil
			case line.Name() != "" && len(there) < 8:
				there = append(there, line.Name())
			}
		}
	}
	if len(there) == 0 {
		return nil, fmt.Errorf("drivers: no pin %q: this board shows no GPIO lines (is /dev/gpiochip0 there, and may the daemon open it?)", name)
	}
	return nil, fmt.Errorf("drivers: no pin %q: there are %s and more", name, strings.Join(there, ", "))
}
