-- The journal is the truth. Everything below "worked out from the journal" can be deleted and made again from it.
CREATE TABLE journal (
  seq     INTEGER PRIMARY KEY,
  wall_ms INTEGER NOT NULL,              -- Unix ms UTC, as the clock of the board showed it
  mono_ms INTEGER NOT NULL,              -- ms since boot
  boot    TEXT NOT NULL,                 -- id of that boot
  clock   TEXT NOT NULL,                 -- synced, rtc, manual, unsynced
  who     TEXT NOT NULL,
  kind    TEXT NOT NULL,
  key     TEXT NOT NULL,                 -- made by the client; '' for none
  payload TEXT NOT NULL,                 -- JSON, keys sorted, no blanks
  prev    BLOB NOT NULL,                 -- hash of the row before; 32 zero bytes in the first
  hash    BLOB NOT NULL                  -- SHA-256 of all of the above
) STRICT;
CREATE UNIQUE INDEX journal_key ON journal (key) WHERE key <> '';
CREATE TRIGGER journal_no_update BEFORE UPDATE ON journal BEGIN SELECT RAISE(ABORT, 'the journal is append-only'); END;
CREATE TRIGGER journal_no_delete BEFORE DELETE ON journal BEGIN SELECT RAISE(ABORT, 'the journal is append-only'); END;

-- What a journal row names by its SHA-256: photos, frozen traces.
CREATE TABLE content (
  digest BLOB NOT NULL UNIQUE,
  media  TEXT NOT NULL,
  packed INTEGER NOT NULL,               -- 1: bytes are deflated; the digest is that of the plain bytes
  bytes  BLOB NOT NULL
) STRICT;

-- Worked out from the journal.
CREATE TABLE entity (
  class TEXT NOT NULL,
  id    INTEGER NOT NULL,
  body  TEXT NOT NULL,
  PRIMARY KEY (class, id)
) STRICT, WITHOUT ROWID;
CREATE TABLE effect (
  seq     INTEGER NOT NULL,              -- the row that did it
  class   TEXT NOT NULL,
  id      INTEGER NOT NULL,
  rev     INTEGER NOT NULL,              -- revision that it made
  made    INTEGER NOT NULL,              -- 1: the entity is new
  changes TEXT NOT NULL,                 -- {"field":[before,after]}
  undone  INTEGER NOT NULL,              -- seq of the undo, 0 for none
  undoes  INTEGER NOT NULL,              -- seq of the row that this one reversed, 0 for none
  PRIMARY KEY (seq, class, id)
) STRICT, WITHOUT ROWID;
CREATE INDEX effect_entity ON effect (class, id, rev);
CREATE TABLE projection (one INTEGER PRIMARY KEY CHECK (one = 1), version INTEGER NOT NULL, seq INTEGER NOT NULL) STRICT;

-- Of the machine, not of people: not in the journal.
CREATE TABLE alert_state (one INTEGER PRIMARY KEY CHECK (one = 1), state BLOB NOT NULL) STRICT;
CREATE TABLE told (
  id       INTEGER PRIMARY KEY,
  at_ms    INTEGER NOT NULL,
  alert    TEXT NOT NULL,
  coat     INTEGER NOT NULL,             -- 0 for none
  event    TEXT NOT NULL,                -- raised, cleared, repeated ...
  severity TEXT NOT NULL,
  title    TEXT NOT NULL,
  body     TEXT NOT NULL
) STRICT;
CREATE INDEX told_at ON told (at_ms);
CREATE TABLE outbox (
  seq      INTEGER PRIMARY KEY AUTOINCREMENT,
  way      TEXT NOT NULL,
  id       TEXT NOT NULL,                -- of the message; a second row of the same way and id is not stored
  alert    TEXT NOT NULL,
  body     BLOB NOT NULL,
  made_ms  INTEGER NOT NULL,
  due_ms   INTEGER NOT NULL,
  tries    INTEGER NOT NULL DEFAULT 0,
  state    TEXT NOT NULL DEFAULT 'waiting', -- waiting, sent, merged, dropped, given_up
  done_ms  INTEGER NOT NULL DEFAULT 0,
  error    TEXT NOT NULL DEFAULT '',
  UNIQUE (way, id)
) STRICT;
CREATE INDEX outbox_waiting ON outbox (way, seq) WHERE state = 'waiting';
CREATE INDEX outbox_sent ON outbox (way, done_ms) WHERE state = 'sent';
