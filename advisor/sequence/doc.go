// Package sequence knows the order of the work on a piece, in the trade's words: which step waits for what in the coat beneath, what has been
// done of a plan, what comes next and what must be true for it, what a missed window asks for, and what something that was done out of order
// now means. It refuses nothing that the builder says she did.
//
// It holds no law of cure: how a coat stands (its state and the times of its marks) is handed in. All times are Unix seconds UTC. Trade facts
// that no published source was found for say "common practice, no source"; each is a starting point, and the maker's sheet decides.
package sequence
