-- Quarters and watches are packed like minutes: the quarters of a day of one channel, and the watches of a fortnight, as one. As rows among those of
-- all other channels a month of them took six times as long to read as a page may take. They are made anew of the minutes, a few at each commit.
DROP TABLE quarter;
DROP TABLE watch;
CREATE TABLE quarter (
	id   INTEGER PRIMARY KEY, -- day * 65536 + channel, counted from 1970
	data BLOB NOT NULL
) STRICT;
CREATE TABLE watch (
	id   INTEGER PRIMARY KEY, -- fortnight * 65536 + channel, counted from 1970
	data BLOB NOT NULL
) STRICT;

-- One row: from this id of watch on all roll-ups are made. 0: all of them.
CREATE TABLE rolled (
	down_to INTEGER NOT NULL
) STRICT;
INSERT INTO rolled SELECT coalesce(max(last_at) / 1209600000 + 1, 0) * 65536 FROM channel;
