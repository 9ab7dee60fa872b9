package alert

import (
	"testing"
	"time"
	_ "time/tzdata"

	"github.com/stretchr/testify/require"
)

// The dates and offsets of the changes are those of the IANA time zone database: Berlin 29 Mar and 25 Oct 2026 at 01:00 UTC, New York 8 Mar
// 2026 at 07:00 UTC and 1 Nov at 06:00 UTC, Lord Howe 5 Apr 2026 and 4 Oct 2026 at 15:00 and 15:30 UTC of the day before (half an hour).
func TestQuietHoursOverClockChanges(t *testing.T) {
	night := Quiet{From: 22 * 60, To: 6 * 60}
	at := func(h, m int64) int64 { return h*60 + m }
	for _, c := range []struct {
		what, zone string
		quiet      Quiet
		utc        string
		want       bool
	}{
		{"Berlin, winter, just before", "Europe/Berlin", night, "2026-11-25T20:59:59Z", false},
		{"Berlin, winter, start belongs to it", "Europe/Berlin", night, "2026-11-25T21:00:00Z", true},
		{"Berlin, winter, end does not", "Europe/Berlin", night, "2026-11-26T05:00:00Z", false},
		{"Berlin, summer", "Europe/Berlin", night, "2026-07-01T20:00:00Z", true},
		{"Berlin, forward, last second", "Europe/Berlin", night, "2026-03-29T03:59:59Z", true},
		{"Berlin, forward, 06:00 CEST", "Europe/Berlin", night, "2026-03-29T04:00:00Z", false},
		{"Berlin, back, 05:59:59 CET", "Europe/Berlin", night, "2026-10-25T04:59:59Z", true},
		{"Berlin, back, 06:00 CET", "Europe/Berlin", night, "2026-10-25T05:00:00Z", false},
		{"Berlin, end skipped, before the jump", "Europe/Berlin", Quiet{From: at(22, 0), To: at(2, 30)}, "2026-03-29T00:59:59Z", true},
		{"Berlin, end skipped, at the jump", "Europe/Berlin", Quiet{From: at(22, 0), To: at(2, 30)}, "2026-03-29T01:00:00Z", false},
		{"Berlin, end shown twice, first time", "Europe/Berlin", Quiet{From: at(22, 0), To: at(2, 30)}, "2026-10-25T00:30:00Z", false},
		{"Berlin, not quiet again", "Europe/Berlin", Quiet{From: at(22, 0), To: at(2, 30)}, "2026-10-25T01:15:00Z", false},
		{"Berlin, start shown twice, first time", "Europe/Berlin", Quiet{From: at(2, 30), To: at(6, 0)}, "2026-10-25T00:30:00Z", true},
		{"Berlin, goes on through the second", "Europe/Berlin", Quiet{From: at(2, 30), To: at(6, 0)}, "2026-10-25T01:05:00Z", true},
		{"Berlin, start skipped, at the jump", "Europe/Berlin", Quiet{From: at(2, 30), To: at(6, 0)}, "2026-03-29T01:00:00Z", true},
		{"New York, forward, last second EDT", "America/New_York", night, "2026-03-08T09:59:59Z", true},
		{"New York, forward, 06:00 EDT", "America/New_York", night, "2026-03-08T10:00:00Z", false},
		{"New York, back, last second EST", "America/New_York", night, "2026-11-01T10:59:59Z", true},
		{"New York, back, 06:00 EST", "America/New_York", night, "2026-11-01T11:00:00Z", false},
		{"New York, end shown twice", "America/New_York", Quiet{From: at(22, 0), To: at(1, 30)}, "2026-11-01T05:30:00Z", false},
		{"New York, not quiet again", "America/New_York", Quiet{From: at(22, 0), To: at(1, 30)}, "2026-11-01T06:10:00Z", false},
		{"Lord Howe, back half an hour, end shown twice", "Australia/Lord_Howe", Quiet{From: at(22, 0), To: at(1, 45)}, "2026-04-04T14:45:00Z", false},
		{"Lord Howe, just before it", "Australia/Lord_Howe", Quiet{From: at(22, 0), To: at(1, 45)}, "2026-04-04T14:44:59Z", true},
		{"Lord Howe, not quiet again at 01:35", "Australia/Lord_Howe", Quiet{From: at(22, 0), To: at(1, 45)}, "2026-04-04T15:05:00Z", false},
		{"Lord Howe, forward, end 02:15 skipped", "Australia/Lord_Howe", Quiet{From: at(22, 0), To: at(2, 15)}, "2026-10-03T15:29:59Z", true},
		{"Lord Howe, forward, at the jump", "Australia/Lord_Howe", Quiet{From: at(22, 0), To: at(2, 15)}, "2026-10-03T15:30:00Z", false},
		{"Lord Howe, back, 06:00", "Australia/Lord_Howe", night, "2026-04-04T19:30:00Z", false},
		{"Lord Howe, back, last second", "Australia/Lord_Howe", night, "2026-04-04T19:29:59Z", true},
		{"within a day", "UTC", Quiet{From: at(12, 0), To: at(13, 0)}, "2026-11-25T12:30:00Z", true},
		{"none", "UTC", Quiet{From: at(12, 0), To: at(12, 0)}, "2026-11-25T12:00:00Z", false},
	} {
		t.Run(c.what, func(t *testing.T) {
			zone, err := time.LoadLocation(c.zone)
			require.NoError(t, err)
			now, err := time.Parse(time.RFC3339, c.utc)
			require.NoError(t, err)
			require.Equal(t, c.want, c.quiet.Contains(now, zone), now.In(zone))
		})
	}
}

// Every night of two years has one start and one end, 8 h apart, or 8 h and the change.
func TestEveryNightStartsAndEndsOnce(t *testing.T) {
	for _, name := range []string{"Europe/Berlin", "America/New_York", "Australia/Lord_Howe", "UTC"} {
		for _, q := range []Quiet{{From: 22 * 60, To: 6 * 60}, {From: 105, To: 150}, {From: 60, To: 150}, {From: 1380, To: 105}} {
			zone, err := time.LoadLocation(name)
			require.NoError(t, err)
			start := time.Date(2026, 1, 1, 12, 0, 0, 0, zone)
			edges, was := 0, q.Contains(start, zone)
			const step = 5 * time.Minute
			for now := start; now.Before(start.AddDate(1, 0, 0)); now = now.Add(step) {
				if is := q.Contains(now, zone); is != was {
					edges, was = edges+1, is
				}
			}
			require.Equal(t, 730, edges, "%s %v", name, q)
		}
	}
}
