-- What the values of a probe's readings were corrected by, as its owner writes it down: so that a calibration that is entered later, for a day
-- that is past, is found to be missing in them.
CREATE TABLE corrected (
	probe TEXT PRIMARY KEY,
	state TEXT NOT NULL
) STRICT, WITHOUT ROWID;
