// Package advisor turns a Situation into Advice. It is pure: no clock, no files, no network, no goroutine, no package state, no random
// numbers, so that it gives the same answer in a test, in a replay and in a record ten years on.
package advisor
