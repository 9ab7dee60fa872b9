-- Readings of one shed. Times are ms UTC or counted in units of the table's own length; values are integers scaled by quantity
-- (see scaleOf). Everything but the packed readings themselves can be computed again from them.

CREATE TABLE channel (
	id       INTEGER PRIMARY KEY,
	probe    TEXT    NOT NULL,
	quantity INTEGER NOT NULL,
	first_at INTEGER, -- of the sealed hours
	last_at  INTEGER,
	UNIQUE (probe, quantity)
) STRICT;

CREATE TABLE place (
	id   INTEGER PRIMARY KEY,
	name TEXT NOT NULL UNIQUE
) STRICT;

-- A stretch is a run of readings over which wall clock and monotonic clock of one boot kept step. Every reading names its stretch, so that
-- its monotonic time is known to half a second (at - shift - lead) and the readings of a boot whose clock was wrong can be dated anew.
CREATE TABLE stretch (
	id       INTEGER PRIMARY KEY,
	boot     TEXT    NOT NULL,
	clock    INTEGER NOT NULL,
	lead     INTEGER NOT NULL,           -- wall clock as first written, less monotonic time, ms
	shift    INTEGER NOT NULL DEFAULT 0, -- ms added since
	moved_to INTEGER                     -- the stretch that takes its readings, once the clock is known
) STRICT;

-- One row a commit, all channels, until the hour is over.
CREATE TABLE hot (
	seq  INTEGER PRIMARY KEY,
	data BLOB NOT NULL
) STRICT;

-- One row an hour and channel: id = hour * 65536 + channel, so that a new hour goes to the end of the file.
CREATE TABLE block (
	id        INTEGER PRIMARY KEY,
	seq       INTEGER NOT NULL, -- newest commit in it
	untrusted INTEGER NOT NULL, -- 1: has readings whose clock was not set
	data      BLOB    NOT NULL
) STRICT;
CREATE INDEX block_seq ON block (seq);
CREATE INDEX block_untrusted ON block (id) WHERE untrusted = 1;

-- Roll-ups of usable readings: the minutes of an hour packed as one, quarters of an hour and watches of four hours as rows.
CREATE TABLE minute (
	id   INTEGER PRIMARY KEY, -- as block.id
	data BLOB NOT NULL
) STRICT;
CREATE TABLE quarter (
	start    INTEGER NOT NULL, -- ms UTC / 900000
	channel  INTEGER NOT NULL,
	n        INTEGER NOT NULL,
	low      INTEGER NOT NULL,
	high     INTEGER NOT NULL,
	total    INTEGER NOT NULL,
	excluded INTEGER NOT NULL,
	PRIMARY KEY (start, channel)
) STRICT, WITHOUT ROWID;
CREATE TABLE watch (
	start    INTEGER NOT NULL, -- ms UTC / 14400000
	channel  INTEGER NOT NULL,
	n        INTEGER NOT NULL,
	low      INTEGER NOT NULL,
	high     INTEGER NOT NULL,
	total    INTEGER NOT NULL,
	excluded INTEGER NOT NULL,
	PRIMARY KEY (start, channel)
) STRICT, WITHOUT ROWID;

-- Advice as JSON, compressed: now and then whole, in between against the last whole one.
CREATE TABLE advice (
	id    INTEGER PRIMARY KEY AUTOINCREMENT,
	at    INTEGER NOT NULL,
	whole INTEGER NOT NULL, -- id of the row that it was compressed against, its own if none
	data  BLOB    NOT NULL
) STRICT;
CREATE INDEX advice_at ON advice (at);

-- How far a follower has come.
CREATE TABLE follower (
	name   TEXT PRIMARY KEY,
	cursor TEXT NOT NULL
) STRICT, WITHOUT ROWID;

-- Packed data whose sum no longer fits, kept for whoever wants to try.
CREATE TABLE damaged (
	id   INTEGER NOT NULL,
	kind TEXT    NOT NULL,
	data BLOB    NOT NULL
) STRICT;
