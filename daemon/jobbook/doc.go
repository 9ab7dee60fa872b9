// Package jobbook keeps what people say and do: jobs, pieces, people, stock, coats, batches, touches, notes, readings taken by hand, photos,
// where the probes were taped, calibrations, limits and acknowledgements. One SQLite file, jobbook.db, apart from the readings, so that the
// loss of the readings never loses a record.
//
// # The journal
//
// A fact enters as a Command and becomes one row of an append-only journal. Each row carries the SHA-256 of itself and of the row before, so
// that a row cannot be altered, removed or put in between without Verify saying so. The chain cannot show that the whole book was rewritten
// by someone who has the file: for that a head of the chain has to be known outside (HashAt compares one).
//
// Nothing is overwritten. What the pages read (the entities in State) is worked out from the journal in the same transaction, and is worked
// out afresh at Open when its version is older; CheckState compares the two. An Undo is a command like any other that reverses an earlier
// one; what was undone stays in the journal and in History.
//
// # Numbers and times
//
// The id of a job, a coat, a touch is the number (seq) of the journal row that made it. Wall times are Unix milliseconds UTC, monotonic
// times milliseconds since boot. A board without a clock battery may not know the time: facts entered while the clock was unset carry the
// boot they belong to, and a ClockFound command moves them to their true time once it is known; the time as said is kept beside it.
//
// # Two phones
//
// A command that changes an entity carries the revision that its maker saw. If someone changed it since, the command is refused with a
// *Conflict that tells what changed and by whom. A command carries a key made by the client; the same command sent twice has one effect and
// the same Result.
//
// A command is acknowledged (Do returns nil) only after its row is on the disk: WAL with synchronous=FULL, one writer, BEGIN IMMEDIATE.
package jobbook
