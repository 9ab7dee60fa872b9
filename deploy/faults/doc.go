// Package faults holds no code: its tests do to the program as it ships, a process of its own, what happens to a board in a shed, and look at what is on
// its disk afterwards. What a process cannot be given from outside (a bus that hangs, a clock that steps, a card that is full or goes dark) is tested
// beside the part that bears it; DEVELOPERS.md has the table of all of it.
package faults
